"""Where capacitor banks and supply resonate: over the steps of the banks and the span of short-circuit currents."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from pqcheck.loads.capacitors import Bank
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.study_values import Resonance
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.loads.supply_span import supply_span
from pqcheck.site.site_values import Site

ORDERS = tuple(order for order in range(3, 50, 2) if order % 3)
"""Orders that three-phase rectifiers have; triplens pass delta banks by."""


def bank_steps(load: NewLoad) -> Iterator[tuple[str, Bank]]:
    """The bank with one step switched on, with two, and so on to all of them."""
    assert load.bank is not None
    for number in range(1, load.steps + 1):
        by = load.steps / number
        bank = replace(load.bank, capacitive=load.bank.capacitive * by, inductive=load.bank.inductive * by)
        words = load.name if load.steps == 1 else f"{number} of {load.steps} steps of {load.name}"
        yield words, bank


def resonances(site: Site, source: SupplyImpedance | None, loads: Sequence[NewLoad]) -> list[Resonance]:
    """One row for each step of each new bank (without one: for the banks that are there), as declared, at the strong
    end of the span and at the sharpest resonance between.

    The order that is amplified most is one that rectifiers have; sharpest first.
    """
    if source is None or source.estimated:
        return []
    new = [load for load in loads if load.bank is not None]
    cases: list[tuple[str, tuple[Bank, ...]]] = [("the banks that are there", ())] if not new else []
    for load in new:
        others = tuple(each.bank for each in new if each is not load and each.bank is not None)
        cases += [(words, (*others, bank)) for words, bank in bank_steps(load)]
    rows = []
    for words, banks in cases:
        *between, last = [("as declared", source), *(
            (f"{amperes:.4g} A", supply) for amperes, supply in supply_span(site, source, banks, ORDERS)
        )]  # fmt: skip
        inside = [row for at, supply in between[1:] if (row := _resonance(words, at, supply, banks)) is not None]
        sharpest = max(inside, key=lambda row: row.amplification, default=None)
        ends = [_resonance(words, at, supply, banks) for at, supply in (*between[:1], last)]
        rows += [row for row in (*ends, sharpest) if row is not None]
    return sorted(rows, key=lambda row: -row.amplification)


def _resonance(words: str, at: str, supply: SupplyImpedance, banks: tuple[Bank, ...]) -> Resonance | None:
    whole = replace(supply, banks=(*supply.banks, *banks))
    order = whole.resonance
    if order is None:
        return None
    amplified = {harmonic: whole.amplification(harmonic) for harmonic in ORDERS}
    worst = max(amplified, key=amplified.__getitem__)
    return Resonance(words, at, order, worst, amplified[worst], abs(whole.phase_impedance(worst)))
