"""Numbers that a file gives relative to something else, turned into the unit of their channel while they are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.errors import InputError
from pqcheck.physics.distortion import thd_f_from_thd_r
from pqcheck.readers.columns import SCALED_UNITS
from pqcheck.readers.table import Decoded, Slab
from pqcheck.recording import Channel, Values
from pqcheck.site.model import Site

THD_R = "thd-r"
DIGITS = 9
"""Decimals of volts that scaled readings keep."""


def scales_of(
    channels: Mapping[int, Channel], site: Site | None
) -> tuple[dict[int, Channel], dict[int, float | str]]:
    """Channels in their own units, and what their columns are scaled by; InputError when a nominal is missing."""
    kept, scales = dict(channels), dict[int, float | str]()
    for column, channel in channels.items():
        if channel.unit not in SCALED_UNITS.get(channel.quantity, ()):
            continue
        if channel.unit == "% of rms":
            kept[column], scales[column] = replace(channel, unit="%"), THD_R
            continue
        nominal = site.supply.nominal(channel.phase or "") if site is not None else None
        if nominal is None:
            raise InputError(
                f"{channel.name} is in {channel.unit}, which needs the nominal voltage; declare nominal_voltage under "
                "[supply] in the site file"
            )
        kept[column] = replace(channel, unit="V")
        scales[column] = nominal_factor(channel.unit, float(nominal))
    return kept, scales


class Scaled(Struct, frozen=True):
    """A decoder behind which some columns are multiplied, or converted from distortion relative to the rms value."""

    decode: Callable[[Slab, Sequence[int]], Decoded]
    scales: Mapping[int, float | str]

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """The asked columns of one slab, in the units of their channels."""
        found = self.decode(slab, columns)
        values = [
            _scaled(array, self.scales[column]) if column in self.scales else array
            for column, array in zip(columns, found.values, strict=True)
        ]
        # What is no distortion of a fundamental at all becomes blank.
        return replace(found, values=values, blank=None)


def _scaled(values: Values, scale: float | str) -> Values:
    if scale == THD_R:
        return thd_f_from_thd_r(values)
    # Readings have few digits: rounding far behind the last of them gives the product as on paper (1.1 x 230 = 253).
    product: Values = np.round(values * float(scale), DIGITS)
    return product


def nominal_factor(unit: str, nominal: float) -> float:
    """What readings in per unit or in percent of the nominal are multiplied with to be in volts."""
    return nominal if unit == "pu" else nominal / 100
