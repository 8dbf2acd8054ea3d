"""Orders that are zero all the time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.order_sums import OrderSets
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

EXPLAINED_BELOW_STEPS = Threshold(
    4, "1", CHOSEN,
    "Mean of the nearest order of the same parity, in steps of the resolution, up to which a zero is explained."
)
PARITY_MISSING_FROM_STEPS = Threshold(
    20, "1", CHOSEN, "Steps of the strongest order from which a whole parity of zeros is not explained."
)

CHECK = Check(
    name="zero-orders",
    question="Were all orders measured?",
    looks_at="Orders that are zero in every interval.",
    how="A zero is explained when the nearest order of the same parity stands at a few steps of the resolution only; "
        "otherwise the order was not measured.",
    example="Orders 26 to 50 of current_harmonic.a read zero in every interval.",
    codes={"orders-zero": "Orders that are zero throughout"},
    refuses={
        "orders-zero": (
            Refusal(ITSELF, "same", "These orders were not measured."),
        ),
    },
    thresholds=thresholds(globals()),
)


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
        if len(zero) == len(of_order) and (carrier is None or not base.channels[carrier].highest > 0):
            # Nothing flowed at all, or nothing tells whether anything did.
            zero = set()
        if not zero:
            yield Outcome(CHECK, Verdict.PASS, spectrum.name, spectrum.quantity, spectrum.phase)
            continue
        yield Outcome(
            CHECK, Verdict.REFUSED, spectrum.name, spectrum.quantity, spectrum.phase, code="orders-zero",
            likelihood="shown",
            text=f"Orders {_listed(zero)} of {spectrum.name} read zero in every interval while their neighbours do "
                 "not: they were not measured, or were exported as zero.",
            advice="Check how many orders the recorder stores; leave unmeasured orders blank.",
            subjects=(Subject(spectrum.quantity, (spectrum.phase,) if spectrum.phase else (),
                              orders=tuple(sorted(zero))),),
        )


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
