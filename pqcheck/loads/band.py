"""The span of every input that is not pinned down: the cases of the bound, and which input moves the answer most."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import product

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.loads.declared import NewLoad
from pqcheck.loads.harmonics import orders_of
from pqcheck.loads.predict import by_place
from pqcheck.loads.resonances import bank_steps
from pqcheck.loads.study_values import BandRow
from pqcheck.loads.superpose import Added
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.loads.supply_span import supply_span
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site


class BandCase(Struct, frozen=True):
    """One end (or point) of the span of one input; the bound has to hold at each."""

    input: str
    at: str
    added: Added


MOST_SPANS = 3
"""Up to so many power factors with a span are tried at all ends together; of more, all low and all high."""


def with_largest_orders(loads: Sequence[NewLoad]) -> tuple[NewLoad, ...]:
    """The loads with every order at the upper end of its tolerance."""
    return tuple(load if not load.tolerance else load.with_orders_times(1 + load.tolerance) for load in loads)


def at_their_most(loads: Sequence[NewLoad]) -> tuple[NewLoad, ...]:
    """The same, each at the power factor of its span with which it draws most."""
    return tuple(
        max((load, *map(load.with_power_factor, load.power_factor_span)), key=_draws)
        for load in with_largest_orders(loads)
    )


def at_their_least(loads: Sequence[NewLoad]) -> tuple[NewLoad, ...]:
    """The loads as declared, each at the power factor of its span with which it draws least."""
    return tuple(min((load, *map(load.with_power_factor, load.power_factor_span)), key=_draws) for load in loads)


def _draws(load: NewLoad) -> tuple[float, float]:
    """How much current, and then how much of it reactive."""
    return load.apparent_va, -(load.power_factor or 0.0)


def _together(loads: Sequence[NewLoad]) -> Iterator[tuple[str, tuple[NewLoad, ...]]]:
    """Where several power factors have spans: their ends together, in words and as loads."""
    spans = {number: load.power_factor_span for number, load in enumerate(loads) if load.power_factor_span}
    if len(spans) < 2:
        return
    ends = spans.values()
    every = product(*ends) if len(spans) <= MOST_SPANS else ([min(end) for end in ends], [max(end) for end in ends])
    for factors in every:
        chosen = dict(zip(spans, factors, strict=True))
        yield " and ".join(f"{factor:g}" for factor in factors), tuple(
            load.with_power_factor(chosen[number]) if number in chosen else load for number, load in enumerate(loads)
        )


def band_cases(added: Added, site: Site, recorded: Iterable[int] = ()) -> list[BandCase]:
    """The cases beside the declared one, orders at their most in all of them.

    Steps of a bank and short-circuit currents go together, since each has resonances of its own, with the power factors
    with which loads draw most; power factors by themselves and together. `recorded` are the orders of the record.
    """
    strict = replace(added, law="arithmetic", loads=with_largest_orders(added.loads))
    most = replace(strict, loads=at_their_most(added.loads))
    cases = [BandCase("spectrum of the new load", "upper end of its tolerance", strict)]
    if strict.loads == added.loads:
        cases = []
    orders = sorted({*recorded, *orders_of(added.loads)} - {1})

    def spans(loads: Sequence[NewLoad]) -> list[tuple[float, SupplyImpedance]]:
        return supply_span(site, added.source, [load.bank for load in loads if load.bank is not None], orders)

    strongest = max((amperes for amperes, _ in spans(strict.loads)), default=0.0)
    cases += [
        BandCase("short-circuit current", f"up to {strongest:.4g} A", replace(most, source=source))
        for _, source in spans(strict.loads)
    ]
    for number, load in enumerate(strict.loads):
        if load.bank is not None and load.steps > 1:
            # The last one is the declared case.
            for words, bank in list(bank_steps(load))[:-1]:
                share = load.bank.capacitive / bank.capacitive
                loads = list(most.loads)
                loads[number] = replace(load, bank=bank, apparent_va=load.apparent_va * share)
                stepped = replace(strict, loads=tuple(loads))
                cases += [
                    BandCase(f"steps of {load.name}", words, replace(stepped, source=source))
                    for source in (added.source, *(source for _, source in spans(stepped.loads)))
                ]
        for factor in load.power_factor_span:
            loads = list(strict.loads)
            loads[number] = load.with_power_factor(factor)
            cases.append(
                BandCase(f"power factor of {load.name}", f"{factor:g}", replace(strict, loads=tuple(loads)))
            )
    cases += [
        BandCase("power factors together", words, replace(strict, loads=loads))
        for words, loads in _together(strict.loads)
    ]
    return cases


def band_rows(declared: Iterable[Finding], cases: Iterable[tuple[BandCase, Iterable[Finding]]]) -> list[BandRow]:
    """What each input does to the bounds, the one to pin down first at the top."""
    before = by_place(declared)
    rows: dict[str, BandRow] = {}
    for case, findings in cases:
        after = by_place(findings)
        turned = sum(
            finding.verdict is Verdict.FAIL and place in before and before[place].verdict is not Verdict.FAIL
            for place, finding in after.items()
        )
        margin = min((_percent(finding) for finding in after.values()), default=float("inf"))
        known = rows.get(case.input)
        at = case.at if known is None else known.at if case.at in known.at.split(", ") else f"{known.at}, {case.at}"
        row = BandRow(case.input, at, turned, None if margin == float("inf") else margin)
        if known is not None:
            margins = [value for value in (known.margin_percent, row.margin_percent) if value is not None]
            row = replace(row, turned=max(known.turned, turned), margin_percent=min(margins, default=None))
        rows[case.input] = row
    return sorted(
        rows.values(),
        key=lambda row: (-row.turned, float("inf") if row.margin_percent is None else row.margin_percent, row.input),
    )


def _percent(finding: Finding) -> float:
    percent = None if finding.margin is None else finding.margin.percent_of_limit
    return float("inf") if percent is None else float(percent)
