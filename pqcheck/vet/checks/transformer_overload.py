"""A transformer that carries more than its rated power for long."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.danger_signs import RunsOutside, SafeRange, doubted, lasting, most_in_a_day, when_text
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import PHASES, TimeBase, canonical_factor

LONG_SECONDS = Threshold(
    2 * 3600, "s", CHOSEN, "Above the rated power, or a phase above the rated current, for this long within a day: "
    "IEEE C57.91 and IEC 60076-7 (from memory) let a transformer carry more for a while after a lighter load."
)

CHECK = Check(
    name="transformer-overload",
    question="Transformer beyond its rating",
    looks_at="Apparent power in all, and the current of each phase, against the declared rating of the transformer.",
    how="Above the rated power, or above the current that goes with it at nominal voltage, for two hours within a day. "
        "It is taken that what was recorded is what the transformer carries.",
    example="The apparent power lay above the declared 30 kVA of the transformer for 7 h in all, up to 62 kVA.",
    codes={"transformer-overload": "Above the rating"},
    thresholds=thresholds(globals()),
    danger=True,
)

ACT = (
    "Act today: reduce the load, and have a qualified person check the temperature, connections and protection of the "
    "transformer; its maker says what it may carry for how long."
)


def _rated_current(site: Site) -> float | None:
    """The line current of the rated power at nominal voltage [A]; None where nothing is declared."""
    supply = site.supply
    if "transformer" not in site.ratings:
        return None
    volts = supply.line_to_neutral if supply.connection == "single-phase" else supply.line_to_line
    if not volts:
        return None
    by = 1.0 if supply.connection in ("single-phase", "split-phase") else math.sqrt(3)
    return float(site.ratings["transformer"]) / (by * float(volts))


class TransformerLoads(RunsOutside):
    """Powers and currents above what the declared transformer is rated for."""

    def __init__(self, stream: Stream, site: Site) -> None:
        current = _rated_current(site)
        ranges = []
        for channel in stream.channels if current is not None else ():
            if channel.reading != "mean":
                continue
            if channel.quantity == "current" and channel.phase in PHASES:
                ranges.append(SafeRange(channel, None, (current or 0) / canonical_factor("current", channel.unit)))
            elif channel.quantity == "apparent_power" and channel.phase == "total":
                rated = float(site.ratings["transformer"])
                ranges.append(SafeRange(channel, None, rated / canonical_factor("apparent_power", channel.unit)))
        super().__init__(ranges)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per power and current that lay above the rating for long."""
    current = _rated_current(base.site)
    for channel, runs in base.of(TransformerLoads).runs.items():
        if current is None or doubted(base, channel.phase) & {"scale", "handheld-mismatch"}:
            continue
        scale = canonical_factor(channel.quantity, channel.unit)
        spans = tuple(lasting(base, runs, 0, scale).values())
        if most_in_a_day(spans) < LONG_SECONDS.value * 1e6:
            continue
        worst = max(spans, key=lambda span: span.worst)
        total = duration_text(sum(span.end_us - span.start_us for span in spans))
        rated = float(base.site.ratings["transformer"]) / 1000
        if channel.quantity == "current":
            what, unit, high = f"The current {channel.phase} lay above {current:.4g} A, what belongs to", "A", current
            most = f"{worst.worst:.5g} A"
        else:
            what, unit, high = "The apparent power lay above", "VA", rated * 1000
            most = f"{worst.worst / 1000:.5g} kVA"
        yield Outcome(
            CHECK, Verdict.FAIL, channel.base_name, channel.quantity, channel.phase, code="transformer-overload",
            likelihood="shown",
            text=f"{what} the declared {rated:g} kVA of the transformer, for {total} in all, "
                 f"{when_text(spans, base.zone)}, up to {most}. An overloaded transformer ages fast, and its windings "
                 "and joints can fail by heat.",
            advice=ACT, spans=spans, value=worst.worst, unit=unit, high=high,
        )
