"""The loose neutral: what voltages to neutral do to each other, interval by interval."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site, Supply
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.checks.line_leads import LINE_WITHIN, line_from_legs
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
                          "Swing from which a single interval counts; smaller ones only among their like.")
AMONG = Threshold(15, "intervals", CHOSEN, "Neighbouring intervals with a swing that a small one is counted among.")
AMONG_SHARE = Threshold(
    0.5, "1", CHOSEN,
    "Share of them in which the sum is steady: on a sound service upstream changes hide the drop only by chance."
)
SPREAD_PERCENT = Threshold(5, "% of nominal", PRACTICE, "Wye: spread of the voltages to neutral.")
LINE_SPREAD_PERCENT = Threshold(1, "%", PRACTICE, "Wye: spread of the voltages between lines.")
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
    "Wye: spread between lines over the spread to neutral, both in percent."
)
UP_AND_DOWN_PERCENT = Threshold((90, 110), "% of nominal", PRACTICE,
                                "Wye without line-to-line voltages: one leg below and another above at the same time.")
APART_PERCENT = Threshold((110, 15), "% of nominal", CHOSEN,
                          "Wye without line-to-line voltages: one leg above the first and another lower by more than "
                          "the second at once make a loose neutral possible; loads lower a leg and raise none.")
APART_LINE = Threshold(0.03, "1", CHOSEN, "How near the line-to-line voltage that the legs imply must stay to where it "
                                          "is while they stand together: a moved neutral leaves it.")
APART_SECONDS = Threshold(1800, "s", CHOSEN, "Shortest time of that, at a stretch.")
SHORTEST_SECONDS = Threshold(10, "s", CHOSEN, "Shortest total time.")
FEWEST_SMALL = Threshold(3, "intervals", CHOSEN,
                         "Split phase: fewer intervals than this count only with a wide swing among them.")
FEWEST_POINTS = Threshold(8, "1", CHOSEN, "Points needed to say whether it follows the load.")
FOLLOWS = Threshold(0.5, "1", CHOSEN, "Correlation of the half difference with the load difference.")

CHECK = Check(
    name="neutral-loose",
    question="Suspected loose or broken neutral",
    looks_at="Voltages to neutral, interval by interval.",
    how="Split phase: one leg up, the other down by more than 3 % of nominal, their sum steady within 0.5 %, however "
        "low the lower leg falls. Wye: voltages to neutral spread by more than 5 % of nominal while those between "
        "lines stay within 1 % and within 0.15 of that spread; without line-to-line voltages, one leg above 110 % "
        "while another is below 90 % and the line-to-line voltage that the three imply stands at its nominal; "
        "possible, where one leg is above 110 % and another lower by more than 15 % of nominal at once.",
    example="121 V and 121 V become 129.6 V and 109 V when the kettle starts.",
    codes={"neutral-loose": "Suspected loose or broken neutral", "neutral-possible": "A loose neutral is possible"},
    thresholds=thresholds(globals()),
    danger=True,
)

POSSIBLE = replace(CHECK, question="A loose or broken neutral is possible")

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


def displaced(to_neutral: Sequence[Array], between: Sequence[Array], nominal: float) -> Mask:
    """Intervals in which the three line-to-neutral voltages [V] spread while the line-to-line ones do not.

    `nominal` is line to neutral [V]. Lines are steady when their spread is small against their own mean.
    """
    low = np.minimum(np.minimum(to_neutral[0], to_neutral[1]), to_neutral[2])
    high = np.maximum(np.maximum(to_neutral[0], to_neutral[1]), to_neutral[2])
    wide: Mask = (high - low) > SPREAD_PERCENT.value / 100 * nominal
    if not wide.any():
        return wide
    line_low = np.minimum(np.minimum(between[0], between[1]), between[2])
    line_high = np.maximum(np.maximum(between[0], between[1]), between[2])
    middle = (between[0] + between[1] + between[2]) / 3
    wide &= (line_high - line_low) < LINE_SPREAD_PERCENT.value / 100 * middle
    wide &= (line_high - line_low) / middle < LINE_SHARE.value * (high - low) / nominal
    wide &= line_low > nominal
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


def apart(to_neutral: Sequence[Array], nominal: float) -> Mask:
    """Intervals in which one of three line-to-neutral voltages [V] is far too high and another far lower at once, while
    the line-to-line voltage that they imply stays where it is when they stand together."""
    high, spread = (edge / 100 * nominal for edge in APART_PERCENT.value)
    together = np.stack(to_neutral).astype(np.float64)
    top = together.max(axis=0)
    mask = (top > high) & (top - together.min(axis=0) > spread)
    if mask.any():
        implied = line_from_legs(together)
        quiet = implied[~mask & np.isfinite(implied)]
        mask &= np.abs(implied / (np.median(quiet) if quiet.size else 3**0.5 * nominal) - 1) < APART_LINE.value
    return np.asarray(mask)


class Swings:
    """Stretches in which the legs lie apart, and how far."""

    def __init__(self) -> None:
        self.runs = KeptRuns()
        self.spread, self.lowest, self.highest = 0.0, float("inf"), float("-inf")

    def add(self, mask: Mask, legs: list[Array], slot: int) -> None:
        """The intervals of a block."""
        if not mask.any():
            return
        together = np.stack([leg[mask] for leg in legs])
        self.lowest = min(self.lowest, float(together.min()))
        self.highest = max(self.highest, float(together.max()))
        self.spread = max(self.spread, float((together.max(axis=0) - together.min(axis=0)).max()))
        self.runs.add_mask(mask, slot)


class NeutralWatch:
    """Runs the tests on native values. `kind` is "split", "wye", "legs" (a wye without line-to-line voltages) or ""
    (nothing to watch), `nominal` of one leg [V]."""

    def __init__(self, stream: Stream, site: Site) -> None:
        self.kind, self.legs, self.lines, self.scale = _watched(stream, site.supply)
        self.nominal = float(site.supply.line_to_neutral or 0)
        self.swings, self.possible = Swings(), Swings()

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        legs = [values[channel] for channel in self.legs if channel in values]
        lines = [values[channel] for channel in self.lines if channel in values]
        if not self.kind or len(legs) != len(self.legs) or len(lines) != len(self.lines):
            return
        nominal = self._level(legs)
        if self.kind == "split":
            mask = seesaw(legs[0], legs[1], nominal)
        else:
            mask = displaced(legs, lines, nominal) if lines else up_and_down(legs, nominal)
        self.swings.add(mask, legs, slot)
        if self.kind == "legs":
            self.possible.add(apart(legs, nominal) | mask, legs, slot)

    @property
    def narrow(self) -> bool:
        """Whether no swing of the legs was wide."""
        return self.swings.spread * self.scale <= 2 * WIDE_SWING_PERCENT.value / 100 * self.nominal

    def _level(self, legs: list[Array]) -> float:
        """The nominal of a leg, or where the legs contradict it what they themselves stand at."""
        nominal = self.nominal / self.scale
        own = []
        for level in (np.mean(np.stack(legs), axis=0), np.max(np.stack(legs), axis=0)):
            alive = level[level > DEAD_BELOW.value * nominal]
            own.append(float(np.median(alive)) if alive.size else nominal)
        # Beside a lead in the air the mean says nothing of the nominal, the leg that stands does.
        return nominal if any(fits_as_a_whole(level / nominal) for level in own) else own[0]


def _watched(stream: Stream, supply: Supply) -> tuple[str, tuple[Channel, ...], tuple[Channel, ...], float]:
    """The test that fits the declared connection, voltages to neutral and between lines, and volts per unit."""
    volts = {channel.phase: channel for channel in stream.channels
             if channel.quantity == "voltage" and channel.reading == "mean"}
    units = {channel.unit for channel in stream.channels if channel.quantity == "voltage"}
    # Legs are added and compared as they stand; in mixed units there is no see-saw to watch.
    if supply.line_to_neutral and len(units) == 1:
        scale = canonical_factor("voltage", units.pop())
        legs = ["an", "bn"] if supply.connection == "split-phase" else []
        if supply.connection == "high-leg-delta":
            # The two lighting legs share one centre-tapped winding like a split-phase service.
            legs = [phase for phase in LINE_TO_NEUTRAL if phase[0] != (supply.high_leg or "b")]
        if legs and set(legs) <= volts.keys():
            return "split", tuple(volts[leg] for leg in legs), (), scale
        if supply.connection == "wye" and {*LINE_TO_NEUTRAL, *LINE_TO_LINE} <= volts.keys():
            return ("wye", tuple(volts[phase] for phase in LINE_TO_NEUTRAL),
                    tuple(volts[phase] for phase in LINE_TO_LINE), scale)
        if supply.connection == "wye" and set(LINE_TO_NEUTRAL) <= volts.keys():
            return "legs", tuple(volts[phase] for phase in LINE_TO_NEUTRAL), (), scale
    return "", (), (), 1.0


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome when the neutral is suspected."""
    watch = base.of(NeutralWatch)
    sure = int(watch.swings.runs.joined()[1].sum()) * base.interval_us >= SHORTEST_SECONDS.value * 1e6
    swings = watch.swings if sure else watch.possible
    starts, lengths, _ = swings.runs.joined()
    total = int(lengths.sum())
    if not total or (not sure and int(lengths.max()) * base.interval_us < APART_SECONDS.value * 1e6):
        return
    if not sure and any(doubted(base, channel.phase) & {"nominal-doubtful", "connection-doubtful", "scale-step"}
                        for channel in watch.legs):
        return
    if watch.kind == "split" and total < FEWEST_SMALL.value and watch.narrow:
        return
    if any(outcome.code == "connection-doubtful" and "high-leg" in outcome.text
                                   for outcome in base.doubts):
        return
    if any("columns-alike" in doubted(base, channel.phase) for channel in watch.legs):
        return
    low, high = swings.lowest * watch.scale, swings.highest * watch.scale
    spans = base.spans(starts, lengths, high)
    length = f"{duration_text(total * base.interval_us)} in all, {when_text(spans, base.zone)}"
    if watch.kind == "split":
        follows = load_difference(base.grid, tuple(str(channel.phase) for channel in watch.legs))
        seen = f"One leg rises while the other falls (between {low:.4g} and {high:.4g} V to neutral) and their sum " \
               f"stays steady, for {length}"
        if follows is None:
            seen += "; no currents show whether it follows the load"
        elif follows:
            seen += ", following the difference of the two loads"
        else:
            seen += "; it does not follow the recorded currents, so the recorder's own neutral lead may be off as well"
    elif watch.kind == "legs":
        implied = "; the line-to-line voltage that they imply stands" if sure else ""
        seen = f"One voltage to neutral is far too high while another is {'far too low' if sure else 'much lower'} " \
               f"(between {low:.4g} and {high:.4g} V), for {length}{implied}"
    else:
        seen = f"The voltages to neutral spread by up to {swings.spread * watch.scale:.4g} V (between {low:.4g} and " \
               f"{high:.4g} V) while those between lines stay together, for {length}"
    picture = "This is the picture of a loose or broken neutral" if sure else (
        "A loose or broken neutral makes this, and without the voltages between lines it cannot be told from another "
        "cause"
    )
    settle = "" if sure else " Record the voltages between lines as well: if they stay together, it is the neutral."
    yield Outcome(
        CHECK if sure else POSSIBLE, Verdict.FAIL, "voltage", "voltage",
        code="neutral-loose" if sure else "neutral-possible", likelihood="likely" if sure else "possible",
        text=f"{seen}. {picture}. Equipment on one phase can get far too much voltage, burn and start a fire, and "
             "metal parts can become live.",
        advice=ACT_NEUTRAL + settle, spans=spans, value=high, unit="V",
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
