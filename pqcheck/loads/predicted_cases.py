"""The records with the additions in every case that is predicted: without and with feed-in, expected and at worst."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.loads.band import band_cases, band_rows
from pqcheck.loads.capacity import Cases
from pqcheck.loads.declared import firm
from pqcheck.loads.in_memory import in_memory
from pqcheck.loads.phasors import Collapse
from pqcheck.loads.predict import predicted, worst_of
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import BandRow, Demand
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.model.findings import Finding
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
        self._records: list[tuple[Added, Recording]] = []

    @property
    def feeds_in(self) -> bool:
        """Whether some load feeds in."""
        return len(self.firm.loads) < len(self.whole.loads)

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

    def predicted(self, variant: str) -> list[Finding]:
        """The predictions of the declared case, or their bounds."""
        runs = []
        for added in (self.firm, self.whole) if self.feeds_in else (self.whole,):
            case = replace(added, law="arithmetic") if variant else added
            if variant and self.collapses(case):
                continue
            runs.append(
                predicted(
                    self.tables, self.measured_record, self.site, case, self.measured, self.quantities, variant,
                    with_new=self.record(case),
                )
            )  # fmt: skip
        return worst_of(*runs)

    def band(self) -> tuple[list[Finding], list[BandRow]]:
        """The worst bound over the span of every input, and what each input does to it."""
        declared = self.predicted("-arithmetic")
        runs = []
        for case in band_cases(self.whole, self.site):
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
        return worst_of(declared, *(findings for _, findings in runs)), band_rows(declared, runs)

    def demands(self, interval_us: int, everything: Added) -> Cases:
        """The largest demands, for the ratings."""

        def demand(added: Added) -> Demand:
            return demand_of(self.record(added), self.site, interval_us)

        def worst_demand(added: Added) -> Demand | None:
            return None if self.collapses(added) else demand(added)

        feed_in: dict[str, float] = {}
        for load in self.whole.loads if self.feeds_in else ():
            for phase in load.phases if load.feeds_in else ():
                feed_in[phase] = feed_in.get(phase, 0.0) + load.line_current(self.site.supply)
        return Cases(
            demand(self.firm),
            worst_demand(replace(self.firm, law="arithmetic")),
            worst_demand(replace(everything, loads=self.firm.loads)),
            demand(self.whole) if self.feeds_in else None,
            feed_in,
        )

    def with_mean_energy(self, demand: Demand) -> Demand:
        """Largest demands by the largest shares, energy by the mean ones."""
        if all(load.runs is None for load in self.whole.loads):
            return demand
        mean = demand_of(
            self.record(replace(self.whole, mean_shares=True)), self.site, round(demand.interval_s * 1e6), others=False
        )
        return replace(demand, energy=mean.energy, load_factor=mean.load_factor, power_factor=mean.power_factor)
