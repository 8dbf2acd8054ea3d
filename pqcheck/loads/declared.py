"""Declared new loads as the study uses them: fundamental power at nominal voltage, spectrum, when they run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.loads.capacitors import Bank, bank_of, bank_voltage
from pqcheck.loads.channels import phases_of, voltage_sum
from pqcheck.loads.schedule import Runs, Schedule, profile_file
from pqcheck.loads.spectra import LoadSpectrum, filtered, spectrum_of
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site, Supply

LEAST_LEADING = 0.3
"""Below this leading power factor a load is a capacitor bank for all purposes of a study (house threshold)."""


class NewLoad(Struct, frozen=True):
    """A load to be added, all pieces together.

    `apparent_va` is the fundamental apparent power at nominal voltage, positive; `active_w` its signed active part, or
    None when no power factor was declared: the current is then taken in phase with the load that is there.
    `constant_current`: declared in amperes, which then stay; else the power stays whatever the voltage.
    """

    name: str
    phases: tuple[str, ...]
    apparent_va: float
    power_factor: float | None
    leading: bool
    feeds_in: bool
    constant_current: bool
    spectrum: LoadSpectrum
    runs: Runs
    continuous: bool
    sized_by_va: bool = False
    same_kind: bool = False
    """Its harmonics have the angles of those that are there (drives of one kind), so they add arithmetically."""
    behaviour: str = ""
    """``power``, ``current`` or ``impedance``: what stays when the voltage changes; empty where nobody declared it."""
    tolerance: float = 0.0
    """By how much, as a share, each order may be larger."""
    power_factor_span: tuple[float, ...] = ()
    diversity: float = 1.0
    """Share of the pieces that `apparent_va` counts (a demand factor); all at once are more by its inverse."""
    managed: str = ""
    """What a load management lets it draw at most, in words; it holds whatever runs."""
    steps: int = 1
    """Equal steps in which a capacitor bank is switched."""
    bank: Bank | None = None
    """Set for a capacitor bank: it has no current of its own, it changes the impedance for all others."""
    pieces: int = 1
    at_once: int | None = None
    """Pieces that start at once; None: all."""
    starts_per_hour: float | None = None
    start_shape: float = 1.0
    conductor: complex = 0j
    """Impedance of one conductor from the place to the load, ohm."""
    start_multiple: float | None = None
    start_power_factor: float | None = None

    def with_orders_times(self, by: float) -> NewLoad:
        """The same load with every order `by` times as large."""
        percent = {order: value * by for order, value in self.spectrum.percent.items()}
        return replace(self, spectrum=LoadSpectrum(percent, self.spectrum.source))

    def with_power_factor(self, factor: float) -> NewLoad:
        """The same active power (without one: the same apparent power) at another power factor."""
        known = self.power_factor
        apparent = self.apparent_va if known is None or self.sized_by_va else self.apparent_va * known / factor
        return replace(self, power_factor=factor, apparent_va=apparent)

    @property
    def angle_known(self) -> bool:
        """Whether the angle of its fundamental current follows from what is declared."""
        return self.power_factor is not None

    @property
    def rms_va(self) -> float:
        """Apparent power with the harmonics, at nominal voltage."""
        return self.apparent_va * self.spectrum.rms_ratio

    @property
    def active_w(self) -> float | None:
        """Signed active power."""
        if self.power_factor is None:
            return None
        return self.apparent_va * self.power_factor * (-1 if self.feeds_in else 1)

    @property
    def reactive_var(self) -> float | None:
        """Reactive power, positive lagging."""
        if self.power_factor is None:
            return None
        size = self.apparent_va * math.sqrt(max(0.0, 1 - self.power_factor**2))
        return -size if self.leading else size

    def share(
        self, starts_us: NDArray[np.int64], interval_us: int, zone: str, *, largest: bool = True
    ) -> NDArray[np.float64]:
        """Share of the size in each interval: the largest that the interval touches, or the mean over it."""
        if self.runs is None:
            return np.ones(len(starts_us))
        return self.runs.share(starts_us, interval_us, zone, largest=largest)

    def line_current(self, supply: Supply) -> float:
        """Rms line current at nominal voltage, in A; positive whichever way the power flows."""
        return self.rms_va / voltage_sum(self.phases, supply)

    def scaled(self, by: float) -> NewLoad:
        """The same load `by` times as large."""
        bank = self.bank
        if bank is not None:
            bank = None if not by else replace(bank, capacitive=bank.capacitive / by, inductive=bank.inductive / by)
        return replace(self, apparent_va=self.apparent_va * by, bank=bank)


def new_loads(site: Site) -> tuple[NewLoad, ...]:
    """Every declared new load. Raises `SiteError` for one that cannot be connected, sized or timed so."""
    return tuple(_load(declared, number, site) for number, declared in enumerate(site.new_load, start=1))


def _load(declared: Mapping[str, Any], number: int, site: Site) -> NewLoad:
    where = f"new_load[{number}] ({declared['name']})"
    supply = site.supply
    phases = tuple(declared["phases"]) or phases_of(supply)
    _check_phases(phases, supply, where)
    if "reactive_power" in declared:
        return _capacitor(declared, phases, where, supply)
    spectrum = filtered(spectrum_of(declared, where), declared.get("active_filter"))
    factor = float(declared["power_factor"]) if "power_factor" in declared else None
    count = declared["count"]
    feeds_in = False
    if "active_power" in declared:
        if factor is None:
            raise SiteError(f"{where} has an active power and no power_factor; declare it, 1 for a heater")
        size = float(declared["active_power"])
        apparent = abs(size) / factor
    elif "apparent_power" in declared:
        size = float(declared["apparent_power"])
        apparent = abs(size) / spectrum.rms_ratio
    else:
        size = float(declared["current"])
        apparent = size * voltage_sum(phases, supply) / spectrum.rms_ratio
    feeds_in = size < 0
    if declared.get("reactive") == "leading" and factor is not None and factor < LEAST_LEADING:
        raise SiteError(
            f"{where} draws almost nothing but leading reactive power (power_factor = {factor:g}), as a capacitor bank "
            'does; declare it with kind = "capacitor" and reactive_power, so that its resonance is predicted'
        )
    if feeds_in and factor is None:
        raise SiteError(f"{where} feeds in and has no power_factor; declare it, 1 for most inverters")
    runs: Runs = None
    if "schedule" in declared:
        runs = Schedule(declared["schedule"]["hours"], declared["schedule"]["weekdays"])
    elif "profile" in declared:
        active = size if "active_power" in declared else None
        runs = profile_file(Path(declared["profile"]), active, site.time_zone, where)
    apparent, diversity, managed = _lowered(declared, apparent * count, factor, spectrum, phases, supply, where)
    return NewLoad(
        name=declared["name"],
        phases=phases,
        apparent_va=apparent,
        diversity=diversity,
        managed=managed,
        power_factor=factor,
        leading=declared.get("reactive") == "leading",
        feeds_in=feeds_in,
        constant_current=declared.get("behaviour", "current" if "current" in declared else "power") == "current",
        behaviour=declared.get("behaviour", "current" if "current" in declared else ""),
        sized_by_va="active_power" not in declared,
        tolerance=float(declared.get("spectrum_tolerance", 0)) / 100,
        power_factor_span=tuple(declared.get("power_factor_span", ())),
        spectrum=spectrum,
        runs=runs,
        continuous=declared["continuous"],
        same_kind=declared["same_kind_as_existing"],
        pieces=count,
        at_once=declared.get("starts_at_once"),
        starts_per_hour=float(declared["starts_per_hour"]) if "starts_per_hour" in declared else None,
        start_shape=float(declared.get("start_shape_factor", 1)),
        conductor=complex(declared.get("conductor_resistance", 0), declared.get("conductor_reactance", 0)),
        start_multiple=float(declared["start_multiple"]) if "start_multiple" in declared else None,
        start_power_factor=float(declared["start_power_factor"]) if "start_power_factor" in declared else None,
    )


def _lowered(
    declared: Mapping[str, Any],
    apparent: float,
    factor: float | None,
    spectrum: LoadSpectrum,
    phases: tuple[str, ...],
    supply: Supply,
    where: str,
) -> tuple[float, float, str]:
    """Fundamental apparent power under a demand factor and a load management, the factor, and the limit in words."""
    diversity = float(declared.get("demand_factor", 100)) / 100
    lowered = apparent * diversity
    if "managed_at_most" not in declared:
        return lowered, diversity, ""
    value, unit = declared["managed_at_most"]
    if unit == "W" and factor is None:
        raise SiteError(f"{where} is managed in watts and has no power_factor; declare it, or write the limit in kVA")
    if unit == "W":
        limit = float(value) / (factor or 1.0)
    else:
        limit = float(value) * (voltage_sum(phases, supply) if unit == "A" else 1.0) / spectrum.rms_ratio
    # The management holds whatever would run at once, so that nothing more than its limit ever does.
    least = min(lowered, limit)
    at_once = min(apparent, limit)
    scale, name = {"W": (1000, "kW"), "VA": (1000, "kVA"), "A": (1, "A")}[unit]
    return least, least / at_once, f"{float(value) / scale:g} {name}"


def _capacitor(
    declared: Mapping[str, Any], phases: tuple[str, ...], where: str, supply: Supply
) -> NewLoad:
    """A capacitor bank: leading reactive power, and an impedance beside that of the supply at every order."""
    if len(phases) < len(phases_of(supply)):
        raise SiteError(f"{where}: a capacitor bank is studied on all phases of the supply; leave phases away")
    reactive = float(declared["reactive_power"]) * declared["count"]
    grounded = declared.get("connection") == "grounded-star" or len(phases) < 3
    return NewLoad(
        name=declared["name"], phases=phases, apparent_va=reactive, power_factor=0.0, leading=True, feeds_in=False,
        constant_current=False, spectrum=LoadSpectrum({}, "none: a capacitor bank"), runs=None, continuous=True,
        steps=declared.get("steps", 1),
        bank=bank_of(bank_voltage(supply), reactive, declared.get("detuning", 0), grounded=grounded),
    )  # fmt: skip


def _check_phases(phases: tuple[str, ...], supply: Supply, where: str) -> None:
    known = phases_of(supply)
    unknown = [phase for phase in phases if phase not in known]
    if unknown or len(set(phases)) != len(phases):
        raise SiteError(
            f"{where}: phases {', '.join(phases)} do not fit a {supply.connection} supply; it has "
            f"{', '.join(known)}, each once"
        )
    if len(phases) == 1 and supply.connection == "delta":
        raise SiteError(f"{where}: a delta supply has no neutral to connect one phase to; name two or three phases")


def firm(loads: Sequence[NewLoad]) -> tuple[NewLoad, ...]:
    """The loads without those that feed in: nothing may count on these."""
    return tuple(load for load in loads if not load.feeds_in)


def feed_in_currents(loads: Sequence[NewLoad], supply: Supply) -> dict[str, float]:
    """Nominal amperes by phase of what feeds in: what flows out while nothing else runs."""
    amperes: dict[str, float] = {}
    for load in loads:
        for phase in load.phases if load.feeds_in else ():
            amperes[phase] = amperes.get(phase, 0.0) + load.line_current(supply)
    return amperes


def addition_va(loads: Sequence[NewLoad]) -> float:
    """Apparent power of what draws power; of everything where nothing does (feed-in alone, a bank alone)."""
    drawing = [load for load in loads if not load.feeds_in and load.bank is None]
    return sum(load.rms_va for load in drawing or loads)


def check_runs(loads: tuple[NewLoad, ...], recording: Recording) -> None:
    """Raise `SiteError` for a load that never runs within the recording: its prediction would be the measurement."""
    for load in loads:
        if load.runs is None:
            continue
        for stream in recording.streams:
            axis = stream.axis
            starts = axis.start_us + axis.interval_us * np.arange(axis.count, dtype=np.int64)
            if load.share(starts, axis.interval_us, recording.zone).any():
                break
        else:
            raise SiteError(
                f"new_load {load.name!r}: its schedule never runs within the recording; change hours or "
                "weekdays, or record when it would run"
            )
