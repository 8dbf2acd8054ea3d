"""Numbers that a file gives in another unit than its channel's, turned into it while they are read.

Per unit and percent of the nominal, distortion relative to the rms value, and one channel in several units over
several files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from functools import partial

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.decoder import Chunk, Decoder, Filled, Ground, Move, SharedColumns, Table, one_of_each
from pqcheck.io.headers.exact_names import SCALED_UNITS
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Channel, Note, Values
from pqcheck.model.units import factor
from pqcheck.physics.distortion import thd_f_from_thd_r
from pqcheck.site.site_values import Site

THD_R = "thd-r"
DIGITS = 9
"""Decimals of volts that scaled readings keep."""

_DIGITS = 15
"""Every decimal of so many digits is told apart by float64; float32 tells 6."""
_DIGITS_NARROW = 6
_LARGEST_STEP = 22
"""The largest power of ten that float64 holds exactly."""


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


class Converted(Struct, frozen=True):
    """A decoder behind which the readings of some columns are converted; those in `single` are stored as float32."""

    decoder: Decoder
    conversions: Mapping[int, Callable[[Values], Values]]
    single: frozenset[int]

    def fill(self, chunk: Chunk, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]) -> Filled:
        """Write the asked columns of a chunk to their places, in the units of their channels."""
        filled = self.decoder.fill(chunk, columns, rows, moves)
        for column, row in zip(columns, rows, strict=True):
            conversion = self.conversions.get(column)
            for to, _, size in moves if conversion is not None else ():
                readings = row[to : to + size]
                # A reading of few digits is converted as such in the width in which it was written.
                stored = readings.astype(np.float32) if column in self.single else readings
                row[to : to + size] = conversion(stored)  # type: ignore[misc]
        return filled


def converted(decoder: Decoder, scales: Mapping[int, float | str], single: frozenset[int] = frozenset()) -> Decoder:
    """The decoder with some of its columns scaled (see `scales_of`)."""
    conversions = {column: partial(_scaled, scale=scale) for column, scale in scales.items()}
    return Converted(decoder, conversions, single) if scales else decoder


def _scaled(values: Values, scale: float | str) -> Values:
    if scale == THD_R:
        return thd_f_from_thd_r(values)
    # Readings have few digits: rounding far behind the last of them gives the product as on paper (1.1 x 230 = 253).
    product: Values = np.round(values * float(scale), DIGITS)
    return product


def nominal_factor(unit: str, nominal: float) -> float:
    """What readings in per unit or in percent of the nominal are multiplied with to be in volts."""
    return nominal if unit == "pu" else nominal / 100


def in_one_unit(tables: Sequence[Table]) -> list[Table]:
    """The tables with every channel in one unit: that of the reports where a file uses it, else the first one's.

    Only powers of ten are bridged (kV and V); percent and volts of one channel stay apart and are refused later.
    """
    written: dict[object, list[Channel]] = {}
    for table in one_of_each(tables):
        for channel in table.channels.values():
            seen = written.setdefault(channel.key, [])
            if channel.unit not in [each.unit for each in seen]:
                seen.append(channel)
    wanted = {key: _common(seen) for key, seen in written.items() if len(seen) > 1}
    if not wanted:
        return list(tables)
    shared = SharedColumns()
    return [shared.of(_converted(table, wanted)) for table in tables]


def _common(seen: Sequence[Channel]) -> str:
    canonical = QUANTITIES[seen[0].quantity].unit
    units = [channel.unit for channel in seen]
    return canonical if canonical in units else units[0]


def _converted(table: Table, wanted: Mapping[object, str]) -> Table:
    channels, grounds, notes = dict(table.channels), dict(table.grounds), list(table.notes)
    powers: dict[int, int] = {}
    for column, channel in table.channels.items():
        unit = wanted.get(channel.key, channel.unit)
        power = _power_of_ten(channel.unit, unit) if unit != channel.unit else None
        if power is None:
            continue
        powers[column] = power
        channels[column] = replace(channel, unit=unit)
        ground = grounds.get(column, Ground("certain", "named so"))
        grounds[column] = replace(ground, why=f"{ground.why}; written in {channel.unit}, read in {unit}")
        notes.append(
            Note(
                "unit-converted",
                f"{table.name}: {channel.name} is written in {channel.unit} here and in {unit} in another file; read "
                f"in {unit}, each reading moved by {abs(power)} decimal places",
                (channels[column],),
            )
        )
    if not powers:
        return table
    conversions = {column: partial(moved_point, places=power) for column, power in powers.items()}
    decoder = Converted(table.decoder, conversions, table.narrow)
    return replace(table, channels=channels, grounds=grounds, notes=tuple(notes), decoder=decoder)


def _power_of_ten(unit_from: str, unit_to: str) -> int | None:
    """By how many places the decimal point moves; None when the units are no power of ten apart."""
    if "%" in unit_from + unit_to or not unit_from or not unit_to:
        return None
    step = factor(unit_from, unit_to)
    power = step.adjusted()
    return power if step == Decimal(1).scaleb(power) else None


def moved_point(values: Values, places: int) -> Values:
    """The readings times ten to `places`, as if their shortest decimals had been written so: 0.2301 kV is 230.1 V.

    Same type as `values`; NaN stays. A plain product would give 230.10000000000002.
    """
    narrow = values.dtype == np.float32
    result = np.full(values.size, np.nan, values.dtype)
    left = np.isfinite(values)
    result[~left] = values[~left]
    # Find the decimal n / 10^d that a reading stands for; n / 10^(d - places) is then rounded once, as if parsed.
    for decimals in range(max(0, places), _LARGEST_STEP + 1 + min(0, places)):
        if not left.any():
            return result
        if decimals > max(0, places) + (_DIGITS_NARROW if narrow else _DIGITS):
            break
        step = float(10**decimals)
        whole = np.rint(values.astype(np.float64) * step)
        exact = left & ((whole / step).astype(values.dtype) == values)
        exact &= np.abs(whole) < 10.0 ** (_DIGITS_NARROW if narrow else _DIGITS)
        result[exact] = (whole[exact] / float(10 ** (decimals - places))).astype(values.dtype)
        left &= ~exact
    for at in np.flatnonzero(left).tolist():
        result[at] = values.dtype.type(float(Decimal(str(values[at])).scaleb(places)))
    return result
