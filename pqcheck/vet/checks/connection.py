"""Whether the declared connection fits the pattern of the voltages."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.checks.line_leads import AT_GROUND, CORNER_PERCENT
from pqcheck.vet.checks.loose_neutral import NeutralWatch
from pqcheck.vet.checks.nominal import OF_THE_NOMINAL, ROOT3
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

PATTERN_PERCENT = Threshold(3, "%", PRACTICE, "How near the pattern of the voltages must be to that of a connection.")
LEGS_APART_PERCENT = Threshold(8, "%", PRACTICE,
                               "How far the two lighting legs of a high-leg delta may stand apart under their loads.")
HIGH_LEG_PERCENT = Threshold(6, "%", PRACTICE, "How near the high leg must be to 1.73 times their mean.")
WYE_LOW = Threshold(1.62, "1", "field practice: line-to-line against line-to-neutral voltages",
                    "Line-to-line over line-to-neutral of a wye service, lower edge.")
WYE_HIGH = Threshold(1.8, "1", "field practice: line-to-line against line-to-neutral voltages", "The same, upper edge.")

CHECK = Check(
    name="connection",
    question="Does the connection fit the data?",
    looks_at="The ratios between line-to-line and line-to-neutral voltages.",
    how="Wye 1.62 to 1.80, split phase 2, high-leg delta two equal legs and one 1.73 times as high; anything else is a "
        "lead or ratio error.",
    example="The site declares wye, the voltages show a high-leg delta with the high leg on b.",
    codes={
        "connection-doubtful": "The voltages show another connection",
        "pattern-unknown": "No usual pattern",
        "corner-grounded": "A conductor is at ground",
    },
    refuses={"connection-doubtful": (OF_THE_NOMINAL,)},
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """The pattern of the voltages against the declared connection."""
    grid, site = base.grid, base.site
    to_neutral, between = grid.recorded("voltage", LINE_TO_NEUTRAL), grid.recorded("voltage", LINE_TO_LINE)
    declared = site.supply.connection
    if declared == "delta" and (corner := grounded_corner(to_neutral, between)):
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage", code="corner-grounded",
                      text=f"Conductor {corner} is at ground and the two others stand at the line-to-line voltage: a "
                           "corner-grounded delta. Its voltages to ground say nothing; those between lines are judged.",
                      advice="Nothing to do.")
        return
    to_neutral, between = _living(to_neutral, between, 2 * float(site.supply.line_to_line or np.inf))
    if len(to_neutral) < 2 or (not between and len(to_neutral) < 3):
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                      text="Too few voltages to recognise the connection.",
                      advice="Record line-to-neutral and line-to-line voltages.")
        return
    pattern = recognised(to_neutral, between)
    if pattern is None and not between:
        # Three legs without a line between them: nothing contradicts the declaration.
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage")
        return
    middle = {phase: float(np.nanmedian(series)) for phase, series in {**to_neutral, **between}.items()}
    listed = ", ".join(f"{phase} {value:.4g} V" for phase, value in middle.items())
    if pattern is None:
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage", code="pattern-unknown",
                      text=f"The voltages ({listed}) fit no usual connection exactly.",
                      advice="Compare with a handheld reading between all conductors.")
        return
    words, accepts, high_leg = pattern
    if not accepts and base.of(NeutralWatch).runs.count:
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage", code="pattern-unknown",
                      text=f"The voltages ({listed}) fit no connection exactly because the neutral is displaced.",
                      advice="See the danger sign.")
        return
    line, neutral = site.supply.line_to_line, site.supply.line_to_neutral
    if declared == "split-phase" and accepts == ("wye",) and line and neutral and \
            abs(float(line / neutral) / ROOT3 - 1) < PATTERN_PERCENT.value / 100:
        # Two legs of a network service, declared with its own pair of nominals.
        accepts = ("wye", "split-phase")
    if declared in accepts and (not high_leg or (site.supply.high_leg or high_leg) == high_leg):
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage")
        return
    proposal = f'connection = "{accepts[0]}"' if accepts else "no connection of pqcheck; check the leads"
    if high_leg:
        proposal += f', high_leg = "{high_leg}"'
    known = tuple(to_neutral) if accepts else tuple(middle)
    hidden = " If the service has a neutral in the middle of three legs, it is open: treat it as a danger until a " \
             "qualified person has looked." if high_leg and declared != "high-leg-delta" else ""
    yield Outcome(
        CHECK, Verdict.REFUSED, "voltage", "voltage", code="connection-doubtful", likelihood="likely",
        text=f"The site declares {declared}, but the voltages ({listed}) show {words}.",
        advice=f"Confirm the connection; the data would fit {proposal}.{hidden}",
        subjects=(Subject("voltage", known),),
    )


def grounded_corner(to_neutral: dict[str, Array], between: dict[str, Array]) -> str:
    """The conductor of a delta that is at ground, by voltages to ground and between lines; empty without one."""
    if len(to_neutral) < 3 or not between:
        return ""
    line = float(np.median([float(np.nanmedian(series)) for series in between.values()]))
    over = {phase: float(np.nanmedian(series)) / max(line, 1e-9) for phase, series in to_neutral.items()}
    at_ground = [phase for phase, ratio in over.items() if ratio < AT_GROUND.value]
    others = [ratio for ratio in over.values() if ratio >= AT_GROUND.value]
    full = all(abs(ratio - 1) < CORNER_PERCENT.value / 100 for ratio in others)
    return at_ground[0][0] if len(at_ground) == 1 and full else ""


def _living(
    to_neutral: dict[str, Array], between: dict[str, Array], ceiling: float
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Without legs that are dead most of the time, and without the lines that end on them; above `ceiling` [V] a leg
    has a wrong ratio, beside which the others are not dead."""
    middle = {phase: float(np.nanmedian(series)) for phase, series in to_neutral.items()}
    top = max((value for value in middle.values() if value <= ceiling), default=0.0)
    dead = {phase[0] for phase, value in middle.items() if value <= 0.2 * top}
    return (
        {phase: series for phase, series in to_neutral.items() if phase[0] not in dead},
        {phase: series for phase, series in between.items() if not dead & set(phase)},
    )


def recognised(to_neutral: dict[str, Array], between: dict[str, Array]) -> tuple[str, tuple[str, ...], str] | None:
    """Words, declared connections that fit (first = proposal) and the high leg; None when no pattern fits."""
    near = PATTERN_PERCENT.value / 100
    legs = {phase: float(np.nanmedian(series)) for phase, series in to_neutral.items()}
    if len(legs) == 3:
        ordered = sorted(legs, key=lambda phase: legs[phase])
        small = (legs[ordered[0]] + legs[ordered[1]]) / 2
        if abs(legs[ordered[1]] / max(legs[ordered[0]], 1e-9) - 1) < LEGS_APART_PERCENT.value / 100 and \
                abs(legs[ordered[2]] / max(small, 1e-9) / ROOT3 - 1) < HIGH_LEG_PERCENT.value / 100:
            leg = ordered[2][0]
            return f"a high-leg delta with the high leg on {leg}", ("high-leg-delta",), leg
    if not between:
        return None
    line = float(np.median([float(np.nanmedian(series)) for series in between.values()]))
    ratio = line / float(np.mean(list(legs.values())))
    low, high = WYE_LOW.value, WYE_HIGH.value
    if low <= ratio <= high:
        if len(legs) == 2:
            return (f"two legs of a wye service (line-to-line is {ratio:.3f} times line-to-neutral)", ("wye",), "")
        return f"a wye service (line-to-line is {ratio:.3f} times line-to-neutral)", ("wye",), ""
    if abs(ratio / 2 - 1) < near:
        return "a split-phase service (line-to-line is twice line-to-neutral)", ("split-phase",), ""
    if len(legs) == 3 or ratio < 1:
        return (f"line-to-line voltages {ratio:.3f} times the line-to-neutral ones, which no service has: a voltage "
                "lead or ratio is wrong", (), "")
    return None
