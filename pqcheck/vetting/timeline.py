"""What the readers noticed on the time line, and whether the daily pattern keeps its place on the clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import clock_changes, iso
from pqcheck.findings import Verdict
from pqcheck.recording import DAY, Note, RowSpan
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.outcome import Outcome, Span
from pqcheck.vetting.runs import mask_runs
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

WORDS = {
    "duplicate-merged": "duplicates", "duplicate-conflict": "duplicates", "unsorted": "order-of-rows",
    "off-grid": "time-line", "interval-change": "time-line", "interval-mismatch": "time-line", "overlap": "overlap",
    "snapped": "clock", "clock-change": "clock", "not-a-number": "values", "unknown-column": "columns", "gap": "holes",
    "unit-converted": "columns", "slow-channel": "time-line", "no-rows": "time-line", "seconds-lost": "clock",
    "clock-reset": "clock",
}
"""Check name of each kind of note."""


def note_outcomes(notes: Sequence[Note]) -> Iterator[tuple[Outcome, tuple[RowSpan, ...]]]:
    """Notes of one code and one set of channels become one outcome, with the rows they name.

    Serious notes are inconclusive: they left intervals unobserved. Others are passes with a note.
    """
    merged: dict[tuple[str, tuple[str, ...]], list[Note]] = {}
    for note in notes:
        merged.setdefault((note.code, tuple(channel.name for channel in note.channels)), []).append(note)
    for (code, names), group in merged.items():
        first = group[0].channels[0] if len(names) == 1 else None
        # What is missing is counted by the check of completeness, channel by channel.
        serious = any(note.serious for note in group) and code != "gap"
        spans = tuple(
            Span(start, end, 0, 0.0, start) for start, end in sorted({span for note in group for span in note.spans})
        )
        rows = tuple(row for note in group for row in note.rows)
        yield Outcome(
            WORDS.get(code, "time-line"), Verdict.INCONCLUSIVE if serious else Verdict.PASS,
            names[0] if len(names) == 1 else f"file:{code}", first.quantity if first else None,
            first.phase if first else None, first.order if first else None,
            code=f"file-{code}", text=" ".join(dict.fromkeys(note.text for note in group)),
            advice="These intervals count as unobserved; export the file again without spreadsheet if it was damaged."
            if serious else "Nothing to do.",
            spans=spans,
        ), rows


def clock_outcome(grid: Grid, zone: str) -> Outcome:
    """Whether the daily pattern of the load jumps by an hour or so at a clock change or a hole."""
    instants, _ = clock_changes(zone, grid.start_us, grid.end_us)
    inside = [int(one) for one in instants.tolist() if grid.start_us < one < grid.end_us]
    series = _activity(grid)
    least = int(threshold("clock", "fewest_days") * DAY)
    if series is None or grid.end_us - grid.start_us < 2 * least:
        note = f" The clocks change at {iso(inside[0], zone)}; all counts are on the continuous time " \
               "line." if inside else ""
        return Outcome("clock", Verdict.NOT_APPLICABLE if not inside else Verdict.PASS, "time", code="too-short-to-tell"
                       if not inside else "clock-change",
                       text="The recording is too short to compare the daily pattern before and after." + note,
                       advice="Compare the recorder's clock with a known one before and after.")
    cuts = list(inside)
    starts, lengths = mask_runs(np.isnan(series))
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        if length * grid.step_us >= threshold("clock", "hole_hours") * 3.6e9:
            cuts.append(grid.time(start + length))
    for cut in sorted(set(cuts))[:20]:
        if cut - grid.start_us < least or grid.end_us - cut < least:
            continue
        shift = pattern_shift(series, (cut - grid.start_us) // grid.step_us, grid, zone)
        if shift:
            at = iso(cut, zone)
            return Outcome(
                "clock", Verdict.INCONCLUSIVE, "time", code="clock-step", likelihood="likely",
                text=f"From {at} on the daily pattern of the load comes {abs(shift)} minutes "
                     f"{'later' if shift > 0 else 'earlier'} than before: the recorder's clock was probably changed.",
                advice="Compare with a known clock; declare shift-time for the part concerned in a file of its own.",
                spans=(Span(cut, grid.end_us, 0, float(shift), cut),),
            )
    if inside:
        return Outcome("clock", Verdict.PASS, "time", code="clock-change",
                       text=f"The clocks change at {iso(inside[0], zone)}; no interval is lost or counted twice.",
                       advice="Nothing to do.")
    return Outcome("clock", Verdict.PASS, "time")


def _activity(grid: Grid) -> Array | None:
    total = grid.get("active_power", "total")
    if total is not None:
        return np.abs(total)
    amps = [series for phase in PHASES if (series := grid.get("current", phase)) is not None]
    return np.asarray(np.sum(np.stack(amps), axis=0)) if amps else None


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
    clear = fits[best] > threshold("clock", "best_fit") and fits[best] - fits[0] > threshold("clock", "better_by")
    return best * 10 if clear and abs(best * 10) >= threshold("clock", "shortest_minutes") else 0
