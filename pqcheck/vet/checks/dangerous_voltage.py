"""Voltages to neutral that hurt people or equipment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.checks import interruption
from pqcheck.vet.checks.nominal import CHECK as CHECK_OF_NOMINAL
from pqcheck.vet.danger_signs import RunsOutside, SafeRange, doubted, lasting
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

HIGH_PERCENT = Threshold(110, "% of nominal", PRACTICE, "Line to neutral above this.")
LOW_PERCENT = Threshold(87, "% of nominal", PRACTICE, "Line to neutral below this.")
SHORTEST_SECONDS = Threshold(60, "s", PRACTICE, "For this long at a stretch.")

CHECK = Check(
    name="voltage-danger",
    question="Dangerous voltage to neutral",
    looks_at="Every voltage to neutral.",
    how="Above 110 % or below 87 % of nominal for a minute or longer at a stretch.",
    example="The voltage bn lay above 110 % of its nominal 120 V for 25 min.",
    codes={"voltage-above": "Far too high", "voltage-below": "Far too low"},
    thresholds=thresholds(globals()),
    danger=True,
)

NOT_COMPARABLE = {"no-voltage", "handheld-mismatch"}
"""Doubts under which a voltage was not measured as it should be."""
NOMINAL_IN_DOUBT = {"nominal-doubtful", "connection-doubtful"}
"""Doubts about the nominal or the connection: a sign that rests on them is named, and raised once they are settled."""

ACT_VOLTAGE = (
    "Act today: have a qualified person confirm the voltage and inform the utility; protect or switch off equipment "
    "that the voltage can damage."
)


class UnsafeVoltages(RunsOutside):
    """Voltages to neutral too high or too low; not on delta, and not the high leg, which have no such nominal."""

    def __init__(self, stream: Stream, site: Site) -> None:
        supply, bands = site.supply, []
        for channel in stream.channels:
            nominal = supply.nominal(channel.phase) if channel.phase in LINE_TO_NEUTRAL else None
            high_leg = supply.connection == "high-leg-delta" and str(channel.phase)[0] == (supply.high_leg or "b")
            if channel.quantity != "voltage" or channel.reading != "mean" or nominal is None or high_leg \
                    or supply.connection == "delta":
                continue
            scale = canonical_factor("voltage", channel.unit)
            # In whole hundredths of a volt: 230 x 1.1 is 253.00000000000003 in binary.
            low, high = (round(float(nominal) * edge.value / 100, 6) / scale for edge in (LOW_PERCENT, HIGH_PERCENT))
            bands.append(SafeRange(channel, low, high))
        super().__init__(bands)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per voltage and side."""
    dark_starts, dark_lengths, _ = base.of(interruption.SupplyOut).runs.joined()
    scale_spans = {outcome.phase: outcome.spans for outcome in base.doubts if outcome.code == "scale-step"}
    lead_spans = {outcome.phase: outcome.spans for outcome in base.doubts if outcome.code in ("lost-lead", "phase-out")}
    for channel, runs in base.of(UnsafeVoltages).runs.items():
        doubts = doubted(base, channel.phase)
        if doubts & NOT_COMPARABLE:
            continue
        scale = canonical_factor("voltage", channel.unit)
        nominal = float(base.site.supply.nominal(str(channel.phase)) or 0)
        spans = []
        for number, span in lasting(base, runs, SHORTEST_SECONDS.value, scale).items():
            if _covered(span, lead_spans.get(channel.phase, ())):
                continue
            dark = _overlap(int(runs.first[number]), span.intervals, dark_starts, dark_lengths)
            # A dead supply is an interruption, not a low voltage.
            if (span.intervals - dark) * base.interval_us < SHORTEST_SECONDS.value * 1e6:
                continue
            if span.worst < 0.05 * nominal and span.intervals == dark:
                continue
            spans.append(span)
        for in_doubt in (False, True):
            scaled = scale_spans.get(channel.phase, ())
            part = [span for span in spans if in_doubt is _covered(span, scaled, base.coarse_us)]
            for side, kept in (("above", [span for span in part if span.worst > nominal]),
                               ("below", [span for span in part if span.worst <= nominal])):
                if kept:
                    sign = _voltage_words(channel, side, kept, nominal)
                    yield _withheld(sign) if in_doubt or doubts & NOMINAL_IN_DOUBT else sign


def _withheld(sign: Outcome) -> Outcome:
    """The sign as an open question."""
    return replace(
        sign, check=CHECK_OF_NOMINAL, verdict=Verdict.INCONCLUSIVE, code="sign-withheld", likelihood="",
        text="A danger sign is withheld while the nominal or the scale is in doubt: "
             + sign.text[0].lower() + sign.text[1:],
        advice="Settle nominal voltage, connection and ratios today; if the declared ones are right: " + ACT_VOLTAGE,
    )


def _voltage_words(channel: Channel, side: str, spans: list[Extent], nominal: float) -> Outcome:
    high = side == "above"
    percent = (HIGH_PERCENT if high else LOW_PERCENT).value
    worst = max(spans, key=lambda span: span.worst if high else -span.worst)
    total = sum(span.end_us - span.start_us for span in spans)
    longest = max(span.end_us - span.start_us for span in spans)
    why = (
        "This can damage or ignite equipment, and it often comes from a loose neutral or a faulty regulator."
        if high else
        "Motors and compressors can stall and burn, and it often comes from a failing connection or a lost phase."
    )
    return Outcome(
        CHECK, Verdict.FAIL, f"{channel.base_name}.{side}", "voltage", channel.phase, code=f"voltage-{side}",
        likelihood="shown",
        text=f"The voltage {channel.phase} lay {side} {percent:g} % of its nominal {nominal:g} V for "
             f"{duration_text(total)} in all, {duration_text(longest)} at a stretch; the "
             f"{'highest' if high else 'lowest'} mean of an interval was {worst.worst:.5g} V. {why}",
        advice=ACT_VOLTAGE, spans=tuple(spans), value=worst.worst, unit="V",
        high=nominal * percent / 100 if high else None, low=None if high else nominal * percent / 100,
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
