"""The load study: demand, existing-load determination, spare capacity, and the verdicts with the declared additions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.loads.band import at_their_most
from pqcheck.loads.capacity import (
    NO_DIVERSITY,
    TITLES,
    capacities,
    check_transformer,
    k_rating_findings,
    largest_demand,
    rated_quantity,
    rating_findings,
    ratings_of,
)
from pqcheck.loads.channels import phases_of
from pqcheck.loads.counted_on import counted_on
from pqcheck.loads.declared import NewLoad, addition_va, check_runs, firm, new_loads
from pqcheck.loads.demand_doubts import angles_doubted
from pqcheck.loads.equipment import high_load_spectra, loading, motor, with_new_orders
from pqcheck.loads.existing_load import existing_load_rooms
from pqcheck.loads.growth import CURRENTS, DemandGrowth, demand_growth, grown_site
from pqcheck.loads.harmonics import neutral_current
from pqcheck.loads.headroom import Search
from pqcheck.loads.in_memory import in_memory
from pqcheck.loads.predict import bounded, predicted, reported_only, rows_of, unsupplied, without_orders, worst_of
from pqcheck.loads.predicted_cases import PredictedCases
from pqcheck.loads.profile import cost
from pqcheck.loads.recorded_demand import INTERVALS_US, demand_of
from pqcheck.loads.resonances import resonances
from pqcheck.loads.starting import lowest_voltages, starts
from pqcheck.loads.study_values import (
    BandRow,
    Capacity,
    CriterionRow,
    Demand,
    Loading,
    Motor,
    Resonance,
    Room,
    SpectrumBeforeAfter,
    Start,
    VariantRow,
)
from pqcheck.loads.superpose import Added
from pqcheck.loads.supply_impedance import SupplyImpedance, source_of
from pqcheck.loads.transformer_choice import TransformerChoice, choose_transformer
from pqcheck.model.clock import duration_text
from pqcheck.model.errors import SiteError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings, in_order
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
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
    band: tuple[BandRow, ...] = ()
    resonances: tuple[Resonance, ...] = ()
    transformer: TransformerChoice | None = None
    variants: tuple[VariantRow, ...] = ()
    growth: DemandGrowth | None = None
    loadings: tuple[Loading, ...] = ()
    spectrum: SpectrumBeforeAfter | None = None
    motors: tuple[Motor, ...] = ()
    starts: tuple[Start, ...] = ()
    costs: tuple[tuple[str, float, str], ...] = ()
    new_neutral: float | None = None
    """Neutral current of the new loads alone at nominal voltage, A."""
    neutral_open: bool = False
    """The impedance of the neutral is not declared, and voltages depend on it."""
    cautions: tuple[str, ...] = CAUTIONS
    remarks: tuple[str, ...] = ()
    line_currents: Mapping[str, float] = field(default_factory=dict)
    """Nominal rms line current of each new load, A."""
    counted_on: tuple[str, ...] = ()
    """What holds only while new capacitor banks and leading loads run."""

    @property
    def exit_status(self) -> ExitStatus:
        """As `check`, and failed where a prediction fails, not shown where one is open and none fails."""
        status = self.findings.exit_status
        verdicts = {finding.verdict for finding in self.findings.findings if finding.kind == "prediction"}
        if status is ExitStatus.FAILED or Verdict.FAIL in verdicts:
            return ExitStatus.FAILED
        open_ = verdicts & {Verdict.INCONCLUSIVE, Verdict.REFUSED}
        return ExitStatus.NOT_SHOWN if open_ else status


def study(
    recording: Recording,
    site: Site,
    tables: Sequence[LimitTable],
    measured: Findings,
    quantities: Sequence[str] = (),
    *,
    headroom: bool = True,
) -> LoadStudy:
    """The study of a recording (declared corrections already applied) whose measured findings are known.

    Raises `SiteError` for a new load that cannot be, never runs within the recording, or is more than the supply can
    deliver through its impedance. Without `headroom` what fails first is not searched for.
    """
    interval_us, why = demand_interval(recording, site)
    loads = new_loads(site)
    check_runs(loads, recording)
    record = in_memory(recording)
    demand = demand_of(record, site, interval_us)
    check_transformer(site, demand)
    spectra = high_load_spectra(record, site)
    loadings = [loading(spectrum, site, "now") for spectrum in spectra.values()]
    worst = _worst(loadings)
    base = LoadStudy(
        site_name=site.name,
        zone=recording.zone,
        supply=f"{site.supply.designation} {site.supply.connection}",
        nominal_to_neutral=None if site.supply.line_to_neutral is None else float(site.supply.line_to_neutral),
        demand=demand,
        loads=loads,
        findings=measured,
        capacity=tuple(capacities(site, demand, None, (_shares(loadings), {}, {}), measured.findings)),
        loadings=tuple(loadings),
        spectrum=None if worst is None else SpectrumBeforeAfter(
            "current", worst.phase, "A", spectra[worst.phase].currents
        ),
        motors=_known(motor(record, "now")),
        costs=cost(demand, site.tariff),
        remarks=(*((why,) if why else ()), *_unmet_words(site, demand)),
    )  # fmt: skip
    if not loads:
        return base
    return _with_loads(base, record, site, tables, quantities, headroom=headroom)


def _worst(loadings: Sequence[Loading]) -> Loading | None:
    """The winding with the largest K-factor, without a rated current with the largest loss factor."""
    return max(loadings, key=lambda each: (each.k_factor or 0.0, each.loss_factor), default=None)


def _shares(loadings: Sequence[Loading]) -> dict[str, float]:
    """The share of the rated current that the harmonics leave to each winding."""
    return {loading.phase: loading.share for loading in loadings if loading.share is not None}


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


def _unmet(site: Site, demand: Demand) -> list[tuple[str, str | None, str]]:
    """Ratings (name, phase, unit) without a demand to compare."""
    return [
        (name, phase, unit)
        for name, phase, unit, _ in ratings_of(site)
        if largest_demand(demand, rated_quantity(unit), phase)[1] is None
    ]


def _underived(site: Site, base: LoadStudy) -> list[tuple[str, str | None, str]]:
    """What the orders of the current decide about the transformer, where the record lacks them on a phase: its K
    rating, and its derated power where new loads bring harmonics."""
    known = {loading.phase for loading in base.loadings}
    if known.issuperset(phases_of(site.supply)) or "transformer" not in site.ratings:
        return []
    derated = {"transformer_eddy_loss", "transformer_type"} <= site.ratings.keys()
    brings = any(load.spectrum.percent for load in base.loads)
    open_: list[tuple[str, str | None, str]] = []
    if derated and brings:
        open_.append(("transformer_derated", None, "VA"))
    if "transformer_k_factor" in site.ratings:
        open_.append(("transformer_k_factor", None, "A"))
    return open_


def _unmet_words(site: Site, demand: Demand) -> list[str]:
    """The same as sentences, so that no rating looks kept."""
    missing: dict[tuple[str, str], list[str]] = {}
    for name, phase, unit in _unmet(site, demand):
        missing.setdefault((TITLES[name], rated_quantity(unit).replace("_", " ")), []).append(phase or "")
    words = []
    for (title, quantity), phases in missing.items():
        where = f" of {', '.join(phases)}" if any(phases) else ""
        words.append(f"{title}: the {quantity}{where} was not recorded, so it is not compared.")
    if demand.extremes_only:
        words.append(
            f"{', '.join(demand.extremes_only)}: only extremes were recorded, and demand is made of means; record the "
            "mean as well."
        )
    return words


def _with_loads(
    base: LoadStudy,
    record: Recording,
    site: Site,
    tables: Sequence[LimitTable],
    quantities: Sequence[str],
    *,
    headroom: bool,
) -> LoadStudy:
    """The study with the declared new loads: every criterion judged again, and how much of them each bears."""
    source = source_of(site, record)
    _check_banks(base.loads, source)
    added = Added(base.loads, source, angles_doubted=angles_doubted(base.findings.findings, site))
    firm_added = replace(added, loads=firm(base.loads))
    measured = base.findings.findings
    cases = PredictedCases(record, site, tables, measured, quantities, firm_added, added)
    main, arithmetic, band = cases.bounded()
    weakest = cases.supplies[-1]
    everything = replace(added, source=weakest, law="arithmetic", everything_on=True)
    no_diversity = [] if cases.collapses(everything) else predicted(
        tables, record, site, everything, measured, quantities, "-no-diversity"
    )  # fmt: skip
    strict_added = replace(added, source=weakest, law="arithmetic", loads=at_their_most(added.loads))
    grown = _with_grown_demand(added, record, site, tables, measured, quantities)
    if grown:
        worst_cases = [case for case in (strict_added, *cases.spans()) if not cases.collapses(case)]
        at_worst = [
            _with_grown_demand(case, record, site, tables, measured, quantities) for case in worst_cases
        ]
        grown, _ = bounded(grown, worst_of(*at_worst))
    missing = cases.orders_missing
    demands = cases.demands(round(base.demand.interval_s * 1e6), everything)
    spectra_then = high_load_spectra(cases.record(firm_added), site)
    firm_strict = replace(firm_added, source=weakest, law="arithmetic", loads=at_their_most(firm_added.loads))
    spectra_strict = {} if cases.collapses(firm_strict) else high_load_spectra(cases.record(firm_strict), site)
    spectra_then = with_new_orders(spectra_then, firm_added.loads, site)
    spectra_strict = with_new_orders(spectra_strict, firm_strict.loads, site)
    after = [loading(spectrum, site, "with the new load") for spectrum in spectra_then.values()]
    strict = [loading(spectrum, site, "at worst") for spectrum in spectra_strict.values()]
    shares = (_shares(base.loadings), _shares(after), _shares(strict))
    capacity = capacities(site, base.demand, demands, shares, measured)
    ratings = rating_findings(capacity, demands.firm, record, [*_unmet(site, base.demand), *_underived(site, base)])
    scaled = firm_added if firm_added.loads else added
    rooms = []
    if headroom and any(load.bank is None for load in scaled.loads):
        most = at_their_most(scaled.loads)
        strict_cases = [replace(scaled, source=each, law="arithmetic", loads=most) for each in cases.supplies]
        size = addition_va(scaled.loads)
        rooms = Search(tables, record, site, strict_cases, base.demand, quantities, measured, missing).run(size)
        rooms += existing_load_rooms(tables, record, site, base.loads)
    motor_then = motor(cases.record(added), "with the new load") if source is not None else None
    ratings += k_rating_findings(after, strict or after, site, record)
    predictions = [*main, *arithmetic, *without_orders([*grown, *ratings], missing)]
    if cases.may_collapse:
        predictions = unsupplied(predictions)
    findings = [*measured, *predictions, *reported_only(no_diversity, NO_DIVERSITY)]
    worst = base.spectrum
    return replace(
        base,
        findings=replace(base.findings, findings=in_order(findings)),
        demand_then=cases.with_mean_energy(demands.with_feed_in or demands.firm),
        source=source,
        capacity=tuple(capacity),
        rows=tuple(rows_of(measured, main, arithmetic, no_diversity)),
        band=tuple(band),
        resonances=tuple(resonances(site, source, base.loads)),
        transformer=choose_transformer(site, capacity, spectra_strict),
        rooms=tuple(sorted(rooms, key=lambda room: (room.share, room.at_least, room.key))),
        growth=demand_growth(tables, record, site, added, measured, main, grown),
        loadings=(*base.loadings, *after),
        spectrum=None
        if worst is None
        else replace(worst, after=spectra_then[worst.phase].currents if worst.phase in spectra_then else {}),
        motors=(*base.motors, *_known(motor_then)),
        starts=tuple(starts(base.loads, site, weakest, lowest_voltages(record, site))),
        new_neutral=neutral_current(base.loads, site.supply),
        remarks=(*base.remarks, *_remarks(base.loads, source, site)),
        neutral_open=cases.neutral_open,
        counted_on=counted_on(cases, firm_strict, base.demand, capacity, main, shares),
        line_currents={load.name: load.line_current(site.supply) for load in base.loads},
    )


def _check_banks(loads: Sequence[NewLoad], source: SupplyImpedance | None) -> None:
    """A capacitor bank makes a resonance with an impedance: without one nothing about it can be said."""
    banks = [load.name for load in loads if load.bank is not None]
    if banks and (source is None or source.estimated):
        raise SiteError(
            f"new_load {banks[0]!r} is a capacitor bank, and the supply that it resonates with is not declared; "
            "declare [source_impedance], or [pcc] short_circuit_current"
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


def _remarks(loads: Sequence[NewLoad], source: SupplyImpedance | None, site: Site) -> list[str]:
    remarks = []
    for load in loads:
        remarks.append(f"{load.name}: spectrum {load.spectrum.source}")
        if load.bank is not None:
            alone = all(each.bank is not None for each in loads)
            sought = "no largest size is sought" if alone else "what fits is sought of the other loads beside it"
            remarks.append(f"{load.name}: each size of a bank resonates at another order, so {sought}")
            continue
        if load.power_factor is None:
            remarks.append(
                f"{load.name}: no power factor is declared; its current is taken in phase with the one there"
            )
        if load.feeds_in:
            remarks.append(
                f"{load.name} feeds in: ratings, what is spare and determinations do not count on it, and every "
                "criterion has to hold with it and without it; where inverters are 10 % or more of the mean load other "
                "current limits than those of IEEE 519 may govern"
            )
            if load.runs is None:
                remarks.append(
                    f"{load.name} is declared as feeding in at full size all the time; declare its profile, and the "
                    "energy and the exported current are those of its own day"
                )
    if source is None and site.pcc is not None and site.pcc.is_pcc is False and site.pcc.short_circuit_current:
        remarks.append(
            "The declared short-circuit current is that of the PCC, and the place is not the PCC: voltages are not "
            "predicted; declare [source_impedance], or [ratings] transformer and transformer_impedance"
        )
    elif source is None:
        remarks.append("The impedance of the supply is unknown: voltages are not predicted")
    else:
        remarks.append(f"Supply impedance {source.basis}")
        then = Added(tuple(loads), source).supply_then
        resonance = None if then is None else then.resonance
        if resonance is not None:
            remarks.append(f"Capacitors and supply resonate near order {resonance:.1f}")
    return [f"{remark.rstrip('.')}." for remark in remarks]
