"""What a person declares about the place, the instrument and the recording: frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from msgspec import Struct, field


class Supply(Struct, frozen=True):
    """The supply at the measuring point. Voltages in volts.

    `line_to_line` / `line_to_neutral` are the declared nominal and its partner of the standard series
    (`pqcheck.site.supply.PARTNERS`); `line_to_line` is None on a single-phase service.
    `designation` is the text as declared.
    """

    designation: str
    line_to_line: Decimal | None
    line_to_neutral: Decimal | None
    connection: str
    frequency: Decimal | None = None
    measured_at: str = "service"
    nominal_basis: str | None = None
    high_leg: str | None = None

    def nominal(self, phase: str) -> Decimal | None:
        """Nominal voltage of a phase: line-to-neutral for an, bn, cn; line-to-line for ab, bc, ca; else None."""
        if phase in ("an", "bn", "cn"):
            return self.line_to_neutral
        if phase in ("ab", "bc", "ca"):
            return self.line_to_line
        return None


class Pcc(Struct, frozen=True):
    """Facts of the point of common coupling, currents in amperes."""

    is_pcc: bool | None = None
    short_circuit_current: Decimal | None = None
    short_circuit_current_min: Decimal | None = None
    maximum_demand_current: Decimal | None = None
    demand_basis: str | None = None
    maximum_demand_current_span: tuple[Decimal, Decimal] | None = None
    rated_current: Decimal | None = None


class Generation(Struct, frozen=True):
    """Generation on site; `inverter_share` in percent of the average load demand."""

    declared: bool = False
    inverter_share: Decimal | None = None
    facility: bool = False


class Reading(Struct, frozen=True):
    """How the recording is to be read."""

    stamp: str | None = None
    interval_us: int | None = None
    extremes_of_us: int | None = None
    thd_to_order: int | None = None
    """The order up to which the recorder's THD sums."""
    columns: Mapping[str, str] = field(default_factory=dict)
    more: Mapping[str, Any] = field(default_factory=dict)
    """Any further keys of ``[recording]`` (dialect, time format ...), as declared."""


class Exclusion(Struct, frozen=True):
    """A span declared out of the count, half-open UTC microseconds."""

    from_us: int
    to_us: int
    reason: str
    author: str
    clause: str | None = None


class Correction(Struct, frozen=True):
    """A declared correction: reverse-current, swap-currents, scale, shift-time or trim."""

    kind: str
    reason: str
    author: str
    settings: Mapping[str, Any] = field(default_factory=dict)


class Criterion(Struct, frozen=True):
    """A time criterion where the standard gives none, and whose policy it is."""

    table: str
    range: str
    at_least_percent: Decimal
    period: str
    policy_of: str


class Coverage(Struct, frozen=True):
    """The share of data from which the valid values may decide, and whose policy that is."""

    at_least_percent: Decimal
    policy_of: str


class Site(Struct, frozen=True):
    """A site file. `declared` is the document as written, for the findings file (paths and order removed)."""

    name: str
    time_zone: str | None
    supply: Supply
    pcc: Pcc | None = None
    generation: Generation = Generation()
    recording: Reading = Reading()
    events: Mapping[str, Any] = field(default_factory=dict)
    """When events were monitored: `from_us`, `to_us`, `complete`, and `aggregate_us` (see `events_from`)."""
    exclusions: tuple[Exclusion, ...] = ()
    corrections: tuple[Correction, ...] = ()
    criteria: tuple[Criterion, ...] = ()
    coverage: Coverage | None = None
    apply: tuple[str, ...] = ()
    quantities: tuple[str, ...] = ()
    may_not_apply: tuple[str, ...] = ()
    """Ids of limit tables of which no rule need be judged."""
    instrument: Mapping[str, Any] = field(default_factory=dict)
    ratings: Mapping[str, Any] = field(default_factory=dict)
    reported: tuple[Mapping[str, Any], ...] = ()
    spot_checks: tuple[Mapping[str, Any], ...] = ()
    new_load: tuple[Mapping[str, Any], ...] = ()
    variants: tuple[Mapping[str, Any], ...] = ()
    source_impedance: Mapping[str, Any] = field(default_factory=dict)
    load_study: Mapping[str, Any] = field(default_factory=dict)
    tariff: Mapping[str, Any] = field(default_factory=dict)
    scenario: Mapping[str, Any] = field(default_factory=dict)
    gate: Mapping[str, Any] = field(default_factory=dict)
    report: Mapping[str, Any] = field(default_factory=dict)
    waivers: Mapping[str, Any] = field(default_factory=dict)
    declared: Mapping[str, Any] = field(default_factory=dict)
