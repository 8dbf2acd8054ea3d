"""The records with the additions in every case that is predicted: without and with feed-in, expected and at worst."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.loads.band import BandCase, band_cases, band_rows
from pqcheck.loads.capacity import Cases
from pqcheck.loads.declared import feed_in_currents, firm
from pqcheck.loads.in_memory import in_memory
from pqcheck.loads.phasors import Collapse
from pqcheck.loads.predict import bounded, predicted, without_orders, worst_of
from pqcheck.loads.predictable import BANK_ORDERS, orders_unseen
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import BandRow, Demand
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_cases import NEUTRAL, RATIO, agreed, supply_cases
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.loads.supply_span import supply_span
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site


class PredictedCases:
    """The records with the additions in every case that is predicted, each worked out once.

    Every criterion has to hold without what feeds in and with it: nothing may count on feed-in.
    """

    def __init__(
        self,
        measured_record: Recording,
        site: Site,
        tables: Sequence[LimitTable],
        measured: Sequence[Finding],
        quantities: Sequence[str],
        firm_added: Added,
        added: Added,
    ) -> None:
        self.measured_record, self.site, self.tables = measured_record, site, tables
        self.measured, self.quantities = measured, quantities
        self.firm, self.whole = firm_added, added
        self.supplies = supply_cases(added.loads, added.source, site.supply)
        """The supply as declared, and the others that it may be as to its neutral; the last lowers voltages most."""
        self._records: list[tuple[Added, Recording]] = []

    @property
    def feeds_in(self) -> bool:
        """Whether some load feeds in."""
        return len(self.firm.loads) < len(self.whole.loads)

    @property
    def neutral_open(self) -> bool:
        """Whether the impedance of the neutral is not declared and predictions depend on it."""
        return any(source is not None and source.neutral_as_phase for source in self.supplies)

    @property
    def relieves(self) -> bool:
        """Whether a capacitor bank is among the additions."""
        return any(load.bank is not None for load in self.whole.loads)

    @cached_property
    def orders_missing(self) -> Mapping[str, Reason]:
        """Why nothing is known of totals of current, neutral or voltage where new banks shape orders not recorded."""
        if not self.relieves:
            return {}
        steps = {tuple(load.bank for load in added.loads if load.bank is not None): added
                 for added in (self.whole, *self.spans())}  # fmt: skip
        supplies = []
        for banks, added in steps.items():
            points = [source for _, source in supply_span(self.site, self.whole.source, banks, BANK_ORDERS)]
            for source in (self.whole.source, *points):
                case = replace(added, source=source)
                if case.supply is not None and case.supply_then is not None:
                    supplies.append((case.supply, case.supply_then))
        reasons = {}
        for kind, orders in orders_unseen(self.measured_record, self.site, supplies).items():
            words = ", ".join(map(str, orders))
            of_what = "voltage" if kind == "voltage" else "current and voltage"
            text, advice = sentence("bank-orders-missing", orders=words, of_what=of_what)
            reasons[kind] = Reason("bank-orders-missing", text, advice)
        return reasons

    def record(self, added: Added) -> Recording:
        """The record with these additions."""
        for known, record in self._records:
            if known == added:
                return record
        made = in_memory(with_addition(self.measured_record, self.site, added))
        self._records.append((added, made))
        return made

    def collapses(self, added: Added) -> bool:
        """Whether the supply cannot deliver these additions."""
        try:
            for stream in self.record(added).streams:
                # A record too large to be kept is worked out when it is read.
                for _ in stream.blocks(()):
                    pass
        except Collapse:
            return True
        return False

    @property
    def may_collapse(self) -> bool:
        """Whether the supply may not be able to deliver the additions at worst."""
        return any(self.collapses(replace(self.whole, law="arithmetic", source=source)) for source in self.supplies)

    def bounded(self) -> tuple[list[Finding], list[Finding], list[BandRow]]:
        """Predictions that pass only where their bounds do, the bounds, and what each input does to these.

        Over every supply that the declared one may be: what these do not agree about is open.
        """
        mains, uppers, runs = [], [], []
        declared = self.predicted("-arithmetic")
        for number, source in enumerate(self.supplies):
            if number and self.collapses(replace(self.whole, source=source)):
                continue
            bounds, cases = self._band(source)
            main, upper = bounded(self.predicted("", source), bounds)
            mains.append(main)
            uppers.append(upper)
            unknown = NEUTRAL if self.neutral_open else RATIO
            runs += [(BandCase(*unknown, self.whole), bounds)] if number else cases
        agreed_mains, agreed_uppers = (
            without_orders(agreed(each, declared=not self.neutral_open), self.orders_missing)
            for each in (mains, uppers)
        )
        return agreed_mains, agreed_uppers, band_rows(declared, runs)

    def predicted(self, variant: str, source: SupplyImpedance | None = None) -> list[Finding]:
        """The predictions of the declared case (or with another supply), or their bounds."""
        runs = []
        for added in (self.firm, self.whole) if self.feeds_in else (self.whole,):
            case = added if source is None else replace(added, source=source)
            case = replace(case, law="arithmetic") if variant else case
            if variant and self.collapses(case):
                continue
            runs.append(
                predicted(
                    self.tables, self.measured_record, self.site, case, self.measured, self.quantities, variant,
                    with_new=self.record(case),
                )
            )  # fmt: skip
        return worst_of(*runs)

    def _band(self, source: SupplyImpedance | None) -> tuple[list[Finding], list[tuple[BandCase, list[Finding]]]]:
        """The worst bound over the span of every input, and the bounds of each case."""
        runs = []
        for case in self._cases(source):
            firm_too = [replace(case.added, loads=firm(case.added.loads))] if self.feeds_in else []
            if any(self.collapses(added) for added in (*firm_too, case.added)):
                continue
            found = [
                predicted(
                    self.tables, self.measured_record, self.site, added, self.measured, self.quantities, "-arithmetic",
                    with_new=self.record(added),
                )
                for added in (*firm_too, case.added)
            ]  # fmt: skip
            runs.append((case, worst_of(*found)))
        declared = self.predicted("-arithmetic", source)
        return worst_of(declared, *(findings for _, findings in runs)), runs

    def _cases(self, source: SupplyImpedance | None) -> list[BandCase]:
        orders = {channel.order for _, channel in self.measured_record.channels() if channel.order is not None}
        return band_cases(replace(self.whole, source=source), self.site, orders)

    def spans(self) -> list[Added]:
        """The additions over the span of every input, with each supply."""
        return [case.added for source in self.supplies for case in self._cases(source)]

    def demands(self, interval_us: int, everything: Added) -> Cases:
        """The largest demands, for the ratings."""

        def demand(added: Added) -> Demand:
            return demand_of(self.record(added), self.site, interval_us)

        def worst_demand(added: Added) -> Demand | None:
            if self.collapses(added):
                return None
            return demand_of(self.record(added), self.site, interval_us, others=False)

        def worst_demands() -> tuple[Demand, ...]:
            declared = [replace(self.firm, law="arithmetic", source=source) for source in self.supplies]
            firm_spans = [replace(added, loads=firm(added.loads)) for added in self.spans()]
            found = (worst_demand(added) for added in (*declared, *firm_spans))
            return tuple(demand for demand in found if demand is not None)

        return Cases(
            demand(self.firm),
            worst_demands(),
            worst_demand(replace(everything, loads=self.firm.loads)),
            demand(self.whole) if self.feeds_in else None,
            self.relieves,
            feed_in_currents(self.whole.loads, self.site.supply),
            self.orders_missing,
        )

    def with_mean_energy(self, demand: Demand) -> Demand:
        """Largest demands by the largest shares, energy by the mean ones."""
        if all(load.runs is None for load in self.whole.loads):
            return demand
        mean = demand_of(
            self.record(replace(self.whole, mean_shares=True)), self.site, round(demand.interval_s * 1e6), others=False
        )
        return replace(demand, energy=mean.energy, load_factor=mean.load_factor, power_factor=mean.power_factor)
