"""Whether the declared nominal fits the data. Nothing is ever switched: the proposal is spelled out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import PRACTICE, VOLTAGES, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.line_leads import LINE_WITHIN, line_from_legs, off_throughout
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

LOW = Threshold(
    0.89, "1", "field practice: wrong nominals",
    "Middle value over nominal below which the nominal itself may be wrong; 0.915 is 110/120 and a real low voltage."
)
HIGH = Threshold(1.11, "1", "field practice: wrong nominals", "The same above.")
WHOLE_LOW = Threshold(
    0.75, "1", PRACTICE,
    "All voltages together over their nominals, below which the nominal is doubted whatever else fits."
)
WHOLE_HIGH = Threshold(1.25, "1", PRACTICE, "The same above.")
DEAD_BELOW = Threshold(0.1, "1", PRACTICE, "Of nominal: no voltage of a supply, which says nothing of its nominal.")
MATCH_PERCENT = Threshold(2, "%", "field practice: wrong nominals",
                          "How near another standard nominal (or a factor) the middle value must lie.")
SPREAD_PERCENT = Threshold(
    3, "%", "field practice: wrong nominals",
    "Width of the middle 90 % of the values; a wrong nominal has a tight spread, a bad voltage has not."
)
SERIES = Threshold(
    (
        (208, "line to line", "208Y/120 V"), (120, "line to neutral", "208Y/120 V"), (240, "line to line", "120/240 V"),
        (380, "line to line", "380/220 V"), (220, "line to neutral", "380/220 V"), (400, "line to line", "400/230 V"),
        (230, "line to neutral", "400/230 V"), (415, "line to line", "415/240 V"),
        (240, "line to neutral", "415/240 V"), (480, "line to line", "480Y/277 V"),
        (277, "line to neutral", "480Y/277 V"), (600, "line to line", "600Y/347 V"),
        (347, "line to neutral", "600Y/347 V"), (690, "line to line", "690/400 V"),
        (400, "line to neutral", "690/400 V"), (4160, "line to line", "4160Y/2400 V"),
        (2400, "line to neutral", "4160Y/2400 V"), (12470, "line to line", "12470Y/7200 V"),
        (7200, "line to neutral", "12470Y/7200 V"), (13200, "line to line", "13200Y/7620 V"),
        (7620, "line to neutral", "13200Y/7620 V"), (13800, "line to line", "13800Y/7970 V"),
        (7970, "line to neutral", "13800Y/7970 V"), (24940, "line to line", "24940Y/14400 V"),
        (14400, "line to neutral", "24940Y/14400 V"), (34500, "line to line", "34500Y/19920 V"),
        (19920, "line to neutral", "34500Y/19920 V"), (200, "line to line", "200 V"), (2400, "line to line", "2400 V"),
        (4800, "line to line", "4800 V"), (6900, "line to line", "6900 V"), (10000, "line to line", "10000 V"),
        (11000, "line to line", "11000 V"), (20000, "line to line", "20000 V"), (22000, "line to line", "22000 V"),
        (33000, "line to line", "33000 V"), (100, "line to neutral", "100 V"),
    ),
    "V", "standard series (ANSI C84.1 nominal systems, IEC 60038 and national practice)",
    "Nominals with which a middle value is compared.",
)

OF_THE_NOMINAL = Refusal(
    VOLTAGES, "same",
    "Limits relative to nominal, and the choice of row by nominal, rest on the declaration that the data contradict."
)
"""What falls with the declared nominal or connection."""

CHECK = Check(
    name="nominal",
    question="Does the nominal fit the data?",
    looks_at="The middle value of every voltage.",
    how="Refused when the median of all voltages, each over its own nominal, lies below 0.75 or above 1.25, intervals "
        "without supply left out; and when the middle value of a channel lies below 0.89 or above 1.11 of its nominal, "
        "within 2 % of another standard nominal or of a plain factor of the declared one, and 90 % of the values lie "
        "within 3 %. Otherwise the data are judged as they stand, with a note. Where the line-to-line voltages stand "
        "at their nominal it is not in doubt, and with nominal_basis declared a mismatch is a note. Each time base is "
        "asked about its own stretch. Nothing is ever switched. Danger signs that rest on a doubtful nominal are "
        "withheld and named.",
    example="Declared 240 V, middle value 207.6 V (0.865): the data match 208 V. 0.915 is 110/120 and a real low "
            "voltage.",
    codes={
        "nominal-doubtful": "The data match another nominal",
        "sign-withheld": "A danger sign rests on the nominal in doubt",
        "nominal-far": "Far from nominal, judged as it stands",
        "no-voltage": "No voltage at all",
        "high-leg": "High leg to neutral",
        "to-ground": "Voltage to ground on a delta",
    },
    refuses={"nominal-doubtful": (OF_THE_NOMINAL,), "no-voltage": (OF_THE_NOMINAL,)},
    thresholds=thresholds(globals()),
)

ROOT3 = 3**0.5


def matches(middle: float, declared: float, kind: str) -> list[str]:
    """Other nominals or factors that explain a middle voltage [V], nearest first, as proposals in words.

    `declared` is the nominal of the channel [V], `kind` "line to line" or "line to neutral".
    """
    within = MATCH_PERCENT.value / 100
    explanations: list[tuple[float, int, str]] = []
    for volts, what, designation in SERIES.value:
        if abs(volts - declared) > 0.001 * declared and abs(middle / volts - 1) <= within:
            same = what == kind
            if same:
                words = f"the data match {volts:g} V {kind} (nominal {designation})"
            else:
                words = f"the columns may hold {what} voltages of {volts:g} V (nominal {designation}), not {kind}"
            explanations.append((abs(middle / volts - 1), 0 if same else 1, words))
    plain = ((ROOT3, "the square root of 3"), (1 / ROOT3, "1/square root of 3"), (2.0, "2"), (0.5, "one half"),
             (1000.0, "1000"), (0.001, "one thousandth"))
    for factor, name in plain:
        gap = abs(middle / (factor * declared) - 1)
        if gap <= within:
            if name == "the square root of 3" and kind == "line to neutral":
                words = "the columns hold line-to-line voltages under line-to-neutral names (map them to ab, bc, ca)"
            elif name == "1/square root of 3" and kind == "line to line":
                words = "the columns hold line-to-neutral voltages under line-to-line names (map them to an, bn, cn)"
            elif factor in (1000.0, 0.001):
                words = f"the data are {name} times the declared nominal: a header in kV over numbers in V, or the " \
                        "other way round"
            else:
                words = f"the data are {name} times the declared nominal (ratio of a voltage transformer, or other " \
                        "leads)"
            explanations.append((gap, 2, words))
    return [words for _, _, words in sorted(explanations, key=lambda entry: (round(entry[0], 3), entry[1], entry[2]))]


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per voltage with a nominal: the middle value against it."""
    grid, site = base.grid, base.site
    whole = whole_ratio(grid, site)
    certain = bool(site.supply.nominal_basis) or lines_stand(grid, site) or displaced(grid, site) \
        or bool(off_throughout(grid.recorded("voltage", LINE_TO_LINE)))
    for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE):
        series = grid.get("voltage", phase)
        if series is None:
            continue
        name = f"voltage.{phase}.mean"
        if phase == _high_leg(site):
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "voltage", phase, code="high-leg",
                          text=f"{phase} is the high leg to neutral, about 1.73 times the other legs; it has no "
                               "nominal.",
                          advice="Nothing to do: line-to-line voltages and the two lighting legs are judged.")
            continue
        declared = site.supply.nominal(phase)
        if _to_ground(site, phase):
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "voltage", phase, code="to-ground",
                          text=f"{phase} on a delta is a voltage to ground, which has no nominal: zero on a grounded "
                               "corner, anything on a delta without ground.",
                          advice="Nothing to do: line-to-line voltages are judged.")
            continue
        if declared is None:
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "voltage", phase, code="no-input",
                          text=f"No nominal is declared for {phase}.", advice="Declare the line-to-line nominal.")
            continue
        # Each time base answers for its own stretch: two rows of one file put no week of another in doubt.
        reach = Subject("voltage", (phase,), (), base.stream.axis.start_us, base.stream.axis.end_us)
        yield _against_nominal(name, reach, series, float(declared), site, None if certain else whole)


def _high_leg(site: Site) -> str:
    return f"{site.supply.high_leg or 'b'}n" if site.supply.connection == "high-leg-delta" else ""


def _to_ground(site: Site, phase: str) -> bool:
    """Whether a voltage has no nominal because the service has no neutral."""
    return site.supply.connection == "delta" and phase in LINE_TO_NEUTRAL


def displaced(grid: Grid, site: Site) -> bool:
    """Whether one leg stands high while another stands low, and the lines that they imply at their nominal: a displaced
    neutral, not another nominal."""
    legs, line = site.supply.line_to_neutral, site.supply.line_to_line
    rows = [series for phase, series in grid.recorded("voltage", LINE_TO_NEUTRAL).items() if phase != _high_leg(site)]
    if legs is None or line is None or len(rows) < 2 or site.supply.connection == "delta":
        return False
    middles = np.array([float(np.nanmedian(series)) for series in rows])
    implied = float(line_from_legs(middles)) if len(rows) == 3 else float(middles.sum())
    over = middles / float(legs)
    return bool(over.max() > HIGH.value and over.min() < LOW.value
                and abs(implied / float(line) - 1) < LINE_WITHIN.value)


def _ratios(grid: Grid, site: Site, phases: Iterable[str]) -> dict[str, Array]:
    """Every recorded voltage over its nominal, without what is dead; of data a thousand times too small, all of it."""
    ratios = {}
    for phase in phases:
        series, nominal = grid.get("voltage", phase), site.supply.nominal(phase)
        if series is None or nominal is None or phase == _high_leg(site) or _to_ground(site, phase):
            continue
        ratio = series[np.isfinite(series)] / float(nominal)
        alive = ratio[ratio > DEAD_BELOW.value]
        ratios[phase] = alive if alive.size or not _thousandth(ratio) else ratio
    return ratios


def _thousandth(ratio: Array) -> bool:
    return bool(ratio.size) and WHOLE_LOW.value <= 1000 * float(np.median(ratio)) <= WHOLE_HIGH.value


def whole_ratio(grid: Grid, site: Site) -> float | None:
    """Median over all voltages, each over its own nominal, without intervals in which it was dead; None without any."""
    ratios = [ratio for ratio in _ratios(grid, site, (*LINE_TO_NEUTRAL, *LINE_TO_LINE)).values() if ratio.size]
    return float(np.median(np.concatenate(ratios))) if ratios else None


def fits_as_a_whole(ratio: float | None) -> bool:
    """Whether all voltages together leave the nominal undoubted."""
    return ratio is None or WHOLE_LOW.value <= ratio <= WHOLE_HIGH.value


def lines_stand(grid: Grid, site: Site) -> bool:
    """Whether line-to-line voltages were recorded and all stand at their nominal: then it is not in doubt."""
    ratios = _ratios(grid, site, LINE_TO_LINE).values()
    return bool(ratios) and all(ratio.size and LOW.value <= float(np.median(ratio)) <= HIGH.value for ratio in ratios)


def _against_nominal(
    name: str, reach: Subject, series: Array, nominal: float, site: Site, whole: float | None
) -> Outcome:
    """`whole` is the ratio of all voltages together, None where the nominal is not in doubt."""
    [phase] = reach.phases
    known = series[np.isfinite(series)]
    alive = known if _thousandth(known / nominal) else known[known > DEAD_BELOW.value * nominal]
    if not alive.size and whole is None:
        return Outcome(
            CHECK, Verdict.PASS, name, "voltage", phase, code="nominal-far",
            text=f"{phase} never rises above 10 % of its nominal {nominal:g} V while the nominal is certain; it is "
                 "judged as it stands unless its lead is off.",
            advice="Look at the neutral and at the voltage lead.",
        )
    if not alive.size:
        return Outcome(CHECK, Verdict.REFUSED, name, "voltage", phase, code="no-voltage", likelihood="shown",
                       text=f"{phase} never rises above 10 % of its nominal {nominal:g} V.",
                       advice="Check the voltage lead.", subjects=(reach,))
    low, middle, high = (float(volts) for volts in np.percentile(alive, (5, 50, 95)))
    ratio, spread = middle / nominal, (high - low) / middle
    measured = f"{phase}: middle value {middle:.4g} V is {ratio:.3f} of the declared nominal {nominal:g} V"
    as_a_whole = fits_as_a_whole(whole)
    far = not LOW.value <= ratio <= HIGH.value
    if not far and as_a_whole:
        return Outcome(CHECK, Verdict.PASS, name, "voltage", phase, value=middle, unit="V")
    explanations = matches(middle, nominal, "line to neutral" if phase in LINE_TO_NEUTRAL else "line to line")
    tight = far and bool(explanations) and spread < SPREAD_PERCENT.value / 100
    if whole is not None and (tight or not as_a_whole):
        why = f", with 90 % of the values within {100 * spread:.2g} %" if tight else \
            f"; all voltages together stand at {whole:.3f} of nominal"
        return Outcome(
            CHECK, Verdict.REFUSED, name, "voltage", phase, code="nominal-doubtful", likelihood="likely",
            text="; ".join([measured + why, *explanations[:2]]) + ".",
            advice="Confirm the nominal voltage and the leads, correct nominal_voltage, connection or the column "
                   "mapping, and run again; or give nominal_basis if the declared value is certain.",
            subjects=(reach,), value=middle, unit="V",
        )
    basis = f" The nominal is certain ({site.supply.nominal_basis})." if site.supply.nominal_basis else ""
    hint = f" Note that {explanations[0]}." if explanations else ""
    return Outcome(
        CHECK, Verdict.PASS, name, "voltage", phase, code="nominal-far", value=middle, unit="V",
        text=f"{measured}; it is judged as it stands.{basis}{hint}",
        advice="If the declared nominal is wrong, correct it and run again.",
    )
