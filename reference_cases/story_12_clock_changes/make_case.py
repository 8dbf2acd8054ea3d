"""A week from Sunday to Sunday in Lisbon's legal time, at the change in autumn and at the one in spring 2031."""

from datetime import UTC, datetime

from reference_cases.invented import marked, steady, table

LISBON = "Europe/Lisbon"
# Clocks change in the first hours of both weeks: 169 hours from Sunday 26 October to Sunday, 167 from Sunday 30 March.
AUTUMN = datetime(2031, 10, 25, 23, tzinfo=UTC)
SPRING = datetime(2031, 3, 30, tzinfo=UTC)


def week(count: int, start: datetime, interleaved: bool = False) -> str:
    # One low value 2 h 20 min after the start: in autumn the second 01:20 of that night, in spring 03:20 summer time.
    values = marked(steady(230.4, count, swing=2.2, noise=1.4), {14: 206.4})
    text = table({"voltage.an [V]": values}, start=start, zone=LISBON)
    if not interleaved:
        return text
    # Some recorders write the two passes of the repeated hour in pairs: 01:00, 01:00, 01:10, 01:10 ...
    head, *rows = text.splitlines()
    first = next(number for number, row in enumerate(rows) if row.startswith("2031-10-26T01:00"))
    hour = rows[first : first + 12]
    pairs = [row for slot in range(6) for row in (hour[slot], hour[slot + 6])]
    return "\n".join([head, *rows[:first], *pairs, *rows[first + 12 :]]) + "\n"


FILES = {
    "autumn.csv": week(1014, AUTUMN),
    "autumn_pairs.csv": week(1014, AUTUMN, interleaved=True),
    "spring.csv": week(1002, SPRING),
}
