"""The supply as one impedance: declared, from the short-circuit current, or estimated from the record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.loads.capacitors import Bank, bank_of, bank_voltage, total_admittance
from pqcheck.loads.channels import mean_channel, phases_of, values_in, voltage_sum
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import Recording, Stream
from pqcheck.physics.network import (
    harmonic_impedance,
    resonance_order,
    source_impedance,
)
from pqcheck.site.site_values import Site

LEAST_CORRELATION = 0.6
MOST_SHARE = 0.2
"""An apparent impedance above a fifth of V/I is no source impedance (house threshold, from no standard)."""
LEAST_PAIRS = 50
LOW_VOLTAGE = 1000.0
LEAST_DAMPING = 1e-3
"""No resonance amplifies a thousand times: resistance that nobody declared damps it before."""
LARGEST_ANGLE = math.atan(5)
"""X/R of a low-voltage supply is at most 5 (common practice): what an estimate near unity power factor hides."""


class SupplyImpedance(Struct, frozen=True):
    """Impedance of one phase at the fundamental in ohm, and of the neutral. `basis` is a sentence.

    `angle_known` False: only the magnitude is known; drops are then taken in line with the current, the largest they
    can be, and harmonic impedances as a pure reactance. `banks` are capacitors at the place. `highest` is what an
    estimated magnitude may be at most. `neutral_known` False: not both parts of the neutral's impedance were declared;
    what is missing is nothing, or with `neutral_as_phase` as large as that of a phase.
    """

    resistance: float
    reactance: float
    neutral_resistance: float = 0.0
    neutral_reactance: float = 0.0
    neutral_known: bool = True
    neutral_as_phase: bool = False
    neutral_moves: int = 0
    """Where angles are unknown: -1, the drop in the neutral lowers every phase by all of it; 1, it lifts every phase;
    0, it is the phasor that the assumed angles make."""
    own_moves: int = 0
    """The same of the drop in a phase; 0: as most loads move it."""
    banks: tuple[Bank, ...] = ()
    angle_known: bool = True
    estimated: bool = False
    highest: float | None = None
    spans: bool = False
    """Formed from a short-circuit current, which may be declared as a span."""
    basis: str = ""

    @property
    def magnitude(self) -> float:
        """Impedance of a phase."""
        return math.hypot(self.resistance, self.reactance)

    @property
    def strictest(self) -> SupplyImpedance:
        """The same supply with the largest impedance it may have."""
        return self if self.highest is None else replace(self, resistance=self.highest, reactance=0.0)

    def upstream(self, order: int) -> complex:
        """Impedance of a phase of the supply alone."""
        resistance, reactance = (self.resistance, self.reactance) if self.angle_known else (0.0, self.magnitude)
        return complex(harmonic_impedance(resistance, reactance, [order])[0])

    def phase_impedance(self, order: int, *, zero_sequence: bool = False) -> complex:
        """Impedance of a phase as a harmonic current sees it, the banks beside it included."""
        return self.upstream(order) * self._share(order, zero_sequence=zero_sequence)

    def neutral_impedance(self, order: int) -> complex:
        """Impedance of the neutral at an order."""
        resistance, reactance = self.neutral_resistance, self.neutral_reactance
        if self.neutral_as_phase:
            own = complex(self.resistance, self.reactance) if self.angle_known or order == 1 else self.upstream(1)
            resistance, reactance = max(resistance, own.real), max(reactance, own.imag)
        return complex(harmonic_impedance(resistance, reactance, [order])[0])

    def amplification(self, order: int, *, zero_sequence: bool = False) -> float:
        """Harmonic current towards the supply over the current of the load."""
        return abs(self._share(order, zero_sequence=zero_sequence))

    def _share(self, order: int, *, zero_sequence: bool) -> complex:
        """Of a current at the place, what flows to the supply and not into the banks."""
        admittance = total_admittance(self.banks, order, zero_sequence=zero_sequence)
        loop = 1 + self.upstream(order) * admittance
        return 1 / loop if abs(loop) > LEAST_DAMPING else complex(1 / LEAST_DAMPING)

    @property
    def resonance(self) -> float | None:
        """Order at which the supply and its banks resonate in parallel: the sharpest between 1.1 and 50."""
        reactance = self.upstream(1).imag
        if not self.banks or not reactance:
            return None
        if len(self.banks) == 1:
            inductive = reactance + self.banks[0].inductive
            return float(resonance_order(inductive, self.banks[0].capacitive))
        orders = np.arange(1.1, 50.0, 0.01)
        with np.errstate(divide="ignore"):
            banks = [1 / (bank.capacitive / orders - orders * bank.inductive) for bank in self.banks]
        return float(orders[np.argmin(np.abs(1 - orders * reactance * np.sum(banks, axis=0)))])


def source_of(site: Site, recording: Recording) -> SupplyImpedance | None:
    """The supply as declared under ``[source_impedance]``, else from ``[pcc]``, else estimated; None when unknown."""
    declared = site.source_impedance
    extra = _extra(site, declared)
    if "resistance" in declared or "reactance" in declared:
        resistance, reactance = _pair(declared)
        basis = f"declared{_basis_words(declared)}: {resistance:g} + j{reactance:g} ohm for each phase"
        return SupplyImpedance(resistance, reactance, **extra, basis=basis)
    impedance = from_short_circuit(site, declared, extra)
    return impedance if impedance is not None else _estimated(recording, site, extra)


def _basis_words(declared: Mapping[str, Any]) -> str:
    return f" ({declared['basis']})" if "basis" in declared else ""


def _pair(declared: Mapping[str, Any]) -> tuple[float, float]:
    ratio = declared.get("x_over_r", Decimal(0))
    resistance, reactance = declared.get("resistance"), declared.get("reactance")
    if resistance is None:
        resistance = reactance / ratio
    if reactance is None:
        reactance = resistance * ratio
    return float(resistance), float(reactance)


def _extra(site: Site, declared: Mapping[str, Any]) -> dict[str, Any]:
    """Neutral impedance and capacitor bank.

    On a single phase a short-circuit current, or what the voltage follows the current with, is that of the whole loop.
    """
    extra: dict[str, Any] = {
        key: float(declared[key]) for key in ("neutral_resistance", "neutral_reactance") if key in declared
    }
    whole = site.supply.connection == "single-phase" and not {"resistance", "reactance"} & declared.keys()
    extra["neutral_known"] = len(extra) == 2 or whole or site.supply.connection == "delta"
    if "capacitor_bank" in declared:
        extra["banks"] = (
            bank_of(
                bank_voltage(site.supply), declared["capacitor_bank"], declared.get("capacitor_detuning", 0),
                grounded=declared.get("capacitor_connection") == "grounded-star",
            ),
        )  # fmt: skip
    return extra


def from_short_circuit(
    site: Site, declared: Mapping[str, Any], extra: Mapping[str, Any], amperes: float | None = None
) -> SupplyImpedance | None:
    """The impedance at the place from the current at the PCC, with the transformer in series where it lies between.

    None where the place is not the PCC and nothing says what lies between.
    """
    pcc, neutral = site.pcc, site.supply.line_to_neutral
    if pcc is None or neutral is None:
        return None
    # The weakest state of the supply has the largest drop.
    smallest = pcc.short_circuit_current_min or pcc.short_circuit_current
    if smallest is None:
        return None
    current = float(smallest) if amperes is None else amperes
    transformer = transformer_impedance(site)
    _object_to_more_than_the_transformer(site, transformer)
    behind = pcc.is_pcc is False
    if behind and transformer is None:
        return None
    which = "smallest short-circuit current" if pcc.short_circuit_current_min else "short-circuit current"
    known = "x_over_r" in declared
    ratio = float(declared.get("x_over_r", 0))
    magnitude = float(neutral) / current
    basis = f"from the {which} {current:g} A at {float(neutral):g} V to neutral"
    if behind and transformer is not None:
        magnitude += transformer
        basis += (
            f" (taken as a current at this voltage, the weakest it can be) in series with the transformer, "
            f"{transformer:.4g} ohm"
        )
    resistance, reactance = source_impedance(float(neutral), float(neutral) / magnitude, ratio).tolist()
    basis += f": {magnitude:.4g} ohm"
    basis += (
        f", X/R = {ratio:g}"
        if known
        else "; X/R is not declared, so voltage drops are taken at their largest and harmonic impedances as reactances"
    )
    return SupplyImpedance(resistance, reactance, **extra, angle_known=known, spans=True, basis=basis)


def transformer_impedance(site: Site) -> float | None:
    """Ohm of one phase of the declared transformer, seen from the side of the nominal voltage: u_k U^2 / S."""
    ratings = site.ratings
    if "transformer" not in ratings or "transformer_impedance" not in ratings:
        return None
    supply = site.supply
    rated_current = float(ratings["transformer"]) / voltage_sum(phases_of(supply), supply)
    return float(ratings["transformer_impedance"]) / 100 * float(supply.line_to_neutral or 0) / rated_current


def _object_to_more_than_the_transformer(site: Site, transformer: float | None) -> None:
    """A place behind a transformer cannot have more short-circuit current than the transformer lets through."""
    pcc, neutral = site.pcc, site.supply.line_to_neutral
    current = None if pcc is None else pcc.short_circuit_current or pcc.short_circuit_current_min
    if pcc is None or pcc.is_pcc is False or transformer is None or neutral is None or current is None:
        return
    # Above 1 kV the transformer may well lie behind the place.
    if float(site.supply.line_to_line or neutral) > LOW_VOLTAGE or float(current) * transformer <= float(neutral):
        return
    raise SiteError(
        f"[pcc] short_circuit_current = {float(current):g} A is more than the declared transformer lets through "
        f"({float(neutral) / transformer:.0f} A); correct one of them, or set is_pcc = false if the current is that of "
        "another point"
    )


def _estimated(recording: Recording, site: Site, extra: Mapping[str, Any]) -> SupplyImpedance | None:
    """From steps of voltage against steps of current, phase by phase; an indication and never proof."""
    for stream in recording.streams:
        slopes = [slope for phase in phases_of(site.supply) if (slope := _slope(stream, phase)) is not None]
        if len(slopes) == len(phases_of(site.supply)):
            value = float(np.mean(slopes))
            # What is seen is |Z| cos(angle of Z - lag of the load): the load near unity power factor hides X.
            lag = _mean_lag(stream, site)
            seen = min(math.cos(lag), math.cos(LARGEST_ANGLE - lag))
            highest = max(slopes) / max(seen, 0.1)
            basis = (
                f"estimated from the record: the voltage follows the current of its phase with {value:.4g} ohm, which "
                f"at this power factor leaves {value:.4g} to {highest:.4g} ohm open (X/R up to 5); an indication, no "
                "proof, and nothing about harmonics: declare [source_impedance]"
            )
            return SupplyImpedance(
                value, 0.0, **extra, angle_known=False, estimated=True, highest=highest, basis=basis
            )
    return None


def _mean_lag(stream: Stream, site: Site) -> float:
    """Angle of the mean load in radians; 0 where active or reactive power was not recorded."""
    sums = []
    for quantity, unit in (("active_power", "W"), ("reactive_power", "var")):
        total = mean_channel(stream, quantity, "total")
        channels = [total] if total is not None else [mean_channel(stream, quantity, p) for p in phases_of(site.supply)]
        known = [channel for channel in channels if channel is not None]
        if len(known) < len(channels):
            return 0.0
        sums.append(
            sum(float(np.nansum(values_in(block.values, channel, unit)))
                for block in stream.blocks(known) for channel in known)
        )  # fmt: skip
    return math.atan2(max(sums[1], 0.0), abs(sums[0])) if sums[0] else 0.0


def _slope(stream: Stream, phase: str) -> float | None:
    """-dV/dI from interval to interval, where sign, size and correlation are those of a source impedance."""
    volts, amperes = mean_channel(stream, "voltage", f"{phase}n"), mean_channel(stream, "current", phase)
    if volts is None or amperes is None:
        return None
    parts: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = [
        (values_in(block.values, volts, "V").copy(), values_in(block.values, amperes, "A").copy())
        for block in stream.blocks((volts, amperes))
    ]
    u, i = np.concatenate([volts for volts, _ in parts]), np.concatenate([amperes for _, amperes in parts])
    return apparent_impedance(u, i)


def apparent_impedance(volts: NDArray[np.float64], amperes: Sequence[float] | NDArray[np.float64]) -> float | None:
    """Apparent source impedance in ohm from one phase, None unless steps show one.

    Regression of voltage steps on current steps; accepted only if negative, correlated, and far below V/I.
    """
    i = np.asarray(amperes, dtype=np.float64)
    du, di = np.diff(volts), np.diff(i)
    good = ~(np.isnan(du) | np.isnan(di))
    du, di = du[good], di[good]
    if len(du) < LEAST_PAIRS or not di.any() or not du.any():
        return None
    slope = float((du * di).sum() / (di * di).sum())
    correlation = float((du * di).sum() / math.sqrt(float((di * di).sum()) * float((du * du).sum())))
    ceiling = MOST_SHARE * float(np.nanmean(volts)) / max(float(np.nanmean(i)), 1e-9)
    if correlation > -LEAST_CORRELATION or not 0 < -slope < ceiling:
        return None
    return -slope
