"""Wiring faults as angles: what each wrong connection of clamps does to the measured power of each phase.

Voltages stand 120 degrees apart. A clamp that belongs to phase y but is read with the voltage of phase x turns the
angle of the power by the angle between the two voltages, a clamp against the arrow by 180 degrees. Every fault is a
triple of multiples of 60 degrees, and no two faults share one. Angles are those of P + jQ in degrees, lagging import
positive. The table is derived from this geometry (docs/method/soundness.md).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import permutations, product
from typing import Any

import numpy as np
from msgspec import Struct

from pqcheck.vet.kept_runs import Array
from pqcheck.vet.time_base import PHASES


class Geometry(Struct, frozen=True):
    """Where the voltages of the channels and the currents of an ordinary load stand [degrees]; `slack` is how far the
    currents of different loads stand apart from that."""

    volts: Mapping[str, float]
    amps: Mapping[str, float]
    slack: float = 0.0


_EVEN = {"a": 0.0, "b": -120.0, "c": 120.0}
EVEN = Geometry(_EVEN, _EVEN)
"""Three voltages 120 degrees apart."""


def high_leg(leg: str) -> Geometry:
    """A delta with one leg tapped in the middle: three-phase loads draw currents 30 degrees from the voltages of the
    two lighting legs, lighting loads draw them in line with these (derived)."""
    before, after = PHASES[PHASES.index(leg) - 1], PHASES[(PHASES.index(leg) + 1) % 3]
    return Geometry({before: 0.0, leg: -90.0, after: 180.0}, {before: 15.0, leg: -90.0, after: 165.0}, 15.0)


class Signature(Struct, frozen=True):
    """A wiring of the three clamps. `source[i]` is the conductor that the i-th current channel really measures, `leads`
    those that the voltage channels measure."""

    source: tuple[str, str, str]
    reversed: tuple[bool, bool, bool]
    leads: tuple[str, str, str] = PHASES

    def turns(self, geometry: Geometry) -> tuple[float, float, float]:
        """What is between voltage and current of each channel beside the angle of the load [degrees]."""
        return tuple(
            geometry.volts[lead] - geometry.amps[conductor] + (180.0 if back else 0.0)
            for lead, conductor, back in zip(self.leads, self.source, self.reversed, strict=True)
        )  # type: ignore[return-value]

    @property
    def offsets(self) -> tuple[float, float, float]:
        """What the fault adds to the angle of each phase where voltages stand 120 degrees apart [degrees]."""
        return self.turns(EVEN)

    @property
    def crossed(self) -> tuple[str, ...]:
        """Channels whose voltage lead sits on another conductor."""
        return tuple(channel for channel, lead in zip(PHASES, self.leads, strict=True) if channel != lead)

    @property
    def moved(self) -> tuple[str, ...]:
        """Channels whose clamp sits on another conductor."""
        return tuple(channel for channel, conductor in zip(PHASES, self.source, strict=True) if channel != conductor)

    @property
    def backwards(self) -> tuple[str, ...]:
        """Channels whose clamp sits against the arrow."""
        return tuple(channel for channel, back in zip(PHASES, self.reversed, strict=True) if back)

    @property
    def complexity(self) -> int:
        """How many mistakes it takes: a set turned as a whole is one, and so is a set reversed as a whole."""
        back = len(self.backwards)
        return bool(self.moved) + bool(self.crossed) + (1 if back == 3 else back)

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.moved and not self.backwards and not self.crossed

    def words(self) -> str:
        """The fault in words."""
        parts = [f"voltage leads {self.crossed[0]} and {self.crossed[1]} crossed"] if self.crossed else []
        if len(self.moved) == 2:
            parts.append(f"clamps {self.moved[0]} and {self.moved[1]} swapped")
        elif self.moved:
            chain = ", ".join(f"channel {channel} on conductor {conductor}"
                              for channel, conductor in zip(PHASES, self.source, strict=True))
            parts.append(f"clamps rotated ({chain})")
        if len(self.backwards) == 3:
            parts.append("all clamps reversed")
        elif self.backwards:
            names = " and ".join(self.backwards)
            parts.append(f"clamp {names} reversed" if len(self.backwards) == 1 else f"clamps {names} reversed")
        return " and ".join(parts) if parts else "connected right"


ALL = tuple(
    Signature(source, back)  # type: ignore[arg-type]
    for source in permutations(PHASES)
    for back in product((False, True), repeat=3)
)
CROSSED = tuple(
    Signature(PHASES, back, leads)  # type: ignore[arg-type]
    for leads in (("b", "a", "c"), ("a", "c", "b"), ("c", "b", "a"))
    for back in product((False, True), repeat=3)
)
"""Two voltage leads crossed: the mirror image of two swapped clamps. Rotated leads are rotated clamps."""
SOUND = Signature(("a", "b", "c"), (False, False, False))


def wrapped(angle: Any) -> Any:
    """Angles [degrees] brought to -180 (excluded) to 180."""
    return 180.0 - np.mod(180.0 - np.asarray(angle, np.float64), 360.0)


def implied(angles: Array, signature: Signature, geometry: Geometry = EVEN) -> Array:
    """Load angles [degrees] that the measured ones mean if the wiring is `signature`; shape (3,) or (3, n)."""
    shift = np.asarray(signature.turns(geometry))
    return np.asarray(wrapped(angles - (shift if angles.ndim == 1 else shift[:, None])))


def explanations(
    angles: Array, geometry: Geometry, loads: tuple[float, float], ordinary: tuple[float, float], apart: float
) -> list[Signature]:
    """Wirings under which the middle angles of the three phases [degrees] are those of loads: fewest mistakes first,
    then by how ordinary the loads would be.

    `loads` are the angles that loads have at all, `ordinary` those of ordinary ones, `apart` how far those of the
    phases may be apart [degrees]; the first and the last are widened by the slack of the geometry.
    """
    low, high = loads[0] - geometry.slack, loads[1] + geometry.slack
    kept = []
    for cost, signature in ranked(angles, *ordinary, geometry, (*ALL, *CROSSED)):
        load = implied(angles, signature, geometry)
        if load.min() >= low and load.max() <= high and load.max() - load.min() <= apart + 2 * geometry.slack:
            kept.append((signature.complexity, cost, signature))
    return [signature for _, _, signature in sorted(kept, key=lambda entry: entry[:2])]


def ranked(
    angles: Array, low: float, high: float, geometry: Geometry = EVEN, among: Sequence[Signature] = ALL
) -> list[tuple[float, Signature]]:
    """Signatures by how ordinary the load would be, best first.

    Parameters: `angles` middle angles of the three phases [degrees], `low` and `high` the load angles taken as
    ordinary [degrees]. The cost is the distance outside that range, plus half the spread between the phases, plus
    three degrees per mistake.
    """
    costs = []
    for signature in among:
        load = implied(angles, signature, geometry)
        outside = float(np.maximum(0.0, np.maximum(load - high, low - load)).sum())
        spread = float(load.max() - load.min())
        costs.append((outside + spread / 2 + 3.0 * signature.complexity, signature))
    return sorted(costs, key=lambda pair: (pair[0], pair[1].complexity, pair[1].source, pair[1].reversed))


def cosine_fit(ratios: Array, within: float, steepest: float) -> list[Signature]:
    """Signatures that explain P/(V I) of the three phases [1] with one common load angle of 0 to `steepest` degrees.

    For recordings without reactive power. Ordered by complexity, then by misfit (largest deviation, below `within`).
    """
    fits = []
    for signature in (*ALL, *CROSSED):
        shift = np.radians(np.asarray(signature.offsets))
        grid = np.radians(np.arange(0.0, steepest + 1, 2.5))
        misfit = np.abs(np.cos(grid[:, None] + shift[None, :]) - ratios[None, :]).max(axis=1).min()
        if misfit <= within:
            fits.append((signature.complexity, float(misfit), signature))
    return [signature for _, _, signature in sorted(fits, key=lambda entry: (entry[0], entry[1]))]
