"""The load study: demand, existing-load determination, spare capacity, and the verdicts with the declared additions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.loads.capacity import TITLES, capacities, rated_quantity, rating_findings, ratings_of
from pqcheck.loads.declared import NewLoad, check_runs, new_loads
from pqcheck.loads.equipment import high_load_spectrum, loading, lowest_voltages, motor, starts
from pqcheck.loads.existing_load import existing_load_rooms
from pqcheck.loads.growth import CURRENTS, DemandGrowth, demand_growth, grown_site
from pqcheck.loads.harmonics import neutral_current
from pqcheck.loads.headroom import Search
from pqcheck.loads.in_memory import in_memory
from pqcheck.loads.predict import predicted, rows_of, value_of
from pqcheck.loads.profile import cost
from pqcheck.loads.recorded_demand import INTERVALS_US, demand_of
from pqcheck.loads.study_values import Capacity, CriterionRow, Demand, Loading, Motor, Room, SpectrumBeforeAfter, Start
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_impedance import SupplyImpedance, source_of
from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding, Findings, in_order
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site

Value = TypeVar("Value")

DEFAULT_INTERVAL_US = 900_000_000

CAUTIONS = (
    "Licensed practice, the local code and the authority having jurisdiction decide; this is a calculation for them, "
    "no design and no permission to connect.",
    "A prediction adds a declared load to a measured record. Loads that are there are taken to keep their currents; "
    "notches, inrush, flicker, control interaction and faults are outside it. Measure again once the load runs.",
    "Work on a live switchboard, and the opening of current transformer circuits, can kill: qualified persons, lockout "
    "and protective equipment by the local rules.",
)


class LoadStudy(Struct, frozen=True):
    """Everything a load study found. `findings` hold the measured findings and the predictions."""

    site_name: str
    zone: str
    supply: str
    nominal_to_neutral: float | None
    demand: Demand
    loads: tuple[NewLoad, ...]
    findings: Findings
    demand_then: Demand | None = None
    source: SupplyImpedance | None = None
    capacity: tuple[Capacity, ...] = ()
    rows: tuple[CriterionRow, ...] = ()
    rooms: tuple[Room, ...] = ()
    growth: DemandGrowth | None = None
    loadings: tuple[Loading, ...] = ()
    spectrum: SpectrumBeforeAfter | None = None
    motors: tuple[Motor, ...] = ()
    starts: tuple[Start, ...] = ()
    costs: tuple[tuple[str, float, str], ...] = ()
    new_neutral: float | None = None
    """Neutral current of the new loads alone at nominal voltage, A."""
    cautions: tuple[str, ...] = CAUTIONS
    remarks: tuple[str, ...] = ()
    line_currents: Mapping[str, float] = field(default_factory=dict)
    """Nominal rms line current of each new load, A."""


def study(
    recording: Recording,
    site: Site,
    tables: Sequence[LimitTable],
    measured: Findings,
    quantities: Sequence[str] = (),
) -> LoadStudy:
    """The study of a recording (declared corrections already applied) whose measured findings are known.

    Raises `SiteError` for a new load that cannot be, never runs within the recording, or is more than the supply can
    deliver through its impedance.
    """
    interval_us, why = demand_interval(recording, site)
    loads = new_loads(site)
    check_runs(loads, recording)
    record = in_memory(recording)
    demand = demand_of(record, site, interval_us)
    spectrum = high_load_spectrum(record, site)
    before = None if spectrum is None else loading(spectrum, site, "now")
    base = LoadStudy(
        site_name=site.name,
        zone=recording.zone,
        supply=f"{site.supply.designation} {site.supply.connection}",
        nominal_to_neutral=None if site.supply.line_to_neutral is None else float(site.supply.line_to_neutral),
        demand=demand,
        loads=loads,
        findings=measured,
        capacity=tuple(capacities(site, demand, None, (None if before is None else before.derated_va, None))),
        loadings=_known(before),
        spectrum=None if spectrum is None else SpectrumBeforeAfter("current", spectrum.phase, "A", spectrum.currents),
        motors=_known(motor(record, "now")),
        costs=cost(demand, site.tariff),
        remarks=(*((why,) if why else ()), *_unmet_ratings(site, demand)),
    )
    if not loads:
        return base
    return _with_loads(base, record, site, tables, quantities)


def demand_interval(recording: Recording, site: Site) -> tuple[int, str]:
    """The demand interval in microseconds: as declared, else 15 minutes, else what the recorded interval allows.

    The sentence says so where it is not 15 minutes though nothing was declared.
    """
    if "demand_interval_us" in site.load_study:
        return int(site.load_study["demand_interval_us"]), ""
    recorded = [
        stream.axis.interval_us
        for stream in recording.streams
        if any(channel.quantity in ("current", "active_power", "apparent_power") for channel in stream.channels)
    ]
    if not recorded or any(DEFAULT_INTERVAL_US % recorded_us == 0 for recorded_us in recorded):
        return DEFAULT_INTERVAL_US, ""
    finest = min(recorded)
    chosen = next((length_us for length_us in INTERVALS_US if length_us % finest == 0), finest)
    return chosen, (
        f"The record has intervals of {duration_text(finest)}, which cannot be turned into 15 min: demand is given "
        f"over {duration_text(chosen)}, with bounds for 15 min."
    )


def _unmet_ratings(site: Site, demand: Demand) -> list[str]:
    """Ratings without a demand to compare: said, so that they do not look met."""
    missing = {}
    for name, phase, unit, _ in ratings_of(site):
        quantity = rated_quantity(unit)
        if demand.maximum(quantity, phase) is None:
            missing[TITLES[name]] = f"the {quantity.replace('_', ' ')}" + (f" of {phase}" if phase else "")
    return [f"{title}: {what} was not recorded, so it is not compared." for title, what in missing.items()]


def _with_loads(
    base: LoadStudy, record: Recording, site: Site, tables: Sequence[LimitTable], quantities: Sequence[str]
) -> LoadStudy:
    """The study with the declared new loads: every criterion judged again, and how much of them each bears."""
    source = source_of(site, record)
    added = Added(base.loads, source)
    upper = replace(added, law="arithmetic")
    everything = replace(upper, everything_on=True)
    measured = base.findings.findings
    with_new = in_memory(with_addition(record, site, added))
    interval_us = round(base.demand.interval_s * 1e6)
    main = predicted(tables, record, site, added, measured, quantities, with_new=with_new)
    arithmetic = predicted(tables, record, site, upper, measured, quantities, "-arithmetic")
    no_diversity = predicted(tables, record, site, everything, measured, quantities, "-no-diversity")
    grown = _with_grown_demand(added, record, site, tables, measured, quantities)
    demand_then = demand_of(with_new, site, interval_us)
    demand_upper = demand_of(with_addition(record, site, everything), site, interval_us, others=False)
    spectrum_then = high_load_spectrum(with_new, site)
    after = None if spectrum_then is None else loading(spectrum_then, site, "with the new load")
    derated = (base.loadings[0].derated_va if base.loadings else None, None if after is None else after.derated_va)
    capacity = capacities(site, base.demand, demand_then, derated)
    ratings = rating_findings(capacity, demand_then, record)
    ratings_upper = rating_findings(capacities(site, base.demand, demand_upper), demand_upper, record, "-no-diversity")
    rooms = Search(tables, record, site, added, base.demand, quantities).run()
    rooms += existing_load_rooms(tables, record, site, base.loads)
    motor_then = motor(with_new, "with the new load") if source is not None else None
    findings = [*measured, *main, *arithmetic, *no_diversity, *grown, *ratings, *ratings_upper]
    return replace(
        base,
        findings=replace(base.findings, findings=in_order(findings)),
        demand_then=demand_then,
        source=source,
        capacity=tuple(_bounded(capacity, ratings_upper)),
        rows=tuple(rows_of(measured, main, arithmetic, no_diversity)),
        rooms=tuple(sorted(rooms, key=lambda room: (room.share, room.at_least, room.key))),
        growth=demand_growth(tables, record, site, added, measured, main, grown),
        loadings=(*base.loadings, *_known(after)),
        spectrum=None
        if base.spectrum is None
        else replace(base.spectrum, after={} if spectrum_then is None else spectrum_then.currents),
        motors=(*base.motors, *_known(motor_then)),
        starts=tuple(starts(base.loads, site, source, lowest_voltages(record, site))),
        new_neutral=neutral_current(base.loads, site.supply),
        remarks=(*base.remarks, *_remarks(base.loads, source)),
        line_currents={load.name: load.line_current(site.supply) for load in base.loads},
    )


def _known(value: Value | None) -> tuple[Value, ...]:
    return () if value is None else (value,)


def _with_grown_demand(
    added: Added,
    record: Recording,
    site: Site,
    tables: Sequence[LimitTable],
    measured: Sequence[Finding],
    quantities: Sequence[str],
) -> list[Finding]:
    """The current criteria predicted once more, the maximum demand current grown by the new loads."""
    larger = grown_site(site, added.loads)
    asked = [quantity for quantity in CURRENTS if not quantities or quantity in quantities]
    if larger is None or site.pcc is None or not asked:
        return []
    declared = site.pcc.maximum_demand_current
    concerned = replace(added, recorded_demand=None if declared is None else float(declared))
    return predicted(tables, record, larger, concerned, measured, asked, "-grown-demand")


def _bounded(entries: Sequence[Capacity], upper: Sequence[Finding]) -> list[Capacity]:
    """Each rating with the bound for everything running at once beside it."""
    values = {(finding.rule, finding.phase): value_of(finding) for finding in upper}
    bounded = []
    for entry in entries:
        value = values.get((entry.rating, entry.phase or "total"))
        bounds = None if value is None or entry.then is None else (entry.then, value)
        bounded.append(replace(entry, then_bounds=bounds))
    return bounded


def _remarks(loads: Sequence[NewLoad], source: SupplyImpedance | None) -> list[str]:
    remarks = []
    for load in loads:
        remarks.append(f"{load.name}: spectrum {load.spectrum.source}")
        if load.power_factor is None:
            remarks.append(
                f"{load.name}: no power factor is declared; its current is taken in phase with the one there"
            )
        if load.feeds_in:
            remarks.append(
                f"{load.name} feeds in: it lowers the demand only while it runs; ratings and determinations do not "
                "count on it, and where inverters are 10 % or more of the mean load other current limits than those of "
                "IEEE 519 may govern"
            )
    if source is None:
        remarks.append("The impedance of the supply is unknown: voltages are not predicted")
    else:
        remarks.append(f"Supply impedance {source.basis}")
        if source.resonance is not None:
            remarks.append(f"The capacitor bank resonates with the supply near order {source.resonance:.1f}")
    return [f"{remark.rstrip('.')}." for remark in remarks]
