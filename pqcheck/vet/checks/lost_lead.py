"""Lost voltage leads."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.by_group import MOST_STRETCHES
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
from pqcheck.vet.checks.line_leads import at_half, off_throughout
from pqcheck.vet.checks.nominal import displaced, fits_as_a_whole, lines_stand, whole_ratio
from pqcheck.vet.kept_runs import Array, Mask, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

GONE_PERCENT = Threshold(
    20, "% of nominal", PRACTICE,
    "A voltage below this beside standing ones is no voltage of the supply; a lead in the air reads a few volts."
)
STANDING_PERCENT = Threshold(80, "% of nominal", PRACTICE, "The other voltages stand above this.")
LINES_STAND_PERCENT = Threshold(
    85, "% of nominal", "derived: a lead in the air leaves 50 to 58 % on a line that ends on it",
    "Where every line-to-line voltage of the lead stands above this, the lead is on and the neutral is displaced."
)
RISES_PERCENT = Threshold(115, "% of nominal", PRACTICE,
                          "Another leg above this at the same time: a lead in the air does not raise it, a neutral "
                          "does.")
JOINED_HOURS = Threshold(1, "h", CHOSEN, "Two stretches nearer than this are one: the lead hangs by a thread.")
CURRENT_GOES_ON = Threshold(0.3, "1", CHOSEN, "Share of its usual value from which the current is said to go on.")
OWN_SHARE = Threshold((0.5, 2.0), "1", CHOSEN,
                      "Current of a lead over the two others, against the rest: within these it went on.")
CURRENT_GONE = Threshold(0.05, "1", CHOSEN, "Share below which the current is gone too.")

CHECK = Check(
    name="lost-lead",
    question="Did a voltage lead come off?",
    looks_at="Every voltage beside the others and beside its own current.",
    how="A voltage near zero while the other voltages stand is a lead in the air when its current goes on; when the "
        "current is gone too the phase may really have been out. Where the line-to-line voltages of the lead stand it "
        "is on: the neutral is displaced, which is a danger sign and never a lost lead. Without line-to-line voltages "
        "both are named where another leg rises at the same time. A lost primary phase moves two secondary voltages "
        "and the currents. Without a neutral two line-to-line voltages at half of the third share a lead in the air.",
    example="cn reads 12 V while the other voltages stand and its current goes on at 100 %.",
    codes={
        "lost-lead": "A voltage lead is off",
        "phase-out": "Voltage and current are gone",
        "lead-or-phase": "A lead is off, or a phase is out",
    },
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
    undoubted = whole is None or fits_as_a_whole(whole) or lines_stand(grid, site) or displaced(grid, site)
    own = 1.0 if undoubted or whole is None else whole
    # On a delta a voltage to ground has no nominal, and that of a grounded corner is zero by right.
    held = grid.recorded("voltage", LINE_TO_NEUTRAL) if site.supply.connection != "delta" else {}
    high_leg = f"{site.supply.high_leg or 'b'}n" if site.supply.connection == "high-leg-delta" else ""
    for phase, series in held.items():
        nominal = site.supply.nominal(phase)
        if nominal is None:
            continue
        level = own * float(nominal) * (3**0.5 if phase == high_leg else 1)
        others = [other for name, other in held.items() if name != phase and name != high_leg]
        yield _lost_lead(grid, phase, series, level, others, own * float(nominal), own * _line_nominal(site))
    yield from _lost_line_lead(grid, site, bool(held))


def _line_nominal(site: Site) -> float:
    return float(site.supply.line_to_line or 0)


def _lost_lead(
    grid: Grid, phase: str, series: Array, level: float, others: list[Array], nominal: float, line_nominal: float
) -> Outcome:
    name = f"voltage.{phase}.mean"
    passed = Outcome(CHECK, Verdict.PASS, name, "voltage", phase)
    lines = {line: row for line, row in grid.recorded("voltage", LINE_TO_LINE).items() if phase[0] in line}
    with np.errstate(invalid="ignore"):
        low = (series < GONE_PERCENT.value / 100 * level) & ~_all_stand(lines, line_nominal, series.size)
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
    spans = _stretches(grid, alone)
    share = _share_of_current(grid, phase[0], alone, ~low & np.isfinite(series)) if current is not None else None
    volts = float(np.nanmedian(series[alone]))
    text = f"{phase} reads {volts:.3g} V"
    text += " while the other voltages stand" if others else ""
    if not lines and _rises(others, alone, nominal):
        return _lead_or_neutral(name, phase, text, spans, grid.end_us)
    if share is not None and share < CURRENT_GONE.value:
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "voltage", phase, code="phase-out", likelihood="likely",
            text=f"{text}, and its current is gone too: the phase was really out here (fuse, switch), or lead and "
                 "clamp came off together.",
            advice="Ask what was switched; check fuses, lead and clamp.", spans=spans,
        )
    shown = share is not None and share >= CURRENT_GOES_ON.value
    text += f" and its current goes on at {100 * share:.0f} % of its usual value" if shown and share is not None else ""
    return Outcome(
        CHECK, Verdict.REFUSED, name, "voltage", phase, code="lost-lead",
        likelihood="shown" if shown else "likely",
        text=text + ": the voltage lead is off, not the supply. A real lost phase moves the currents as well, and a "
                    "lost primary phase moves two voltages.",
        advice="Fit the lead again and measure again; the other phases stand.", spans=spans,
        subjects=_doubted((phase, *lines), spans, grid.end_us),
    )


def _all_stand(lines: dict[str, Array], nominal: float, size: int) -> Mask:
    """Points at which lines were recorded on a lead and all of them stand."""
    standing = np.full(size, bool(lines) and nominal > 0)
    with np.errstate(invalid="ignore"):
        for row in lines.values():
            standing &= row > LINES_STAND_PERCENT.value / 100 * nominal
    return standing


def _rises(others: list[Array], mask: Mask, nominal: float) -> bool:
    """Whether another leg stands too high while this one is gone."""
    with np.errstate(invalid="ignore"):
        return any(float(np.nanmedian(other[mask])) > RISES_PERCENT.value / 100 * nominal for other in others
                   if np.isfinite(other[mask]).any())


def _lead_or_neutral(name: str, phase: str, text: str, spans: tuple[Extent, ...], end_us: int) -> Outcome:
    return Outcome(
        CHECK, Verdict.REFUSED, name, "voltage", phase, code="lost-lead", likelihood="likely",
        text=text + " and another leg stands far too high at the same time: the neutral is open, or, less likely, the "
                    "voltage lead is off and the other leg is high for another reason. Without line-to-line voltages "
                    "the two cannot be told apart; treat it as an open neutral.",
        advice="Do not touch it: have a licensed electrician or the utility check the neutral first, then the lead. "
               "Record the line-to-line voltages.", spans=spans, subjects=_doubted((phase,), spans, end_us),
    )


def _doubted(phases: tuple[str, ...], spans: tuple[Extent, ...], end_us: int) -> tuple[Subject, ...]:
    """The stretches, and no more, as doubts."""
    return tuple(Subject("voltage", phases, start_us=span.start_us,
                         end_us=span.end_us if span.end_us < end_us else None) for span in spans)


def _flowing(current: Array, low: Mask) -> Mask:
    with np.errstate(invalid="ignore"):
        usual = current[~low]
        if not np.isfinite(usual).any():
            usual = current
        middle = float(np.nanmedian(usual)) if np.isfinite(usual).any() else 0.0
        return np.asarray((current > CURRENT_GOES_ON.value * middle) & (current > 0))


def _share_of_current(grid: Grid, phase: str, alone: Mask, usual: Mask) -> float | None:
    """The current while the lead is gone over its usual value, as far as the other phases kept theirs; else over
    theirs. None when nothing is known."""
    rows = {name: series for name, series in grid.recorded("current").items()}
    inside, outside = _middle(rows[phase], alone), _middle(rows[phase], usual)
    others = [(_middle(series, alone), _middle(series, usual)) for name, series in rows.items() if name != phase]
    kept = [now / before for now, before in others if now and before]
    went = min(1.0, float(np.mean(kept))) if kept else 1.0
    reference = outside * went if outside else float(np.mean([now or 0.0 for now, _ in others])) if others else 0.0
    return inside / reference if reference and inside is not None else None


def _middle(series: Array, mask: Mask) -> float | None:
    known = series[mask & np.isfinite(series)]
    return float(np.median(known)) if known.size else None


def _stretches(grid: Grid, mask: Mask) -> tuple[Extent, ...]:
    """Runs of a mask, near ones joined; the worst value of each is its number of points."""
    firsts, lengths = starts_and_lengths(mask)
    apart = np.flatnonzero((firsts[1:] - firsts[:-1] - lengths[:-1]) * grid.step_us >= JOINED_HOURS.value * 3600e6)
    begins = firsts[np.append(0, apart + 1)]
    ends = (firsts + lengths)[np.append(apart, firsts.size - 1)]
    if begins.size > MOST_STRETCHES:
        begins, ends = begins[:1], ends[-1:]
    return tuple(
        Extent(grid.time(first), grid.time(end), int((end - first) * grid.step_us // grid.interval_us),
               float(np.count_nonzero(mask[first:end])), grid.time(first))
        for first, end in zip(begins.tolist(), ends.tolist(), strict=True)
    )


def _lost_line_lead(grid: Grid, site: Site, has_neutral: bool) -> Iterator[Outcome]:
    """Line-to-line only: two voltages on one lead stand at half of the third; a lead in the air, or a phase that is
    out.

    A phase of the primary that is out leaves the same voltages, but hardly a current in the conductor between.
    """
    rows = grid.recorded("voltage", LINE_TO_LINE)
    if has_neutral or site.supply.line_to_line is None:
        return
    throughout = off_throughout(rows)
    for lead, mask in at_half(rows).items():
        if not mask.any():
            continue
        first, second = (line for line in LINE_TO_LINE if lead in line)
        off = next(line for line in LINE_TO_LINE if lead not in line)
        spans = _stretches(grid, mask)
        goes_on = _goes_on(grid, lead, mask)
        when = "all the time" if lead == throughout else "for part of the time"
        text = f"{first} and {second} stand at half of {off} {when}"
        name = f"voltage.{first}.mean"
        if goes_on or (goes_on is None and lead == throughout):
            also = f", while the current of {lead} goes on" if goes_on else ""
            yield Outcome(
                CHECK, Verdict.REFUSED, name, "voltage", first, code="lost-lead", likelihood="likely",
                text=f"{text}{also}: the lead of phase {lead} is off. Alternative: a phase of the primary is out, and "
                     "motors on the service are at risk.",
                advice="Look at the lead today; if it is on, have the utility check its fuses. Then measure again.",
                spans=spans, subjects=_doubted((first, second), spans, grid.end_us),
            )
            continue
        why = "its current went down with them" if goes_on is not None else "no currents tell which"
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "voltage", first, code="lead-or-phase", likelihood="likely",
            text=f"{text}: a phase of the primary was out, which puts motors at risk, or the lead of phase {lead} came "
                 f"off; {why}.",
            advice="Ask the utility for its outages; check the lead.", spans=spans,
        )


def _goes_on(grid: Grid, lead: str, mask: Mask) -> bool | None:
    """Whether the current of a lead keeps its share beside the two others; None without currents."""
    amps = grid.recorded("current")
    if len(amps) < 3:
        return None
    others = np.sum(np.stack([row for phase, row in amps.items() if phase != lead]), axis=0) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        share = amps[lead] / others
    inside, outside = share[mask & np.isfinite(share)], share[~mask & np.isfinite(share)]
    if not inside.size:
        return None
    usual = float(np.median(outside)) if outside.size else 1.0
    low, high = OWN_SHARE.value
    return low < float(np.median(inside)) / max(usual, 1e-12) < high
