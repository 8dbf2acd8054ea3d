"""One channel in several units over several files: brought to one of them, exactly, while it is decoded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.quantities import QUANTITIES
from pqcheck.readers.alike import Alike, one_of_each
from pqcheck.readers.table import Decoded, Ground, Slab, Table
from pqcheck.recording import Channel, Note, Values
from pqcheck.units import factor

_DIGITS = 15
"""Every decimal of so many digits is told apart by float64; float32 tells 6."""
_DIGITS_NARROW = 6
_LARGEST_STEP = 22
"""The largest power of ten that float64 holds exactly."""


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
    alike = Alike()
    return [alike.shared(_converted(table, wanted)) for table in tables]


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
    decode = _Shifted(table.decode, powers)
    return replace(table, channels=channels, grounds=grounds, notes=tuple(notes), decode=decode)


def _power_of_ten(unit_from: str, unit_to: str) -> int | None:
    """By how many places the decimal point moves; None when the units are no power of ten apart."""
    if "%" in unit_from + unit_to or not unit_from or not unit_to:
        return None
    step = factor(unit_from, unit_to)
    power = step.adjusted()
    return power if step == Decimal(1).scaleb(power) else None


class _Shifted(Struct, frozen=True):
    """A decoder behind which the decimal point of some columns is moved."""

    decode: Callable[[Slab, Sequence[int]], Decoded]
    powers: Mapping[int, int]

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """The asked columns of one slab, in the common units."""
        found = self.decode(slab, columns)
        values = [
            moved_point(array, self.powers[column]) if column in self.powers else array
            for column, array in zip(columns, found.values, strict=True)
        ]
        return replace(found, values=values)


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
