"""Strategies for odd recordings: files as bytes, with what the independent reading must know about them."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from hypothesis import strategies as st

from tests.odd_recordings.cells import BOUNDS, DECORATED, NO_VALUE, ODD_NUMBERS
from tests.odd_recordings.reading import SLOT_S, Rule

START = datetime(2031, 3, 3, tzinfo=UTC)
DAY_S = 86_400
NOMINAL = 230

LEVELS = {"voltage": (225.0, 235.0, 1), "voltage_thd": (1.5, 3.5, 2), "flicker_pst": (0.2, 0.6, 2)}
"""Usual values from, to, and decimals."""
BREACHES = {"voltage": (256.0, 275.0), "voltage_thd": (9.0, 14.0), "flicker_pst": (1.2, 2.5)}
"""Values beyond the limits, and not so far that the nominal would be doubted."""

RULES = (
    Rule("voltage-95", "voltage", 95, Fraction(207), Fraction(253)),
    Rule("voltage-all", "voltage", 100, Fraction(391, 2), Fraction(253)),
    Rule("thd-95", "voltage_thd", 95, None, Fraction(8)),
    Rule("thd-all", "voltage_thd", 100, None, Fraction(8)),
    Rule("pst-95", "flicker_pst", 95, None, Fraction(1)),
)


def table(factor: Fraction = Fraction(1), period: str = "day") -> dict[str, Any]:
    """The limit table of these rules; `factor` below 1 narrows every limit."""

    def limit(rule: Rule) -> dict[str, str]:
        unit = Fraction(100, NOMINAL) if rule.quantity == "voltage" else Fraction(1)
        middle = 100 if rule.quantity == "voltage" else 0
        sides = {"high": middle + (rule.high * unit - middle) * factor}
        if rule.low is not None:
            sides["low"] = middle - (middle - rule.low * unit) * factor
        return {"kind": "band", **{side: f"{float(value):.6g}" for side, value in sides.items()}}

    return {
        "format": "pqcheck-limit-table/1", "id": "odd-house", "standard": "House", "edition": "1",
        "title": "House limits", "source": "Invented for a test.", "interruption_below_percent": "5",
        "rules": [
            {
                "id": rule.id, "title": rule.id, "clause": "1", "confidence": "two sources", "quantity": rule.quantity,
                "interval": "10 min", "period": period, "comparison": "closed", "limit": limit(rule),
                "statistic": {"kind": "share_within", "percent": str(rule.percent)}
                if rule.percent < 100
                else {"kind": "all_within"},
                **({"reference": "nominal"} if rule.quantity == "voltage" else {}),
                **({"reference": "fundamental", "highest_order": 40} if rule.quantity == "voltage_thd" else {}),
                **({"reference": "none", "unit": "1"} if rule.quantity == "flicker_pst" else {}),
            }
            for rule in RULES
        ],
    }  # fmt: skip


@dataclass(frozen=True)
class Column:
    """A channel: quantity and phase, and its unit as the header writes it."""

    quantity: str
    phase: str

    @property
    def header(self) -> str:
        """The header of the plain table."""
        unit = {"voltage": " [V]", "voltage_thd": " [%]", "flicker_pst": ""}[self.quantity]
        return f"{self.quantity}.{self.phase}{unit}"


@dataclass
class Part:
    """Rows of one time base: `cells[column][row]`."""

    interval_s: int
    start_s: int
    cells: list[list[str]]

    @property
    def count(self) -> int:
        """Rows."""
        return len(self.cells[0])


@dataclass(repr=False)
class Odd:
    """A recording: files of parts, how they are written, what the site declares."""

    columns: list[Column]
    files: list[list[Part]]
    delimiter: str = ","
    mark: str = "."
    line_end: str = "\n"
    exclusions: list[tuple[int, int]] = field(default_factory=list)
    cut: int | None = None
    """Bytes taken off the end of the last file."""
    story: list[str] = field(default_factory=list)
    """What was done to it, for messages."""

    def __repr__(self) -> str:
        """What was done, in short."""
        headers = ", ".join(column.header for column in self.columns)
        return f"Odd({headers}; {'; '.join(self.story)}; {self.delimiter}{self.mark} {self.exclusions=} {self.cut=})"

    def _repr_pretty_(self, printer: Any, _cycle: bool) -> None:
        printer.text(repr(self))

    def contents(self) -> list[bytes]:
        """The files as bytes."""
        written = [self._written(parts) for parts in self.files]
        if self.cut:
            written[-1] = written[-1][: max(0, len(written[-1]) - self.cut)]
        return written

    def _written(self, parts: list[Part]) -> bytes:
        lines = [self.delimiter.join(["time", *(column.header for column in self.columns)])]
        for part in parts:
            for row in range(part.count):
                stamp = (START + timedelta(seconds=part.start_s + row * part.interval_s)).isoformat()
                lines.append(self.delimiter.join([stamp, *(self._quoted(cells[row]) for cells in part.cells)]))
        return (self.line_end.join(lines) + self.line_end).encode()

    def _quoted(self, cell: str) -> str:
        cell = cell.replace("@", self.mark)
        return f'"{cell}"' if self.delimiter in cell else cell

    def intervals(self) -> list[dict[str, int]]:
        """Per file the interval of the row at each stamp."""
        return [
            {
                (START + timedelta(seconds=part.start_s + row * part.interval_s)).isoformat(): part.interval_s
                for part in parts
                for row in range(part.count)
            }
            for parts in self.files
        ]

    def site(self) -> dict[str, Any]:
        """The declared site."""
        wye = len({column.phase for column in self.columns}) > 1
        declared: dict[str, Any] = {
            "name": "Odd", "time_zone": "UTC",
            "supply": {"nominal_voltage": "400 V" if wye else "230 V", "connection": "wye" if wye else "single-phase"},
        }  # fmt: skip
        if self.exclusions:
            declared["exclusions"] = [
                {
                    "from": START + timedelta(seconds=first), "to": START + timedelta(seconds=end),
                    "reason": "declared for a test", "author": "test",
                }
                for first, end in self.exclusions
            ]  # fmt: skip
        return declared

    def changed(self, change: Callable[[Part, int, int, str], str]) -> Odd:
        """A copy with every cell put through `change(part, column, row, cell)`."""
        files = [
            [
                replace(part, cells=[[change(part, i, row, cell) for row, cell in enumerate(column)]
                                     for i, column in enumerate(part.cells)])
                for part in parts
            ]
            for parts in self.files
        ]  # fmt: skip
        return replace(self, files=files)


def plain(value: float, decimals: int) -> str:
    """A plain number, its mark still open."""
    return f"{value:.{decimals}f}".replace(".", "@")


def _series(rng: random.Random, quantity: str, count: int, breaches: float) -> list[str]:
    low, high, decimals = LEVELS[quantity]
    return [plain(rng.uniform(*(BREACHES[quantity] if rng.random() < breaches else (low, high))), decimals)
            for _ in range(count)]  # fmt: skip


def _part(
    rng: random.Random, columns: list[Column], interval_s: int, start_s: int, length_s: int, share: float
) -> Part:
    count = length_s // interval_s
    return Part(interval_s, start_s, [_series(rng, column.quantity, count, share) for column in columns])


def refined(part: Part, interval_s: int) -> Part:
    """The same span at a shorter interval: every member repeats the value of its slot."""
    times = part.interval_s // interval_s
    return Part(interval_s, part.start_s, [[cell for cell in column for _ in range(times)] for column in part.cells])


@st.composite
def odd_recordings(draw: st.DrawFn, *, odd: bool = True, cuts: bool = True, phases: int | None = None) -> Odd:
    """Recordings of one to three days with what goes wrong in them."""
    rng = random.Random(draw(st.integers(0, 2**32 - 1), label="seed"))
    named = ("an", "bn", "cn")[: phases or draw(st.sampled_from([1, 1, 3]))]
    quantities = draw(
        st.sampled_from([("voltage",), ("voltage", "voltage_thd"), ("voltage", "voltage_thd", "flicker_pst")])
    )
    columns = [Column(quantity, phase) for quantity in quantities for phase in named]
    days = draw(st.integers(1, 2))
    share = draw(st.sampled_from([0.0, 0.0, 0.0, 0.004, 0.02, 0.04, 0.06, 0.5]))
    shape = draw(st.sampled_from(["one", "one", "two files", "two bases", "two bases in one file", "three bases"]))
    starts = [0, days * DAY_S, 2 * days * DAY_S]
    intervals = draw(st.permutations([600, 60, 300]))
    if draw(st.integers(0, 7)) == 0:
        intervals[1] = 900
    shares = draw(st.permutations([share, 0.0, 0.0]))
    count = {"one": 1, "three bases": 3}.get(shape, 2)
    same = shape == "two files"
    parts = [
        _part(rng, columns, intervals[0] if same else intervals[number], starts[number], days * DAY_S, shares[number])
        for number in range(count)
    ]
    bases = ", ".join(f"{part.interval_s} s from hour {part.start_s // 3600}" for part in parts)
    story = [f"{shape}: {bases}; breaches {shares}"]
    files = [parts] if shape == "two bases in one file" else [[part] for part in parts]
    if shape != "two bases in one file":
        files = list(draw(st.permutations(files)))
    semicolon = draw(st.booleans())
    recording = Odd(
        columns, files, ";" if semicolon else ",", "," if semicolon and draw(st.booleans()) else ".",
        draw(st.sampled_from(["\n", "\r\n"])), story=story,
    )  # fmt: skip
    if odd:
        _spoil(draw, rng, recording)
    if draw(st.integers(0, 4)) == 0:
        first = draw(st.integers(0, 140)) * SLOT_S
        recording.exclusions.append((first, first + draw(st.sampled_from([1, 3, 8, 40, 80, 120])) * SLOT_S))
    if cuts and draw(st.integers(0, 3)) == 0:
        recording.cut = draw(st.integers(1, 60))
    return recording


def _spoil(draw: st.DrawFn, rng: random.Random, recording: Odd) -> None:
    """Put odd cells, bounds, constants, outages and blanks into a recording."""
    for _ in range(draw(st.integers(0, 3))):
        part = draw(st.sampled_from([part for parts in recording.files for part in parts]))
        number = draw(st.integers(0, len(recording.columns) - 1))
        column, quantity = part.cells[number], recording.columns[number].quantity
        what = draw(
            st.sampled_from(["odd", "odd", "no value", "bound", "decorated", "constant", "outage", "blanks", "zero"])
        )
        share = draw(st.sampled_from([0.003, 0.03, 0.1, 0.6, 1.0]))
        chosen = [row for row in range(part.count) if rng.random() < share] or [0]
        recording.story.append(
            f"{what} in {len(chosen)} cells of {recording.columns[number].header} at {part.interval_s} s"
        )
        if what in ("odd", "no value"):
            word = draw(st.sampled_from(ODD_NUMBERS if what == "odd" else NO_VALUE))
            recording.story[-1] += f": {word!r}"
            for row in chosen:
                column[row] = word
        elif what in ("bound", "decorated"):
            form = draw(st.sampled_from(BOUNDS if what == "bound" else DECORATED[quantity]))
            recording.story[-1] += f": {form!r}"
            low, high = LEVELS[quantity][0], BREACHES[quantity][1]
            at = draw(st.sampled_from([None, low, high]))
            for row in chosen:
                column[row] = form.format(column[row] if at is None else plain(at, LEVELS[quantity][2]))
        elif what == "constant":
            column[:] = [plain(draw(st.sampled_from(LEVELS[quantity][:2])), LEVELS[quantity][2])] * part.count
        elif what == "zero":
            column[:] = [plain(0, LEVELS[quantity][2])] * part.count
        elif what == "outage":
            first = rng.randrange(part.count)
            end = min(part.count, first + max(1, int(share * 36000 / part.interval_s)))
            blank = draw(st.booleans())
            for i, other in enumerate(part.cells):
                value = (
                    "0@0"
                    if recording.columns[i].quantity == "voltage"
                    else plain(0, LEVELS[recording.columns[i].quantity][2])
                )
                other[first:end] = [value] * (end - first)
            if blank:
                column[first:end] = [""] * (end - first)
            recording.story[-1] = f"outage rows {first} to {end} at {part.interval_s} s" + (
                " with blanks" if blank else ""
            )
        else:
            for row in chosen:
                column[row] = ""
