"""Voltages to neutral that hurt people or equipment.

How long a voltage may stand before it is dangerous depends on how far it lies off. A single ten-minute value within
15 % of nominal breaks a limit and endangers nobody; a sign for it would wear out the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.stats.runs import Runs
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.checks import interruption
from pqcheck.vet.checks.nominal import CHECK as CHECK_OF_NOMINAL
from pqcheck.vet.collect import Marks
from pqcheck.vet.danger_signs import RunsOutside, SafeRange, doubted, lasting, most_in_a_day, when_text
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

FAR_PERCENT = Threshold(
    (85, 115), "% of nominal", "EN 50549-1 and EN 50160, from memory: generators disconnect beyond 85 and 115 % within "
    "seconds, and a low-voltage supply stays above 85 %",
    "Beyond these no equipment is made to run: heaters give a third more heat, capacitors stand at their last reserve."
)
FAR_SECONDS = Threshold(60, "s", PRACTICE, "For this long at a stretch.")
FAR_SUM_SECONDS = Threshold(600, "s", CHOSEN, "For this long within a day, above, in however many pieces; low ones are "
                            "the starts of motors.")
LONG_PERCENT = Threshold(
    (87, 112), "% of nominal", "common practice, below: the 104 V of 120 V of ANSI C84.1 range B utilization",
    "Outside what equipment is rated for; motors heat up within an hour."
)
LONG_SECONDS = Threshold(3600, "s", CHOSEN, "For this long within a day.")
RATED_PERCENT = Threshold(110, "% of nominal", "IEC 60038: supply within 10 % of nominal (from memory)",
                          "Above the ratings of equipment; an evening of it breaks a limit, most of a day ages it.")
RATED_SECONDS = Threshold(12 * 3600, "s", CHOSEN, "For this long within a day.")

CHECK = Check(
    name="voltage-danger",
    question="Dangerous voltage to neutral",
    looks_at="Every voltage to neutral.",
    how="Above 115 % or below 85 % of nominal for a minute at a stretch, above 115 % for ten minutes within a day, "
        "above 112 % or below 87 % for an hour within a day, or above 110 % for twelve hours within a day. No single "
        "ten-minute value between 85 and 115 % is a sign.",
    example="The voltage bn lay above 115 % of its nominal 120 V for 25 min.",
    codes={"voltage-above": "Far too high", "voltage-below": "Far too low"},
    thresholds=thresholds(globals()),
    danger=True,
)


class Step(Struct, frozen=True):
    """Percent of nominal beyond which a voltage may stand only so long: at a stretch, or in all within a day."""

    low: float | None
    high: float
    seconds: float
    within_a_day: bool


STEPS = (
    Step(*FAR_PERCENT.value, FAR_SECONDS.value, within_a_day=False),
    Step(None, FAR_PERCENT.value[1], FAR_SUM_SECONDS.value, within_a_day=True),
    Step(*LONG_PERCENT.value, LONG_SECONDS.value, within_a_day=True),
    Step(None, RATED_PERCENT.value, RATED_SECONDS.value, within_a_day=True),
)
"""The farthest first: a sign names the first that it meets."""

NOT_COMPARABLE = {"no-voltage", "handheld-mismatch"}
"""Doubts under which a voltage was not measured as it should be."""
NOMINAL_IN_DOUBT = {"nominal-doubtful", "connection-doubtful"}
"""Doubts about the nominal or the connection: a sign that rests on them is named, and raised once they are settled."""

ACT_VOLTAGE = (
    "Act today: have a qualified person confirm the voltage and inform the utility; protect or switch off equipment "
    "that the voltage can damage."
)


class UnsafeVoltages:
    """Voltages to neutral too high or too low, step by step; not on delta, and not the high leg, which have no such
    nominal."""

    def __init__(self, stream: Stream, site: Site) -> None:
        supply = site.supply
        bands: list[list[SafeRange]] = [[] for _ in STEPS]
        for channel in stream.channels:
            nominal = supply.nominal(channel.phase) if channel.phase in LINE_TO_NEUTRAL else None
            high_leg = supply.connection == "high-leg-delta" and str(channel.phase)[0] == (supply.high_leg or "b")
            if channel.quantity != "voltage" or channel.reading != "mean" or nominal is None or high_leg \
                    or supply.connection == "delta":
                continue
            scale = canonical_factor("voltage", channel.unit)
            for step, kept in zip(STEPS, bands, strict=True):
                # In whole hundredths of a volt: 230 x 1.1 is 253.00000000000003 in binary.
                low, high = (None if edge is None else round(float(nominal) * edge / 100, 6) / scale
                             for edge in (step.low, step.high))
                kept.append(SafeRange(channel, low, high))
        self.steps = tuple(RunsOutside(kept) for kept in bands)

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        for step in self.steps:
            step.take(slot, values, marks)


class UnsafePart(Struct, frozen=True):
    """What one phase shows on one side: the step it is beyond, and when."""

    channel: Channel
    nominal: float
    high: bool
    step: Step
    spans: tuple[Extent, ...]

    @property
    def edge(self) -> float:
        """The step in volts."""
        return round(self.nominal * ((self.step.high if self.high else self.step.low) or 0) / 100, 6)

    @property
    def worst(self) -> Extent:
        """The span with the value farthest off."""
        return max(self.spans, key=lambda span: span.worst if self.high else -span.worst)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per voltage and side; those of one side share their sentence."""
    parts: dict[tuple[bool, bool], list[UnsafePart]] = {}
    met: set[tuple[Channel, bool, bool]] = set()
    for step, runs_of in zip(STEPS, base.of(UnsafeVoltages).steps, strict=True):
        for channel, runs in runs_of.runs.items():
            nominal = float(base.site.supply.nominal(str(channel.phase)) or 0)
            for in_doubt, high, spans in _sides(base, channel, runs, step, nominal):
                if (channel, in_doubt, high) not in met:
                    met.add((channel, in_doubt, high))
                    parts.setdefault((in_doubt, high), []).append(UnsafePart(channel, nominal, high, step, spans))
    for (in_doubt, _), members in parts.items():
        members.sort(key=lambda part: LINE_TO_NEUTRAL.index(str(part.channel.phase)))
        for sign in _signs(members, base.zone):
            yield _withheld(sign) if in_doubt else sign


def _sides(
    base: TimeBase, channel: Channel, runs: Runs, step: Step, nominal: float
) -> Iterator[tuple[bool, bool, tuple[Extent, ...]]]:
    """(in doubt, above, spans) of what lasts as long as a step asks; nothing of what was not measured."""
    doubts = doubted(base, channel.phase)
    if doubts & NOT_COMPARABLE:
        return
    dark_starts, dark_lengths, _ = base.of(interruption.SupplyOut).runs.joined()
    scaled = [span for doubt in base.doubts if doubt.code == "scale-step" and doubt.phase == channel.phase
              for span in doubt.spans]
    leads = [span for doubt in base.doubts if doubt.code in ("lost-lead", "phase-out") and doubt.phase == channel.phase
             for span in doubt.spans]
    least_us = step.seconds * 1e6
    spans = []
    scale = canonical_factor("voltage", channel.unit)
    for number, span in lasting(base, runs, 0 if step.within_a_day else step.seconds, scale).items():
        if _covered(span, leads):
            continue
        dark = _overlap(int(runs.first[number]), span.intervals, dark_starts, dark_lengths)
        # A dead supply is an interruption, not a low voltage.
        if dark == span.intervals or (not step.within_a_day and (span.intervals - dark) * base.interval_us < least_us):
            continue
        spans.append(span)
    for in_doubt in (False, True):
        part = [span for span in spans if in_doubt is _covered(span, scaled, base.coarse_us)]
        for high in (True, False):
            kept = tuple(span for span in part if (span.worst > nominal) is high)
            if kept and (not step.within_a_day or most_in_a_day(kept) >= least_us):
                yield in_doubt or bool(doubts & NOMINAL_IN_DOUBT), high, kept


def _withheld(sign: Outcome) -> Outcome:
    """The sign as an open question."""
    return replace(
        sign, check=CHECK_OF_NOMINAL, verdict=Verdict.INCONCLUSIVE, code="sign-withheld", likelihood="",
        text="A danger sign is withheld while the nominal or the scale is in doubt: "
             + sign.text[0].lower() + sign.text[1:],
        advice="Settle nominal voltage, connection and ratios today; if the declared ones are right: " + ACT_VOLTAGE,
    )


def _signs(parts: list[UnsafePart], zone: str) -> Iterator[Outcome]:
    """The signs of one side: each with its own numbers, all with one sentence about all phases and when it was."""
    high = parts[0].high
    side = "above" if high else "below"
    why = (
        "This can damage or ignite equipment, and it often comes from a loose neutral or a faulty regulator."
        if high else
        "Motors and compressors can stall and burn, and it often comes from a failing connection or a lost phase."
    )
    each = []
    for part in parts:
        total = duration_text(sum(span.end_us - span.start_us for span in part.spans))
        percent = part.step.high if high else part.step.low
        each.append(f"phase {str(part.channel.phase)[0]} {side} {percent:g} % of its nominal {part.nominal:g} V for "
                    f"{total} in all ({'at most' if high else 'down to'} {part.worst.worst:.5g} V)")
    when = when_text((span for part in parts for span in part.spans), zone)
    for part in parts:
        yield Outcome(
            CHECK, Verdict.FAIL, f"{part.channel.base_name}.{side}", "voltage", part.channel.phase,
            code=f"voltage-{side}", likelihood="shown",
            text=f"The voltage to neutral lay far too {'high' if high else 'low'}, {when}: {'; '.join(each)}. {why}",
            advice=ACT_VOLTAGE, spans=part.spans, value=part.worst.worst, unit="V",
            high=part.edge if high else None, low=None if high else part.edge,
        )


def _covered(span: Extent, others: Sequence[Extent], slack_us: int = 0) -> bool:
    return any(
        other.start_us - slack_us <= span.start_us and span.end_us <= other.end_us + slack_us for other in others
    )


def _overlap(first: int, count: int, starts: Array, lengths: Array) -> int:
    if not starts.size:
        return 0
    inside = np.minimum(starts + lengths, first + count) - np.maximum(starts, first)
    return int(np.clip(inside, 0, None).sum())
