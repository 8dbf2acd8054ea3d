"""The loose neutral: what voltages to neutral do to each other, interval by interval."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site, Supply
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.checks.line_leads import AT_GROUND, CORNER_PERCENT, LINE_WITHIN, line_from_legs
from pqcheck.vet.checks.nominal import DEAD_BELOW, fits_as_a_whole
from pqcheck.vet.collect import Marks
from pqcheck.vet.danger_signs import doubted, when_text
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import Grid, TimeBase, canonical_factor

SWING_PERCENT = Threshold(3, "% of nominal", PRACTICE, "One leg up and the other down by more than this.")
SUM_PERCENT = Threshold(0.5, "% of the sum", PRACTICE, "The sum of the legs stays within this.")
QUIET_PERCENT = Threshold(1, "% of nominal", CHOSEN,
                          "Half difference below which an interval is quiet and its sum the reference.")
WIDE_SWING_PERCENT = Threshold(5, "% of nominal", CHOSEN, "Swing from which the sum may follow a little (next row).")
SUM_SHARE = Threshold(
    0.35, "1", CHOSEN,
    "Change of the sum over the swing: a sound service gives about 0.67, with a reduced neutral 0.4, a broken one "
    "nearly 0."
)
WHOLE_SUM = Threshold(1.6, "nominals of a leg", "derived: a lead in the air leaves the other leg alone, a sum of one",
                      "Sum of the legs from which both are connected; it is two behind an open neutral.")
CLEAR_PERCENT = Threshold(10, "% of nominal", CHOSEN,
                          "Swing, or spread of three legs, from which a single interval counts; smaller ones only "
                          "among their like.")
AMONG = Threshold(15, "intervals", CHOSEN, "Neighbouring intervals with a swing that a small one is counted among.")
AMONG_SHARE = Threshold(
    0.5, "1", CHOSEN,
    "Share of them in which the sum is steady: on a sound service upstream changes hide the drop only by chance."
)
SPREAD_PERCENT = Threshold(5, "% of nominal", PRACTICE, "Three legs: spread of the voltages to neutral.")
GROUND_SPREAD_PERCENT = Threshold(
    10, "% of nominal", PRACTICE,
    "The same on a declared delta, whose voltages to ground stand a few per cent apart by capacitance alone."
)
HIGH_LEG = Threshold(0.06, "1", PRACTICE, "How near three legs must be to 0.5, 0.5 and 0.866 of the lines to spread by "
                                          "right, as those of a high-leg delta do.")
LINE_SPREAD_PERCENT = Threshold(4, "%", "derived: an unbalance of 2 % spreads lines by up to 3.5 %",
                                "Three legs: spread of the voltages between lines, which the supply itself may have.")
STEP_PERCENT = Threshold(1, "% of nominal", CHOSEN,
                         "Change of the half difference from one interval to the next that is a step of the load.")
FEWEST_STEPS = Threshold(2, "1", CHOSEN, "Such steps needed to see what the sum does; without them only wide swings "
                                         "count.")
STEP_SHARE = Threshold(
    0.38, "1", "derived: 0.67 through a neutral like the line, 0.48 through one of 1.6 times its impedance, 0.18 at "
              "five times",
    "Fall of the sum over the step of the half difference below which the neutral is no sound one."
)
LINE_SHARE = Threshold(
    0.15, "1", "derived: through a sound neutral like the line a third of the spread shows between lines, through a "
               "reduced one a fifth",
    "Three legs: spread between lines over the spread to neutral, both in percent."
)
UP_AND_DOWN_PERCENT = Threshold((90, 110), "% of nominal", PRACTICE,
                                "Three legs without lines: one below and another above at the same time.")
SHORTEST_SECONDS = Threshold(10, "s", CHOSEN, "Shortest total time.")
FEWEST_SMALL = Threshold(3, "intervals", CHOSEN,
                         "Split phase: fewer intervals than this count only with a wide swing among them.")
FEWEST_POINTS = Threshold(8, "1", CHOSEN, "Points needed to say whether it follows the load.")
FOLLOWS = Threshold(0.5, "1", CHOSEN, "Correlation of the half difference with the load difference.")

HIGH_LEG_SHAPE = np.array([[0.5], [0.5], [0.75**0.5]])
"""Three legs of a sound high-leg delta over its lines, in rising order."""
CORNER_SHAPE = np.array([[0.0], [1.0], [1.0]])
"""Voltages to ground of a corner-grounded delta over its lines, in rising order."""
CORNER_WITHIN = np.array([[AT_GROUND.value], [CORNER_PERCENT.value / 100], [CORNER_PERCENT.value / 100]])

CHECK = Check(
    name="neutral-loose",
    question="Suspected loose or broken neutral",
    looks_at="Voltages to neutral, interval by interval.",
    how="Asked of what was recorded, whatever connection is declared. Two legs: one up, the other down by more than "
        "3 % of nominal, their sum steady within 0.5 %, however low the lower leg falls. Three legs: voltages to "
        "neutral spread by more than 5 % of nominal (10 % on a declared delta) while those between lines stay within "
        "4 % and within 0.15 of that spread; without line-to-line voltages, one leg above 110 % while another is below "
        "90 % and the line-to-line voltage that the three imply stands at its nominal. A high leg and a grounded "
        "corner of a delta spread by right.",
    example="121 V and 121 V become 129.6 V and 109 V when the kettle starts.",
    codes={"neutral-loose": "Suspected loose or broken neutral"},
    thresholds=thresholds(globals()),
    danger=True,
)

ACT_NEUTRAL = (
    "Act today: call the utility, and have a licensed electrician check the neutral from the service to the main "
    "panel, de-energised and by the local code. Until then switch off or unplug sensitive equipment; touch no metal "
    "enclosure that may be live, and do not open enclosures."
)


def seesaw(leg_a: Array, leg_b: Array, nominal: float) -> Mask:
    """Intervals in which one leg stands up by what the other stands down, while their sum stays where it was.

    `leg_a`, `leg_b` line-to-neutral voltages of a split-phase service [V], `nominal` of one leg [V]. The sum is
    compared with that of the nearest quiet interval; where none is quiet, with the median of the intervals in
    question. A NaN is not counted. In a healthy service a leg that drops with its load takes the sum with it: the
    neutral carries the difference current through a resistance like that of the leg, so the sum falls by about two
    thirds of the half difference; through a broken neutral it does not.
    """
    half = np.asarray(leg_a - leg_b, np.float64) / 2
    size = np.abs(half)
    big = size > SWING_PERCENT.value / 100 * nominal
    if not big.any():
        return big
    total = np.asarray(leg_a + leg_b, np.float64)
    # A leg near zero whose loss the other does not gain is a lost lead or an outage, not a see-saw.
    big &= total > WHOLE_SUM.value * nominal
    at = np.flatnonzero(big)
    if not at.size:
        return big
    quiet = np.flatnonzero(size < QUIET_PERCENT.value / 100 * nominal)
    if quiet.size:
        after = np.clip(np.searchsorted(quiet, at), 0, quiet.size - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.where(np.abs(quiet[after] - at) < np.abs(quiet[before] - at), after, before)
        reference = total[quiet[nearer]]
    else:
        reference = np.full(at.size, np.median(total[at]))
    change = np.abs(total[at] - reference)
    steady = change <= SUM_PERCENT.value / 100 * 2 * nominal
    wide = size[at] > WIDE_SWING_PERCENT.value / 100 * nominal
    steady |= wide & (change <= SUM_SHARE.value * size[at])
    small = _among_their_like(steady)
    falls = _fall_at_steps(size, np.where(total > WHOLE_SUM.value * nominal, total, np.nan), nominal)
    small &= wide if falls is None else falls < STEP_SHARE.value
    big[at] = steady & ((size[at] > CLEAR_PERCENT.value / 100 * nominal) | small)
    return big


def _fall_at_steps(size: Array, total: Array, nominal: float) -> float | None:
    """How far the sum falls per step of the half difference [1]; None with too few steps."""
    step, change = np.diff(size), np.diff(total)
    steps = np.isfinite(step) & np.isfinite(change) & (np.abs(step) > STEP_PERCENT.value / 100 * nominal)
    if np.count_nonzero(steps) < FEWEST_STEPS.value:
        return None
    return -float((change[steps] @ step[steps]) / (step[steps] @ step[steps]))


def _among_their_like(steady: Mask) -> Mask:
    """Where most of the neighbouring entries are true as well."""
    window = np.ones(min(int(AMONG.value), steady.size))
    share = np.convolve(steady, window, "same") / np.convolve(np.ones(steady.size), window, "same")
    return np.asarray(share >= AMONG_SHARE.value)


def displaced(
    to_neutral: Sequence[Array], between: Sequence[Array], nominal: float, spread_percent: float = SPREAD_PERCENT.value
) -> Mask:
    """Intervals in which the three line-to-neutral voltages [V] spread while the line-to-line ones do not.

    `nominal` is line to neutral [V]. Lines are steady when their spread is small against their own mean and against
    the spread to neutral.
    """
    low = np.minimum(np.minimum(to_neutral[0], to_neutral[1]), to_neutral[2])
    high = np.maximum(np.maximum(to_neutral[0], to_neutral[1]), to_neutral[2])
    wide: Mask = (high - low) > spread_percent / 100 * nominal
    if not wide.any():
        return wide
    line_low = np.minimum(np.minimum(between[0], between[1]), between[2])
    line_high = np.maximum(np.maximum(between[0], between[1]), between[2])
    middle = (between[0] + between[1] + between[2]) / 3
    together = (line_high - line_low) < LINE_SPREAD_PERCENT.value / 100 * middle
    together &= (line_high - line_low) / middle < LINE_SHARE.value * (high - low) / nominal
    together &= line_low > nominal
    clear = (high - low) > CLEAR_PERCENT.value / 100 * nominal
    at = np.flatnonzero(wide)
    # On a sound service a heavy phase shows between lines too; that it does not in a few intervals is chance.
    wide[at] = together[at] & (clear[at] | _among_their_like(together[at]))
    return wide


def up_and_down(to_neutral: Sequence[Array], nominal: float) -> Mask:
    """Intervals in which one of three line-to-neutral voltages [V] is far too high while another is far too low, and
    the line-to-line voltage that they imply stands at its nominal."""
    low, high = (edge / 100 * nominal for edge in UP_AND_DOWN_PERCENT.value)
    together = np.stack(to_neutral).astype(np.float64)
    mask = (together > high).any(axis=0) & (together < low).any(axis=0)
    if mask.any():
        implied = line_from_legs(together) / (3**0.5 * nominal)
        mask &= np.abs(implied - 1) < LINE_WITHIN.value
    return np.asarray(mask)


class LegTest(Struct, frozen=True):
    """Voltages to neutral that are watched together: "split" for two legs of one winding, "lines" for three legs with
    the voltages between lines, "legs" for three without."""

    kind: str
    legs: tuple[Channel, ...]
    lines: tuple[Channel, ...] = ()


class NeutralWatch:
    """Runs the tests on native values: those that the recorded voltages allow, whatever connection is declared.

    `runs` are the intervals of any test, `beyond_high_leg` those of them that no high leg explains, `seen` the kinds of
    the tests that saw them.
    """

    def __init__(self, stream: Stream, site: Site) -> None:
        self.tests, self.scale = _tests(stream, site.supply)
        self.supply = site.supply
        self.nominal = float(site.supply.line_to_neutral or 0)
        self.runs, self.beyond_high_leg = KeptRuns(), KeptRuns()
        self.seen: set[str] = set()
        self.spread, self.lowest, self.highest = 0.0, float("inf"), float("-inf")

    @property
    def legs(self) -> tuple[Channel, ...]:
        """The legs of all tests, each once."""
        return tuple(dict.fromkeys(leg for test in self.tests for leg in test.legs))

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        three = next((test for test in self.tests if len(test.legs) == 3), None)
        high_leg = corner = np.zeros(next((array.size for array in values.values()), 0), np.bool_)
        seen = np.zeros_like(high_leg)
        for test in self.tests:
            if any(channel not in values for channel in (*test.legs, *test.lines)):
                continue
            legs, lines = ([values[channel] for channel in channels] for channels in (test.legs, test.lines))
            mask = self._mask(test.kind, legs, lines)
            if not mask.any():
                continue
            if three is not None and not high_leg.any() and all(leg in values for leg in three.legs):
                high_leg = _shaped(three, values, HIGH_LEG_SHAPE, HIGH_LEG.value)
                corner = _shaped(three, values, CORNER_SHAPE, CORNER_WITHIN)
            if len(legs) == 3 and self.supply.connection in ("delta", "high-leg-delta"):
                mask &= ~high_leg
            if self.supply.connection == "delta":
                mask &= ~corner
            if not mask.any():
                continue
            self.seen.add(test.kind)
            together = np.stack([leg[mask] for leg in legs])
            self.lowest = min(self.lowest, float(together.min()))
            self.highest = max(self.highest, float(together.max()))
            self.spread = max(self.spread, float((together.max(axis=0) - together.min(axis=0)).max()))
            seen |= mask
        if seen.any():
            self.runs.add_mask(seen, slot)
            self.beyond_high_leg.add_mask(seen & ~high_leg, slot)

    def _mask(self, kind: str, legs: list[Array], lines: list[Array]) -> Mask:
        """Intervals in which the legs look like those of an open neutral."""
        nominal = _star_of(lines) if kind == "lines" else self._level(legs)
        if kind == "split":
            return seesaw(legs[0], legs[1], nominal)
        if kind == "legs":
            return up_and_down(legs, nominal)
        spread = GROUND_SPREAD_PERCENT if self.supply.connection == "delta" else SPREAD_PERCENT
        return displaced(legs, lines, nominal, spread.value)

    @property
    def narrow(self) -> bool:
        """Whether no swing of the legs was wide."""
        return self.spread * self.scale <= 2 * WIDE_SWING_PERCENT.value / 100 * self.nominal

    def _level(self, legs: list[Array]) -> float:
        """The nominal of a leg, or where the legs contradict it what they themselves stand at."""
        nominal = self.nominal / self.scale
        own = []
        for level in (np.mean(np.stack(legs), axis=0), np.max(np.stack(legs), axis=0)):
            alive = level[level > DEAD_BELOW.value * nominal]
            own.append(float(np.median(alive)) if alive.size else nominal)
        # Beside a lead in the air the mean says nothing of the nominal, the leg that stands does.
        return nominal if any(fits_as_a_whole(level / nominal) for level in own) else own[0]


def _star_of(lines: list[Array]) -> float:
    """What three legs of these lines stand at around a star point that is not displaced [unit of the lines]."""
    middle = np.mean(np.stack(lines).astype(np.float64), axis=0)
    known = middle[np.isfinite(middle)]
    return float(np.median(known)) / 3**0.5 if known.size else 0.0


def _shaped(test: LegTest, values: Mapping[Channel, Array], shape: Array, within: Array | float) -> Mask:
    """Intervals in which three legs over their lines have this shape, in rising order."""
    three = np.sort(np.stack([values[leg] for leg in test.legs]).astype(np.float64), axis=0)
    lines = [values[line] for line in test.lines if line in values]
    line = np.mean(np.stack(lines), axis=0) if lines else line_from_legs(three)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((np.abs(three / line - shape) < within).all(axis=0))


def _tests(stream: Stream, supply: Supply) -> tuple[tuple[LegTest, ...], float]:
    """The tests that the recorded voltages allow, and volts per unit."""
    volts = {str(channel.phase): channel for channel in stream.channels
             if channel.quantity == "voltage" and channel.reading == "mean"}
    units = {channel.unit for channel in volts.values()}
    # Legs are added and compared as they stand; in mixed units there is no see-saw to watch.
    if not supply.line_to_neutral or len(units) != 1:
        return (), 1.0
    legs = [volts[phase] for phase in LINE_TO_NEUTRAL if phase in volts]
    lines = [volts[phase] for phase in LINE_TO_LINE if phase in volts]
    tests = []
    # The two lighting legs of a high-leg delta share one centre-tapped winding like those of a split-phase service.
    high = f"{supply.high_leg or 'b'}n" if supply.connection == "high-leg-delta" else ""
    pair = [leg for leg in legs if leg.phase != high]
    if len(pair) == 3 and supply.connection == "split-phase":
        pair = [leg for leg in legs if leg.phase != "cn"]
    if len(pair) == 2:
        tests.append(LegTest("split", tuple(pair)))
    if len(legs) == 3 and len(lines) == 3:
        tests.append(LegTest("lines", tuple(legs), tuple(lines)))
    elif len(legs) == 3:
        tests.append(LegTest("legs", tuple(legs)))
    return tuple(tests), canonical_factor("voltage", units.pop())


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome when the neutral is suspected."""
    watch = base.of(NeutralWatch)
    # Legs of a high-leg delta under another declaration, or with another leg as the high one, spread by right.
    high_leg = any(outcome.code == "connection-doubtful" and "high-leg delta" in outcome.text
                   for outcome in base.doubts)
    starts, lengths, _ = (watch.beyond_high_leg if high_leg else watch.runs).joined()
    total = int(lengths.sum())
    if not total or total * base.interval_us < SHORTEST_SECONDS.value * 1e6:
        return
    if watch.seen == {"split"} and total < FEWEST_SMALL.value and watch.narrow:
        return
    if any("columns-alike" in doubted(base, channel.phase) for channel in watch.legs):
        return
    low, high = watch.lowest * watch.scale, watch.highest * watch.scale
    spans = base.spans(starts, lengths, high)
    length = f"{duration_text(total * base.interval_us)} in all, {when_text(spans, base.zone)}"
    if "split" in watch.seen:
        legs = next(test.legs for test in watch.tests if test.kind == "split")
        follows = load_difference(base.grid, tuple(str(channel.phase) for channel in legs))
        seen = f"One leg rises while the other falls (between {low:.4g} and {high:.4g} V to neutral) and their sum " \
               f"stays steady, for {length}"
        if follows is None:
            seen += "; no currents show whether it follows the load"
        elif follows:
            seen += ", following the difference of the two loads"
        else:
            seen += "; it does not follow the recorded currents, so the recorder's own neutral lead may be off as well"
    elif "lines" in watch.seen:
        seen = f"The voltages to neutral spread by up to {watch.spread * watch.scale:.4g} V (between {low:.4g} and " \
               f"{high:.4g} V) while those between lines stay together, for {length}"
    else:
        seen = f"One voltage to neutral is far too high while another is far too low (between {low:.4g} and " \
               f"{high:.4g} V), for {length}; the line-to-line voltage that they imply stands"
    if base.site.supply.connection == "delta":
        seen += ". Declared is a delta, which has no neutral: if it is one, these are voltages to ground and a " \
                "conductor leaks to ground; if not, the neutral of the service is open"
    yield Outcome(
        CHECK, Verdict.FAIL, "voltage", "voltage", code="neutral-loose", likelihood="likely",
        text=f"{seen}. This is the picture of a loose or broken neutral. Equipment on one phase can get far too much "
             "voltage, burn and start a fire, and metal parts can become live.",
        advice=ACT_NEUTRAL, spans=spans, value=high, unit="V",
    )


def load_difference(grid: Grid, legs: tuple[str, ...]) -> bool | None:
    """Whether the leg with more load is the lower one, step by step; None when currents are missing or never move."""
    rows = grid.stack(*(("voltage", leg) for leg in legs), *(("current", leg[0]) for leg in legs))
    if rows is None:
        return None
    half, load = (rows[0] - rows[1]) / 2, rows[2] - rows[3]
    known = np.isfinite(half) & np.isfinite(load)
    if np.count_nonzero(known) < FEWEST_POINTS.value:
        return None
    half, load = half[known], load[known]
    if half.std() < 1e-9 or load.std() < 1e-9:
        return None
    return float(np.corrcoef(half, load)[0, 1]) <= -FOLLOWS.value
