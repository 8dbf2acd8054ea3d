"""One order at a hundredth of what the others, and the other phases, let expect."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.distortion_scale import CREDIBLE_PERCENT, signed_for_scale
from pqcheck.vet.checks.order_sums import PERCENT, OrderSet, OrderSets
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

BETWEEN_PHASES = Threshold(
    40, "1", CHOSEN, "Times that an order of one phase stands below that of the others: a load moves it by less."
)
BETWEEN_ORDERS = Threshold(
    20, "1", CHOSEN, "Times that order 5 or 7 stands below an order of its kind above it: they fall with the order."
)
FEWEST_PERCENT = Threshold(0.3, "% of the voltage", CHOSEN, "Level of the others from which one can tell.")
SAME_AS_PERCENT = Threshold(4, "1", CHOSEN, "Factor within which the order, taken a hundred times, fits the others.")
FEWEST_VALUES = Threshold(60, "1", CHOSEN, "Readings of the order.")

CHECK = Check(
    name="order-scale",
    question="Are all orders on one scale?",
    looks_at="The mean level of every voltage order, beside the same order of the other phases, and of orders 5 and 7 "
             "beside those of their kind above them.",
    how="An order of one phase that stands 40 times below all others, or 5 or 7 that stands 20 times below 7, 11 or 13 "
        "and nowhere exceeds 0.2 %, while a hundred times its level fits the others, may hold fractions of one among "
        "percentages: the question stays open, and nothing passes on that order. A declared scale correction of the "
        "quantity settles it.",
    example="Order 5 of voltage_harmonic.an stands at 0.07 %, that of bn and cn at 6.9 %.",
    codes={"unit-doubtful": "An order at a hundredth of the others"},
    refuses={
        "unit-doubtful": (
            Refusal(ITSELF, "same", "The numbers may be a hundredth of the order."),
        ),
    },
    thresholds=thresholds(globals()),
)

ABOVE = {5: (7, 11, 13), 7: (11, 13)}
"""Orders of a loaded supply, and those of the same kind that are smaller as a rule."""


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per voltage spectrum."""
    sets = [spectrum for spectrum in base.of(OrderSets).sets if spectrum.quantity == "voltage_harmonic"]
    levels = [_levels(base, spectrum) for spectrum in sets]
    for number, spectrum in enumerate(sets):
        beside = [levels[at] for at, other in enumerate(sets)
                  if at != number and (other.reading, _lines(other)) == (spectrum.reading, _lines(spectrum))]
        passed = Outcome(CHECK, Verdict.PASS, spectrum.name, spectrum.quantity, spectrum.phase)
        small = {} if signed_for_scale(base, spectrum.quantity, spectrum.phase) else \
            _of_one_phase(levels[number], beside) | _of_one_spectrum(base, spectrum, levels[number])
        if not small:
            yield passed
            continue
        order, other = min(small.items())
        more = f" So do {len(small) - 1} other orders." if len(small) > 1 else ""
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, spectrum.name, spectrum.quantity, spectrum.phase, code="unit-doubtful",
            likelihood="likely",
            text=f"Order {order} of {spectrum.name} stands at {levels[number][order]:.2g} %, where {other}: it may "
                 f"hold fractions of one instead of percent.{more}",
            advice="Compare with the instrument, and map the column with its unit; for an order that is this small "
                   "declare a scale correction of the quantity with factor = 1.",
            subjects=(spectrum.subject(small),),
        )


def _lines(spectrum: OrderSet) -> bool:
    """Whether the spectrum is that of a voltage between lines."""
    return not str(spectrum.phase).endswith(("n", "g"))


def _levels(base: TimeBase, spectrum: OrderSet) -> dict[int, float]:
    """Mean level of every order that never rests at zero, in percent of the voltage."""
    nominal = base.site.supply.nominal(str(spectrum.phase))
    levels = {}
    for order, channel in spectrum.orders.items():
        statistics = base.channels[channel]
        percent = 1.0
        if channel.unit not in PERCENT:
            percent = 100 * canonical_factor("voltage", channel.unit) / float(nominal) if nominal else float("nan")
        level = statistics.level * percent
        if statistics.valid >= FEWEST_VALUES.value and level > 0:
            levels[order] = level
    return levels


def _of_one_phase(own: Mapping[int, float], beside: list[dict[int, float]]) -> dict[int, str]:
    """Orders far below those of all other phases, with what these are."""
    small = {}
    for order, level in own.items():
        others = [levels[order] for levels in beside if order in levels]
        if others and min(others) >= max(FEWEST_PERCENT.value, BETWEEN_PHASES.value * level) \
                and _fits(level, float(np.median(others))):
            small[order] = f"that of the other phases stands at {min(others):.2g} % and above"
    return small


def _of_one_spectrum(base: TimeBase, spectrum: OrderSet, own: Mapping[int, float]) -> dict[int, str]:
    """Orders 5 and 7 far below those of their kind above them, with what these are."""
    small = {}
    for order, above in ABOVE.items():
        strongest = max(above, key=lambda other: own.get(other, 0.0))
        other = own.get(strongest, 0.0)
        if order not in own or other < max(FEWEST_PERCENT.value, BETWEEN_ORDERS.value * own[order]):
            continue
        channel = spectrum.orders[order]
        if channel.unit in PERCENT and base.channels[channel].highest <= CREDIBLE_PERCENT.value \
                and _fits(own[order], other):
            small[order] = f"order {strongest} stands at {other:.2g} %"
    return small


def _fits(level: float, others: float) -> bool:
    """Whether a hundred times the level is like the others."""
    return 1 / SAME_AS_PERCENT.value <= 100 * level / others <= SAME_AS_PERCENT.value
