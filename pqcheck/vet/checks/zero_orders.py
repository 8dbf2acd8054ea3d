"""Orders that are zero all the time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.order_sums import PERCENT, OrderSet, OrderSets
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

EXPLAINED_BELOW_STEPS = Threshold(
    4, "1", CHOSEN,
    "Mean of the nearest order of the same parity, in steps of the resolution, up to which a zero is explained."
)
PARITY_MISSING_FROM_STEPS = Threshold(
    20, "1", CHOSEN, "Steps of the strongest order from which a whole parity of zeros is not explained."
)
SHOWS_FROM_PERCENT = Threshold(
    0.1, "% of the voltage", CHOSEN, "Resolution from which orders 5 and 7 of a loaded supply cannot both be zero."
)

CHECK = Check(
    name="zero-orders",
    question="Were all orders measured?",
    looks_at="Orders that are zero in every interval.",
    how="A zero is explained when the nearest order of the same parity stands at a few steps of the resolution only; "
        "otherwise the order was not measured. A voltage whose orders are all zero was not measured, nor were its "
        "orders 5 and 7 where both are zero beside a load.",
    example="Orders 26 to 50 of current_harmonic.a read zero in every interval.",
    codes={"orders-zero": "Orders that are zero throughout"},
    refuses={
        "orders-zero": (
            Refusal(ITSELF, "same", "These orders were not measured."),
        ),
    },
    thresholds=thresholds(globals()),
)

ALWAYS_THERE = (5, 7)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per quantity and phase: which orders are zero throughout without the resolution explaining it."""
    for spectrum in base.of(OrderSets).sets:
        of_order = {order: base.channels[channel] for order, channel in spectrum.orders.items()}
        zero = not_measured(
            {order: statistics.level for order, statistics in of_order.items() if statistics.valid},
            {order for order, statistics in of_order.items() if statistics.valid and statistics.highest == 0},
            min((statistics.resolution for statistics in of_order.values()), default=float("inf")),
        )
        carrier = spectrum.rms or spectrum.first
        flowing = carrier is not None and base.channels[carrier].highest > 0
        if len(zero) == len(of_order) and spectrum.quantity == "current_harmonic" and not flowing:
            # Nothing flowed at all, or nothing tells whether anything did. A voltage always has its orders.
            zero = set()
        zero |= _of_a_loaded_supply(base, spectrum)
        if not zero:
            yield Outcome(CHECK, Verdict.PASS, spectrum.name, spectrum.quantity, spectrum.phase)
            continue
        yield Outcome(
            CHECK, Verdict.REFUSED, spectrum.name, spectrum.quantity, spectrum.phase, code="orders-zero",
            likelihood="shown",
            text=f"Orders {_listed(zero)} of {spectrum.name} read zero in every interval"
                 + (" while their neighbours do not" if len(zero) < len(of_order) else "")
                 + ": they were not measured, or were exported as zero.",
            advice="Check how many orders the recorder stores; leave unmeasured orders blank.",
            subjects=(spectrum.subject(zero),),
        )


def _of_a_loaded_supply(base: TimeBase, spectrum: OrderSet) -> set[int]:
    """Orders 5 and 7 of a voltage where both read zero throughout beside a load, at a resolution that would show them.

    Every loaded network has them.
    """
    both = [base.channels[spectrum.orders[order]] for order in ALWAYS_THERE if order in spectrum.orders]
    currents = [statistics for channel, statistics in base.channels.items() if channel.quantity == "current"]
    if spectrum.quantity != "voltage_harmonic" or len(both) < len(ALWAYS_THERE) \
            or any(statistics.highest != 0 or not statistics.valid for statistics in both) \
            or not any(statistics.highest > 0 for statistics in currents):
        return set()
    percent = 1.0
    if spectrum.unit not in PERCENT:
        nominal = base.site.supply.nominal(str(spectrum.phase))
        percent = 100 * canonical_factor("voltage", spectrum.unit or "V") / float(nominal) if nominal else float("inf")
    step = min(base.channels[channel].resolution for channel in spectrum.orders.values()) * percent
    return set(ALWAYS_THERE) if step <= SHOWS_FROM_PERCENT.value else set()


def not_measured(levels: Mapping[int, float], zeros: set[int], resolution: float) -> set[int]:
    """Orders that are zero throughout and that the resolution does not explain.

    `levels` are mean absolute values by order, `zeros` the orders that never leave zero, `resolution` the smallest
    step seen, all in one unit. A zero is explained when the nearest order of the same parity that is not zero stands
    at few steps only. All zero is explained by nothing but a spectrum that was not recorded.
    """
    alive = {order: level for order, level in levels.items() if order not in zeros and level == level}
    if not zeros:
        return set()
    if not alive:
        return set(zeros)
    few_steps = EXPLAINED_BELOW_STEPS.value * resolution
    missing = set()
    for order in zeros:
        near = [other for other in alive if (other - order) % 2 == 0]
        if near:
            closest = min(near, key=lambda other: (abs(other - order), other))
            if alive[closest] >= few_steps:
                missing.add(order)
        elif max(alive.values()) >= PARITY_MISSING_FROM_STEPS.value * resolution:
            missing.add(order)
    return missing


def _listed(orders: set[int]) -> str:
    """``2, 4, 26 to 50``: runs of three and more are folded."""
    parts: list[str] = []
    rest = sorted(orders)
    while rest:
        run = [rest[0]]
        step = 2 if len(rest) > 1 and rest[1] - rest[0] == 2 else 1
        while len(run) < len(rest) and rest[len(run)] == run[-1] + step:
            run.append(rest[len(run)])
        if len(run) >= 3:
            suffix = " (every second)" if step == 2 else ""
            parts.append(f"{run[0]} to {run[-1]}{suffix}")
        else:
            run = run[:1]
            parts.append(str(run[0]))
        rest = rest[len(run):]
    return ", ".join(parts)
