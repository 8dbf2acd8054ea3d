"""A week of ten-minute values with their lowest half-cycles, and the events of the same recorder, with planted dips."""

from reference_cases.invented import WEEK, marked, scatter, steady, table

PHASES = ("an", "bn", "cn")
DIPS = {200: 62.0, 512: 84.0}
"""Residual voltage in percent by the slot of ten minutes; the first is seen by two phases, the second by one."""


def week() -> str:
    columns: dict[str, list[float | str | None]] = {}
    for seed, phase in enumerate(PHASES):
        means = [*steady(231.0, swing=2.0, noise=1.4, seed=seed)]
        on = {200: ("an", "bn"), 512: ("an",)}
        seen = {slot: 2.3 * residual for slot, residual in DIPS.items() if phase in on[slot]}
        lowest = [round(mean - 2.5 - scatter(slot, seed + 7), 2) for slot, mean in enumerate(means)]
        columns[f"voltage.{phase} [V]"] = [*means]
        columns[f"voltage.{phase}.min [V]"] = [*marked(lowest, seen)]
    assert len(means) == WEEK
    return table(columns)


def events(*rows: str) -> str:
    return "\n".join(["Start,Phase,Type,Duration [ms],Residual [V],Feeder", *rows]) + "\n"


FIRST = ("2031-03-04T09:23:10+00:00,an,dip,420,142.6,north", "2031-03-04T09:23:10.05+00:00,bn,dip,380,151.8,north")
SECOND = "2031-03-06T13:21:40+00:00,an,dip,90,193.2,north"

FILES = {
    "week.csv": week(),
    "events.csv": events(*FIRST, SECOND),
    "cut_short.csv": events(SECOND),
}
