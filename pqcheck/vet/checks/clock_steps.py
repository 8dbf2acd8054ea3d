"""Whether the daily pattern of the load keeps its place on the clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.clock import clock_changes, iso
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import Grid, TimeBase

FEWEST_DAYS = Threshold(3, "d", CHOSEN, "Days needed on each side of a clock change to know the daily pattern.")
HOLE_HOURS = Threshold(1, "h", CHOSEN, "A hole at least this long may hide a clock that was set.")
BEST_FIT = Threshold(0.8, "1", CHOSEN, "Correlation of the shifted daily patterns.")
BETTER_BY = Threshold(0.1, "1", CHOSEN, "How much better than without a shift.")
SHORTEST_MINUTES = Threshold(30, "min", CHOSEN, "Smaller shifts are habits of people, not clocks.")

CHECK = Check(
    name="clock",
    question="Did the recorder's clock hold?",
    looks_at="The daily pattern of load before and after every clock change and every longer hole; stamps that had to "
             "be snapped to the grid.",
    how="The mean day (civil time, ten-minute classes) before and after is compared at shifts of up to three hours. A "
        "clearly better fit at half an hour or more is a clock that was set. Clock changes inside the recording are "
        "named; counts are on the continuous time line.",
    example="From 2031-03-30 on the daily pattern comes 60 minutes later than before.",
    codes={
        "clock-step": "The daily pattern jumps",
        "clock-change": "The clocks change inside the recording",
        "file-snapped": "Stamps were snapped to the grid",
        "file-clock-change": "Clock change in the stamps",
        "file-clock-reset": "Rows from a clock that lost its power",
        "file-seconds-lost": "Seconds dropped by a spreadsheet were restored",
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Whether the daily pattern of the load jumps by an hour or so at a clock change or a hole."""
    yield _outcome(base.grid, base.zone)


def _outcome(grid: Grid, zone: str) -> Outcome:
    instants, _ = clock_changes(zone, grid.start_us, grid.end_us)
    inside = [int(instant) for instant in instants.tolist() if grid.start_us < instant < grid.end_us]
    series = _activity(grid)
    least = int(FEWEST_DAYS.value * DAY)
    if series is None or grid.end_us - grid.start_us < 2 * least:
        note = f" The clocks change at {iso(inside[0], zone)}; all counts are on the continuous time line." \
            if inside else ""
        return Outcome(CHECK, Verdict.NOT_APPLICABLE if not inside else Verdict.PASS, "time", code="too-short-to-tell"
                       if not inside else "clock-change",
                       text="The recording is too short to compare the daily pattern before and after." + note,
                       advice="Compare the recorder's clock with a known one before and after.")
    cuts = list(inside)
    starts, lengths = starts_and_lengths(np.isnan(series))
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        if length * grid.step_us >= HOLE_HOURS.value * 3.6e9:
            cuts.append(grid.time(start + length))
    for cut in sorted(set(cuts))[:20]:
        if cut - grid.start_us < least or grid.end_us - cut < least:
            continue
        shift = pattern_shift(series, (cut - grid.start_us) // grid.step_us, grid, zone)
        if shift:
            at = iso(cut, zone)
            return Outcome(
                CHECK, Verdict.INCONCLUSIVE, "time", code="clock-step", likelihood="likely",
                text=f"From {at} on the daily pattern of the load comes {abs(shift)} minutes "
                     f"{'later' if shift > 0 else 'earlier'} than before: the recorder's clock was probably changed.",
                advice="Compare with a known clock; declare shift-time for the part concerned in a file of its own.",
                spans=(Extent(cut, grid.end_us, 0, float(shift), cut),),
            )
    if inside:
        return Outcome(CHECK, Verdict.PASS, "time", code="clock-change",
                       text=f"The clocks change at {iso(inside[0], zone)}; no interval is lost or counted twice.",
                       advice="Nothing to do.")
    return Outcome(CHECK, Verdict.PASS, "time")


def _activity(grid: Grid) -> Array | None:
    total = grid.get("active_power", "total")
    if total is not None:
        return np.abs(total)
    amps = grid.recorded("current")
    return np.asarray(np.sum(np.stack(list(amps.values())), axis=0)) if amps else None


def daily_profile(series: Array, first: int, last: int, grid: Grid, zone: str) -> Array:
    """Mean of a series by civil time of day, in ten-minute classes; NaN where a class is empty."""
    instants, offsets = clock_changes(zone, grid.start_us, grid.end_us)
    times = grid.start_us + np.arange(first, last, dtype=np.int64) * grid.step_us
    civil = times + offsets[np.searchsorted(instants, times, side="right")]
    classes = (civil % DAY) // 600_000_000
    part = series[first:last]
    good = np.isfinite(part)
    total = np.bincount(classes[good], weights=part[good], minlength=144)
    count = np.bincount(classes[good], minlength=144)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / count)


def pattern_shift(series: Array, cut: int, grid: Grid, zone: str) -> int:
    """Minutes by which the daily pattern after `cut` comes later than before; 0 when it keeps its place."""
    before = daily_profile(series, 0, cut, grid, zone)
    after = daily_profile(series, cut, series.size, grid, zone)
    if np.isnan(before).any() or np.isnan(after).any():
        return 0
    fits = {}
    for lag in range(-18, 19):
        moved = np.roll(before, lag)
        if moved.std() == 0 or after.std() == 0:
            return 0
        fits[lag] = float(np.corrcoef(moved, after)[0, 1])
    best = max(fits, key=lambda lag: (fits[lag], -abs(lag)))
    clear = fits[best] > BEST_FIT.value and fits[best] - fits[0] > BETTER_BY.value
    return best * 10 if clear and abs(best * 10) >= SHORTEST_MINUTES.value else 0
