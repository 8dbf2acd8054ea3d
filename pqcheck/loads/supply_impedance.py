"""The supply as one impedance: declared, from the short-circuit current, or estimated from the record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.loads.channels import mean_channel, phases_of, values_in
from pqcheck.model.recording import Recording, Stream
from pqcheck.physics.network import (
    current_amplification,
    harmonic_impedance,
    impedance_beside_capacitor,
    resonance_order,
    source_impedance,
    star_reactance,
)
from pqcheck.site.site_values import Site

LEAST_CORRELATION = 0.6
MOST_SHARE = 0.2
"""An apparent impedance above a fifth of V/I is no source impedance (house threshold, from no standard)."""
LEAST_PAIRS = 50


class SupplyImpedance(Struct, frozen=True):
    """Impedance of one phase at the fundamental in ohm, and of the neutral. `basis` is a sentence.

    `angle_known` False: only the magnitude is known; drops are then taken in line with the current, the largest they
    can be, and harmonic impedances as a pure reactance. `capacitor` is the star reactance of a bank at the place.
    """

    resistance: float
    reactance: float
    neutral_resistance: float = 0.0
    neutral_reactance: float = 0.0
    capacitor: float | None = None
    angle_known: bool = True
    estimated: bool = False
    basis: str = ""

    @property
    def magnitude(self) -> float:
        """Impedance of a phase."""
        return math.hypot(self.resistance, self.reactance)

    def phase_impedance(self, order: int) -> complex:
        """Impedance of a phase as a harmonic current sees it, the bank beside it included."""
        resistance, reactance = (self.resistance, self.reactance) if self.angle_known else (0.0, self.magnitude)
        if self.capacitor is None:
            return complex(harmonic_impedance(resistance, reactance, [order])[0])
        return complex(impedance_beside_capacitor(resistance, reactance, self.capacitor, [order])[0])

    def neutral_impedance(self, order: int) -> complex:
        """Impedance of the neutral at an order."""
        return complex(harmonic_impedance(self.neutral_resistance, self.neutral_reactance, [order])[0])

    def amplification(self, order: int) -> float:
        """Harmonic current towards the supply over the current of the load."""
        if self.capacitor is None:
            return 1.0
        resistance, reactance = (self.resistance, self.reactance) if self.angle_known else (0.0, self.magnitude)
        return float(current_amplification(resistance, reactance, self.capacitor, [order])[0])

    @property
    def resonance(self) -> float | None:
        """Order of the parallel resonance with the bank."""
        if self.capacitor is None:
            return None
        reactance = self.reactance if self.angle_known else self.magnitude
        return float(resonance_order(reactance, self.capacitor)) if reactance else None


def source_of(site: Site, recording: Recording) -> SupplyImpedance | None:
    """The supply as declared under ``[source_impedance]``, else from ``[pcc]``, else estimated; None when unknown."""
    declared = site.source_impedance
    extra = _extra(site, declared)
    if "resistance" in declared or "reactance" in declared:
        resistance, reactance = _pair(declared)
        basis = f"declared{_basis_words(declared)}: {resistance:g} + j{reactance:g} ohm for each phase"
        return SupplyImpedance(resistance, reactance, **extra, basis=basis)
    impedance = _from_short_circuit(site, declared, extra)
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
    """Neutral impedance and capacitor bank."""
    extra: dict[str, Any] = {
        key: float(declared[key]) for key in ("neutral_resistance", "neutral_reactance") if key in declared
    }
    if "capacitor_bank" in declared:
        line = site.supply.line_to_line if site.supply.line_to_line is not None else site.supply.line_to_neutral
        extra["capacitor"] = float(star_reactance(float(line or 0), float(declared["capacitor_bank"])))
    return extra


def _from_short_circuit(site: Site, declared: Mapping[str, Any], extra: Mapping[str, Any]) -> SupplyImpedance | None:
    pcc = site.pcc
    if pcc is None:
        return None
    # The weakest state of the supply has the largest drop.
    current = pcc.short_circuit_current_min or pcc.short_circuit_current
    neutral = site.supply.line_to_neutral
    if current is None or neutral is None:
        return None
    which = "smallest short-circuit current" if pcc.short_circuit_current_min else "short-circuit current"
    known = "x_over_r" in declared
    ratio = float(declared.get("x_over_r", 0))
    resistance, reactance = source_impedance(float(neutral), float(current), ratio).tolist()
    basis = (
        f"from the {which} {float(current):g} A at {float(neutral):g} V to neutral: {float(neutral / current):.4g} ohm"
    )
    basis += (
        f", X/R = {ratio:g}"
        if known
        else "; X/R is not declared, so voltage drops are taken at their largest and harmonic impedances as reactances"
    )
    return SupplyImpedance(resistance, reactance, **extra, angle_known=known, basis=basis)


def _estimated(recording: Recording, site: Site, extra: Mapping[str, Any]) -> SupplyImpedance | None:
    """From steps of voltage against steps of current, phase by phase; an indication and never proof."""
    for stream in recording.streams:
        slopes = [slope for phase in phases_of(site.supply) if (slope := _slope(stream, phase)) is not None]
        if len(slopes) == len(phases_of(site.supply)):
            value = float(np.mean(slopes))
            basis = (
                f"estimated from the record: the voltage follows the current of its phase with {value:.4g} ohm (an "
                "indication for the present power factor, no proof; declare [source_impedance])"
            )
            return SupplyImpedance(value, 0.0, **extra, angle_known=False, estimated=True, basis=basis)
    return None


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
