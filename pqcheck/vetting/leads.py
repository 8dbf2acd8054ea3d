"""Lost voltage leads, fallen clamps, jaws that are not closed, and the neutral against the phases."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.site.model import Site
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median, nan_median, nan_percentile, percentile
from pqcheck.vetting.outcome import Outcome, Span, Subject
from pqcheck.vetting.runs import Mask, mask_runs
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


def lost_lead_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """Per line-to-neutral voltage: near zero while its neighbours stand, or while its current goes on."""
    held = {phase: series for phase in LINE_TO_NEUTRAL if (series := grid.get("voltage", phase)) is not None}
    high_leg = f"{site.supply.high_leg or 'b'}n" if site.supply.connection == "high-leg-delta" else ""
    for phase, series in held.items():
        nominal = site.supply.nominal(phase)
        if nominal is None:
            continue
        level = float(nominal) * (3**0.5 if phase == high_leg else 1)
        others = [other for name, other in held.items() if name != phase and name != high_leg]
        yield _lost_lead(grid, phase, series, level, others, float(nominal))
    yield from _lost_line_lead(grid, site, bool(held))


def _lost_lead(
    grid: Grid, phase: str, series: Array, level: float, others: list[Array], nominal: float
) -> Outcome:
    name = f"voltage.{phase}.mean"
    passed = Outcome("lost-lead", Verdict.PASS, name, "voltage", phase)
    with np.errstate(invalid="ignore"):
        low = series < threshold("lost-lead", "gone_percent") / 100 * level
        standing = np.ones(series.size, np.bool_)
        for other in others:
            standing &= other > threshold("lost-lead", "standing_percent") / 100 * nominal
    current = grid.get("current", phase[0])
    flowing = _flowing(current, low) if current is not None else None
    if not others:
        # One voltage alone: an outage unless its current goes on.
        if flowing is None:
            return passed
        standing = flowing
    alone = low & standing
    if not alone.any():
        return passed
    span = _overall(grid, alone)
    share = None
    if current is not None:
        with np.errstate(invalid="ignore"):
            inside = current[alone]
            outside = current[~low & np.isfinite(series)]
        reference = nan_median(outside) if np.isfinite(outside).any() else _neighbours(grid, phase[0], alone)
        if reference and np.isfinite(inside).any():
            share = nan_median(inside) / reference
    volts = nan_median(series[alone])
    text = f"{phase} reads {volts:.3g} V"
    text += " while the other voltages stand" if others else ""
    if share is not None and share < threshold("lost-lead", "current_gone"):
        return Outcome(
            "lost-lead", Verdict.INCONCLUSIVE, name, "voltage", phase, code="phase-out", likelihood="likely",
            text=f"{text}, and its current is gone too: the phase was really out here (fuse, switch), or lead and "
                 "clamp came off together.",
            advice="Ask what was switched; check fuses, lead and clamp.", spans=(span,),
        )
    shown = share is not None and share >= threshold("lost-lead", "current_goes_on")
    text += f" and its current goes on at {100 * share:.0f} % of its usual value" if shown and share is not None else ""
    lines = _fallen_lines(grid, phase, alone)
    return Outcome(
        "lost-lead", Verdict.REFUSED, name, "voltage", phase, code="lost-lead",
        likelihood="shown" if shown else "likely",
        text=text + ": the voltage lead is off, not the supply. A real lost phase moves the currents as well, and a "
                    "lost primary phase moves two voltages.",
        advice="Fit the lead again and measure again; the other phases stand.", spans=(span,),
        subjects=(Subject("voltage", (phase, *lines), start_us=span.start_us,
                          end_us=span.end_us if span.end_us < grid.end_us else None),),
    )


def _flowing(current: Array, low: Mask) -> Mask:
    with np.errstate(invalid="ignore"):
        usual = current[~low]
        if not np.isfinite(usual).any():
            usual = current
        middle = nan_median(usual) if np.isfinite(usual).any() else 0.0
        return np.asarray((current > threshold("lost-lead", "current_goes_on") * middle) & (current > 0))


def _neighbours(grid: Grid, phase: str, mask: Mask) -> float:
    """Typical current of the other phases during `mask`, 0.0 when there is none."""
    held = [series[mask] for other in PHASES if other != phase
            if (series := grid.get("current", other)) is not None]
    known = [nan_median(series) for series in held if np.isfinite(series).any()]
    return float(np.mean(known)) if known else 0.0


def _overall(grid: Grid, mask: Mask) -> Span:
    """From the first to the last point of a mask; the worst value is the number of points."""
    at = np.flatnonzero(mask)
    start, end = grid.time(int(at[0])), grid.time(int(at[-1])) + grid.step_us
    return Span(start, end, int(at.size * grid.step_us // grid.interval_us), float(at.size), start)


def _fallen_lines(grid: Grid, phase: str, mask: Mask) -> tuple[str, ...]:
    """Line-to-line voltages on this lead that fell with it."""
    fallen = []
    for line in LINE_TO_LINE:
        series = grid.get("voltage", line)
        if series is None or phase[0] not in line:
            continue
        with np.errstate(invalid="ignore"):
            inside, outside = series[mask], series[~mask]
        usual = nan_median(outside) if np.isfinite(outside).any() else float(np.nanmax(series))
        if np.isfinite(inside).any() and abs(nan_median(inside) - usual) > 0.05 * usual:
            fallen.append(line)
    return tuple(fallen)


def _lost_line_lead(grid: Grid, site: Site, has_neutral: bool) -> Iterator[Outcome]:
    """Line-to-line only: two voltages on one lead fall together while all currents go on unchanged."""
    lines = {line: grid.get("voltage", line) for line in LINE_TO_LINE}
    if has_neutral or any(series is None for series in lines.values()) or site.supply.line_to_line is None:
        return
    nominal = float(site.supply.line_to_line)
    rows = {line: series for line, series in lines.items() if series is not None}
    for lead in PHASES:
        on = [line for line in LINE_TO_LINE if lead in line]
        off = next(line for line in LINE_TO_LINE if lead not in line)
        with np.errstate(invalid="ignore"):
            mask = (rows[on[0]] < 0.75 * nominal) & (rows[on[1]] < 0.75 * nominal) & (rows[off] > 0.9 * nominal)
        name = f"voltage.{on[0]}.mean"
        if not mask.any():
            continue
        amps = [series for phase in PHASES if (series := grid.get("current", phase)) is not None]
        unchanged = bool(amps) and all(
            np.isfinite(series[mask]).any() and np.isfinite(series[~mask]).any()
            and 0.7 < nan_median(series[mask]) / max(nan_median(series[~mask]), 1e-12) < 1.4
            for series in amps
        )
        if not unchanged:
            continue
        span = _overall(grid, mask)
        yield Outcome(
            "lost-lead", Verdict.REFUSED, name, "voltage", on[0], code="lost-lead", likelihood="likely",
            text=f"{on[0]} and {on[1]} fall together while {off} and all currents go on: the lead of phase {lead} is "
                 "off.",
            advice="Fit the lead again and measure again.", spans=(span,),
            subjects=(Subject("voltage", tuple(on), start_us=span.start_us,
                              end_us=span.end_us if span.end_us < grid.end_us else None),),
        )


def dead_clamp_outcomes(grid: Grid) -> Iterator[Outcome]:
    """Per current: gone to nothing from a step on, or from the start, while the other phases carry load."""
    rows = {phase: series for phase in PHASES if (series := grid.get("current", phase)) is not None}
    for phase, series in rows.items():
        others = [other for name, other in rows.items() if name != phase]
        name = f"current.{phase}.mean"
        if not others:
            yield Outcome("dead-clamp", Verdict.PASS, name, "current", phase)
            continue
        yield _dead_clamp(grid, phase, name, series, np.mean(np.stack(others), axis=0))


def _dead_clamp(grid: Grid, phase: str, name: str, series: Array, others: Array) -> Outcome:
    passed = Outcome("dead-clamp", Verdict.PASS, name, "current", phase)
    known = np.isfinite(series) & np.isfinite(others)
    if np.count_nonzero(known) < threshold("dead-clamp", "fewest_points"):
        return passed
    usual = nan_percentile(series, 90)
    around = nan_median(others[known])
    if around <= 0:
        return passed
    if usual < threshold("dead-clamp", "gone") * around:
        return Outcome(
            "dead-clamp", Verdict.INCONCLUSIVE, name, "current", phase, code="dead-clamp", likelihood="likely",
            text=f"Current {phase} never rises above {usual:.3g} A while the other phases carry about {around:.3g} "
                 "A: the clamp sees nothing, or the phase has no load.",
            advice="Compare with a handheld reading; close the clamp and check its plug and range.",
        )
    points = np.flatnonzero(known)
    gone = series[points] < threshold("dead-clamp", "gone") * usual
    fewest = int(threshold("dead-clamp", "fewest_points"))
    starts, lengths = mask_runs(gone)
    if not gone[-1] or lengths[-1] < fewest or starts[-1] < fewest:
        return passed
    cut, size = int(starts[-1]), int(lengths[-1])
    first = int(points[cut])
    # Only while the other phases carry load does a missing current mean anything, and a present one before.
    loaded = others[points] >= 0.5 * around
    before = series[points[:cut]][loaded[:cut]]
    if before.size < fewest or np.count_nonzero(loaded[cut:]) < fewest:
        return passed
    if percentile(before, 5) < threshold("dead-clamp", "never_below") * median(before):
        return passed
    near = others[points[cut - 5 : cut]], others[points[cut : cut + 5]]
    if abs(float(np.float64(median(near[1])) / median(near[0])) - 1) > threshold("dead-clamp", "others_within"):
        return passed
    span = Span(grid.time(first), grid.end_us, size, float(series[first]), grid.time(first))
    return Outcome(
        "dead-clamp", Verdict.REFUSED, name, "current", phase, code="dead-clamp", likelihood="likely",
        text=f"Current {phase} falls from about {median(before):.3g} A to "
             f"{median(series[first:]):.3g} A "
             "at one moment and stays there while the other phases go on: the clamp fell off or was unplugged. "
             "Alternative: all load of this phase was switched off for good.",
        advice="Check the clamp and its plug; ask what was switched.", spans=(span,),
        subjects=(Subject("current", (phase,), start_us=span.start_us),),
    )


def jaw_outcomes(grid: Grid) -> Iterator[Outcome]:
    """Per current of a three-phase load: low by one constant factor from a step on."""
    rows = {phase: series for phase in PHASES if (series := grid.get("current", phase)) is not None}
    if len(rows) < 3:
        yield Outcome("jaw", Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="A clamp that is not closed shows only beside two other phases.", advice="Nothing to do.")
        return
    for phase, series in rows.items():
        others = np.mean(np.stack([other for name, other in rows.items() if name != phase]), axis=0)
        name = f"current.{phase}.mean"
        step = factor_step(series, others)
        if step is None:
            yield Outcome("jaw", Verdict.PASS, name, "current", phase)
            continue
        at, factor = step
        span = Span(grid.time(at), grid.end_us, series.size - at, factor, grid.time(at))
        yield Outcome(
            "jaw", Verdict.REFUSED, name, "current", phase, code="jaw-open", likelihood="likely",
            text=f"From one moment on current {phase} is {factor:.3g} times what the two other phases say, at every "
                 "load: the jaw is not closed or the clamp was moved.",
            advice="Close the clamp, check that nothing sits between the jaws, and measure again.", spans=(span,),
            subjects=(Subject("current", (phase,), start_us=span.start_us),),
        )


def factor_step(series: Array, others: Array) -> tuple[int, float] | None:
    """Point and factor of a lasting step down of series/others that is the same at every load; None without one.

    `others` is the mean of the other phases. The step happens from one point to the next while the others go on. A
    load that is switched off takes away amperes, not a share: then the slope of series against others stays.
    """
    fewest = int(threshold("jaw", "fewest_points"))
    with np.errstate(invalid="ignore"):
        # At night the ratio is noise.
        both = np.isfinite(series) & np.isfinite(others) & (series > 0) & (others > 0)
        usual = median(others[both]) if both.any() else 0.0
        known = np.flatnonzero(both & (others > threshold("jaw", "loaded") * usual))
    if known.size < 2 * fewest:
        return None
    own, rest = series[known], others[known]
    ratio = np.log(own / rest)
    cut = _best_cut(ratio, fewest)
    drop = median(ratio[cut:]) - median(ratio[:cut])
    scatter = max(_scatter(ratio[:cut]), _scatter(ratio[cut:]))
    if drop > np.log(threshold("jaw", "largest_factor")) or -drop < threshold("jaw", "times_scatter") * scatter:
        return None
    near = slice(cut - 5, cut), slice(cut, cut + 5)
    if known[cut + 4] - known[cut - 5] > 20:
        # Across a night nothing is sudden.
        return None
    sudden = median(ratio[near[1]]) - median(ratio[near[0]])
    level = float(np.float64(median(rest[near[1]])) / median(rest[near[0]]))
    if sudden > threshold("jaw", "sudden_share") * drop or abs(level - 1) > threshold("jaw", "others_within"):
        return None
    slopes = []
    for part in (slice(None, cut), slice(cut, None)):
        if float(rest[part].std()) < threshold("jaw", "load_varies") * float(rest[part].mean()):
            return None
        slopes.append(float(np.polyfit(rest[part], own[part], 1)[0]))
    factor = float(np.exp(drop))
    if factor < threshold("jaw", "smallest_factor"):
        return None
    if slopes[0] <= 0 or abs(slopes[1] / slopes[0] - factor) > threshold("jaw", "slope_within"):
        return None
    return int(known[cut]), factor


def _best_cut(values: Array, fewest: int) -> int:
    """Where two levels explain the values best, at least `fewest` from either end."""
    count = np.arange(1, values.size)
    sums = np.cumsum(values)[:-1]
    gain = sums**2 / count + (values.sum() - sums) ** 2 / (values.size - count)
    return int(np.argmax(gain[fewest - 1 : values.size - fewest])) + fewest


def _scatter(values: Array) -> float:
    return 1.4826 * median(np.abs(values - median(values)))


def neutral_sum_outcome(grid: Grid, site: Site) -> Outcome:
    """The neutral current cannot exceed the sum of the phase currents, whatever their angles and harmonics."""
    neutral = grid.get("current", "n")
    rows = [series for phase in PHASES if (series := grid.get("current", phase)) is not None]
    if neutral is None or len(rows) < (2 if site.supply.connection == "split-phase" else 3):
        return Outcome("neutral-sum", Verdict.NOT_APPLICABLE, "current.n", "current", "n", code="no-input",
                       text="No neutral current was recorded beside all phases.", advice="Nothing to do.")
    total = np.sum(np.stack(rows), axis=0)
    known = np.isfinite(neutral) & np.isfinite(total)
    if not known.any():
        return Outcome("neutral-sum", Verdict.NOT_APPLICABLE, "current.n", "current", "n", code="no-input",
                       text="Neutral and phase currents were never observed together.", advice="Nothing to do.")
    with np.errstate(invalid="ignore"):
        # Without load both are noise.
        known &= neutral > threshold("neutral-sum", "significant") * nan_percentile(total, 95)
        over = known & (neutral > (1 + threshold("neutral-sum", "over")) * total)
    share = float(np.count_nonzero(over)) / max(1, int(np.count_nonzero(known)))
    if share <= threshold("neutral-sum", "share"):
        return Outcome("neutral-sum", Verdict.PASS, "current.n", "current", "n")
    return Outcome(
        "neutral-sum", Verdict.REFUSED, "current.n", "current", "n", code="neutral-sum", likelihood="shown",
        text=f"The neutral current exceeds the sum of the phase currents in {100 * share:.3g} % of the intervals, "
             "which cannot be: a clamp misses a conductor, or a ratio is wrong.",
        advice="Check the clamp on the neutral and the ratios; look for a parallel conductor that is not clamped.",
        subjects=(Subject("current", ("n",)),), value=100 * share, unit="%",
    )
