"""Lost voltage leads."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import (
    CHOSEN,
    POWERS,
    PRACTICE,
    REGISTERS,
    UNBALANCE,
    VOLTAGES,
    Check,
    Refusal,
    Threshold,
    thresholds,
)
from pqcheck.vet.checks.nominal import fits_as_a_whole, whole_ratio
from pqcheck.vet.kept_runs import Array, Mask
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

GONE_PERCENT = Threshold(
    20, "% of nominal", PRACTICE,
    "A voltage below this beside standing ones is no voltage of the supply; a lead in the air reads a few volts."
)
STANDING_PERCENT = Threshold(80, "% of nominal", PRACTICE, "The other voltages stand above this.")
CURRENT_GOES_ON = Threshold(0.3, "1", CHOSEN, "Share of its usual value from which the current is said to go on.")
CURRENT_GONE = Threshold(0.05, "1", CHOSEN, "Share below which the current is gone too.")

CHECK = Check(
    name="lost-lead",
    question="Did a voltage lead come off?",
    looks_at="Every voltage beside the others and beside its own current.",
    how="A voltage near zero while the other voltages stand is a lead in the air when its current goes on; when the "
        "current is gone too the phase may really have been out. A lost primary phase moves two secondary voltages and "
        "the currents.",
    example="cn reads 12 V while the other voltages stand and its current goes on at 100 %.",
    codes={"lost-lead": "A voltage lead is off", "phase-out": "Voltage and current are gone"},
    refuses={
        "lost-lead": (
            Refusal((*VOLTAGES, "flicker_pst", "flicker_plt"), "same", "Nothing was measured on this lead."),
            Refusal(UNBALANCE, "all", "Unbalance needs all three voltages."),
            Refusal(POWERS, "power", "Power of the phase needs its voltage."),
            Refusal(POWERS, "total", "The totals contain the phase."),
            Refusal(REGISTERS, "total", "Registers contain the phase."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Per line-to-neutral voltage: near zero while its neighbours stand, or while its current goes on."""
    grid, site = base.grid, base.site
    whole = whole_ratio(grid, site)
    # Beside each other the voltages say which lead is off, also where the declared nominal is wrong.
    own = 1.0 if whole is None or fits_as_a_whole(whole) else whole
    held = grid.recorded("voltage", LINE_TO_NEUTRAL)
    high_leg = f"{site.supply.high_leg or 'b'}n" if site.supply.connection == "high-leg-delta" else ""
    for phase, series in held.items():
        nominal = site.supply.nominal(phase)
        if nominal is None:
            continue
        level = own * float(nominal) * (3**0.5 if phase == high_leg else 1)
        others = [other for name, other in held.items() if name != phase and name != high_leg]
        yield _lost_lead(grid, phase, series, level, others, own * float(nominal))
    yield from _lost_line_lead(grid, site, bool(held), own)


def _lost_lead(
    grid: Grid, phase: str, series: Array, level: float, others: list[Array], nominal: float
) -> Outcome:
    name = f"voltage.{phase}.mean"
    passed = Outcome(CHECK, Verdict.PASS, name, "voltage", phase)
    with np.errstate(invalid="ignore"):
        low = series < GONE_PERCENT.value / 100 * level
        standing = np.ones(series.size, np.bool_)
        for other in others:
            standing &= other > STANDING_PERCENT.value / 100 * nominal
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
        reference = float(np.nanmedian(outside)) if np.isfinite(outside).any() else _neighbours(grid, phase[0], alone)
        if reference and np.isfinite(inside).any():
            share = float(np.nanmedian(inside)) / reference
    volts = float(np.nanmedian(series[alone]))
    text = f"{phase} reads {volts:.3g} V"
    text += " while the other voltages stand" if others else ""
    if share is not None and share < CURRENT_GONE.value:
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "voltage", phase, code="phase-out", likelihood="likely",
            text=f"{text}, and its current is gone too: the phase was really out here (fuse, switch), or lead and "
                 "clamp came off together.",
            advice="Ask what was switched; check fuses, lead and clamp.", spans=(span,),
        )
    shown = share is not None and share >= CURRENT_GOES_ON.value
    text += f" and its current goes on at {100 * share:.0f} % of its usual value" if shown and share is not None else ""
    lines = _fallen_lines(grid, phase, alone)
    return Outcome(
        CHECK, Verdict.REFUSED, name, "voltage", phase, code="lost-lead",
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
        middle = float(np.nanmedian(usual)) if np.isfinite(usual).any() else 0.0
        return np.asarray((current > CURRENT_GOES_ON.value * middle) & (current > 0))


def _neighbours(grid: Grid, phase: str, mask: Mask) -> float:
    """Typical current of the other phases during `mask`, 0.0 when there is none."""
    held = [series[mask] for other, series in grid.recorded("current").items() if other != phase]
    known = [float(np.nanmedian(series)) for series in held if np.isfinite(series).any()]
    return float(np.mean(known)) if known else 0.0


def _overall(grid: Grid, mask: Mask) -> Extent:
    """From the first to the last point of a mask; the worst value is the number of points."""
    at = np.flatnonzero(mask)
    start, end = grid.time(int(at[0])), grid.time(int(at[-1])) + grid.step_us
    return Extent(start, end, int(at.size * grid.step_us // grid.interval_us), float(at.size), start)


def _fallen_lines(grid: Grid, phase: str, mask: Mask) -> tuple[str, ...]:
    """Line-to-line voltages on this lead that fell with it."""
    fallen = []
    for line in LINE_TO_LINE:
        series = grid.get("voltage", line)
        if series is None or phase[0] not in line:
            continue
        with np.errstate(invalid="ignore"):
            inside, outside = series[mask], series[~mask]
        usual = float(np.nanmedian(outside)) if np.isfinite(outside).any() else float(np.nanmax(series))
        if np.isfinite(inside).any() and abs(float(np.nanmedian(inside)) - usual) > 0.05 * usual:
            fallen.append(line)
    return tuple(fallen)


def _lost_line_lead(grid: Grid, site: Site, has_neutral: bool, own: float) -> Iterator[Outcome]:
    """Line-to-line only: two voltages on one lead fall together while all currents go on unchanged."""
    rows = grid.recorded("voltage", LINE_TO_LINE)
    if has_neutral or len(rows) < 3 or site.supply.line_to_line is None:
        return
    nominal = own * float(site.supply.line_to_line)
    for lead in PHASES:
        on = [line for line in LINE_TO_LINE if lead in line]
        off = next(line for line in LINE_TO_LINE if lead not in line)
        with np.errstate(invalid="ignore"):
            mask = (rows[on[0]] < 0.75 * nominal) & (rows[on[1]] < 0.75 * nominal) & (rows[off] > 0.9 * nominal)
        name = f"voltage.{on[0]}.mean"
        if not mask.any():
            continue
        amps = list(grid.recorded("current").values())
        unchanged = bool(amps) and all(
            np.isfinite(series[mask]).any() and np.isfinite(series[~mask]).any()
            and 0.7 < float(np.nanmedian(series[mask])) / max(float(np.nanmedian(series[~mask])), 1e-12) < 1.4
            for series in amps
        )
        if not unchanged:
            continue
        span = _overall(grid, mask)
        yield Outcome(
            CHECK, Verdict.REFUSED, name, "voltage", on[0], code="lost-lead", likelihood="likely",
            text=f"{on[0]} and {on[1]} fall together while {off} and all currents go on: the lead of phase {lead} is "
                 "off.",
            advice="Fit the lead again and measure again.", spans=(span,),
            subjects=(Subject("voltage", tuple(on), start_us=span.start_us,
                              end_us=span.end_us if span.end_us < grid.end_us else None),),
        )
