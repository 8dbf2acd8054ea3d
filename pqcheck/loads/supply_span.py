"""The supply over its declared span of short-circuit currents: its strong end, and where capacitors amplify most."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.loads.capacitors import Bank, total_admittance
from pqcheck.loads.supply_impedance import SupplyImpedance, from_short_circuit
from pqcheck.site.site_values import Site

ALIKE = 1e-4
"""Supplies whose impedances lie this close are one point: no resonance is as sharp."""


def supply_span(
    site: Site, source: SupplyImpedance | None, banks: Sequence[Bank] = (), orders: Iterable[int] = ()
) -> list[tuple[float, SupplyImpedance]]:
    """The supply at other short-circuit currents of the declared span, as (amperes, supply), the strong end last.

    With capacitors also where an order is amplified most. Between these points every order is amplified less: each of
    what is amplified is a quotient of two squares in the impedance, and all its extremes are among them.
    """
    pcc = site.pcc
    if pcc is None or source is None or source.estimated or not source.spans:
        return []
    low, high = pcc.short_circuit_current_min, pcc.short_circuit_current
    if low is None or high is None or low == high:
        return []
    strong = from_short_circuit(site, site.source_impedance, {}, float(high))
    assert strong is not None
    least = strong.magnitude / source.magnitude
    inside = {share for order in orders for share in _extremes(source, banks, order) if least < share < 1}
    shares = [1.0]
    for share in [*sorted(inside, reverse=True), least]:
        if shares[-1] - share > ALIKE * share or share == least:
            shares.append(share)
    # Of the impedance, what is not the short-circuit current is a transformer in series.
    volts = float(site.supply.line_to_neutral or 0)
    series = source.magnitude - volts / float(low)
    return [
        (
            volts / (share * source.magnitude - series),
            replace(source, resistance=share * source.resistance, reactance=share * source.reactance),
        )
        for share in shares[1:]
    ]


def _extremes(source: SupplyImpedance, banks: Sequence[Bank], order: int) -> list[float]:
    """Shares s of the impedance at which an order has an extreme: 1/|D|, |sZ|/|D| and |D0|/|D|, squared, with the loop
    D = 1 + s Z Y of all banks and D0 that of those which are there."""
    found: list[float] = []
    impedance = source.upstream(order)
    for zero_sequence in (False, True) if order % 3 == 0 else (False,):
        before, after = (
            total_admittance(each, order, zero_sequence=zero_sequence)
            for each in (source.banks, (*source.banks, *banks))
        )
        below = _square(impedance * after)
        for above in ((1.0, 0.0, 0.0), (0.0, 0.0, abs(impedance) ** 2), _square(impedance * before)):
            # Where the derivative of (a0 + a1 s + a2 s^2) / (b0 + b1 s + b2 s^2) is zero.
            (a0, a1, a2), (b0, b1, b2) = above, below
            roots = np.roots([a2 * b1 - a1 * b2, 2 * (a2 * b0 - a0 * b2), a1 * b0 - a0 * b1])
            found += [float(root.real) for root in roots if abs(root.imag) <= ALIKE * abs(root.real)]
    return found


def _square(loop: complex) -> tuple[float, float, float]:
    """|1 + s loop|^2 as coefficients of s^0, s^1, s^2."""
    return 1.0, 2 * loop.real, abs(loop) ** 2
