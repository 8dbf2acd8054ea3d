"""The columns of a file whose reading is settled, as numbers in V, A, VA and percent, row by row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.io.headers.evidence_of_numbers import Evidence
from pqcheck.io.unit_conversions import THD_R
from pqcheck.model.recording import Channel
from pqcheck.model.units import factor
from pqcheck.physics.distortion import thd_f_from_thd_r

Numbers = NDArray[np.float64]
LIKELY, CLEAR, ALONE, CERTAIN = "likely", "clear", "left alone", "certain"

ENOUGH = 3
"""So many rows with all the numbers of a relation are needed before it says anything."""


class Guess(Struct, frozen=True):
    """How a column is read. `why` says on what grounds; `scale` turns its numbers into the channel's unit.

    `scale` is a factor, or "thd-r" for distortion written relative to the true rms value. `doubt` names a second
    reading that the numbers speak for. `open` says what the name left to the numbers: "unit" or "base", and "assumed"
    where they left it open as well.
    """

    column: int
    channel: Channel | None
    confidence: str
    why: str
    scale: float | str | None = None
    doubt: str = ""
    open: str = ""

    def alone(self, why: str) -> Guess:
        """The same column, left alone."""
        return Guess(self.column, None, ALONE, why)

    def settled(self, why: str, *, confidence: str | None = None, unit: str | None = None) -> Guess:
        """The same reading with one more reason, and the unit that the numbers show."""
        assert self.channel is not None
        channel = self.channel if unit is None else replace(self.channel, unit=unit)
        reasons = f"{self.why}; {why}"
        return replace(self, channel=channel, confidence=confidence or self.confidence, why=reasons, doubt="", open="")


class Facts(Struct, frozen=True):
    """Mean readings by quantity, phase and order."""

    evidence: Evidence
    columns: Mapping[tuple[str, str | None, int | None], tuple[int, Channel, float | str | None]]
    assumed: frozenset[int] = frozenset()
    """Columns whose base is an assumption."""

    @classmethod
    def of(cls, evidence: Evidence, guesses: Sequence[Guess]) -> Facts:
        """From the columns that are known and those whose guess leaves nothing open."""
        columns: dict[tuple[str, str | None, int | None], tuple[int, Channel, float | str | None]] = {}
        for guess in guesses:
            channel = guess.channel
            if channel is not None and channel.reading == "mean" and guess.open != "unit":
                columns[(channel.quantity, channel.phase, channel.order)] = (guess.column, channel, guess.scale)
        for column, channel in evidence.known.items():
            if channel.reading == "mean":
                scale = THD_R if channel.unit == "% of rms" and channel.quantity.endswith("_thd") else None
                columns[(channel.quantity, channel.phase, channel.order)] = (column, channel, scale)
        return cls(evidence, columns, frozenset(guess.column for guess in guesses if guess.open == "assumed"))

    def column(self, quantity: str, phase: str | None, order: int | None = None) -> int | None:
        """Number of the column that holds a channel."""
        entry = self.columns.get((quantity, phase, order))
        return entry[0] if entry else None

    def raw(self, quantity: str, phase: str | None, order: int | None = None) -> Numbers | None:
        """The numbers as written."""
        column = self.column(quantity, phase, order)
        values = None if column is None else self.evidence.samples.get(column)
        return values if values is not None and values.size else None

    def values(self, quantity: str, phase: str | None, order: int | None = None) -> Numbers | None:
        """Readings in V, A, VA; distortion in percent of the fundamental. None when there is no such column."""
        values = self.raw(quantity, phase, order)
        if values is None:
            return None
        _, channel, scale = self.columns[(quantity, phase, order)]
        if scale == THD_R:
            return thd_f_from_thd_r(values)
        if scale is not None:
            return values * float(scale)
        base = {"voltage": "V", "current": "A", "apparent_power": "VA", "voltage_harmonic": "V",
                "current_harmonic": "A"}.get(quantity)
        if base is None or channel.unit in ("%", "% of rms", "% of nominal", "pu", ""):
            return values
        return values * float(factor(channel.unit, base))


def ratios(above: Numbers | None, below: Numbers | None) -> Numbers | None:
    """Row by row one over the other, where both are there and not zero; None for too few rows."""
    if above is None or below is None or above.shape != below.shape:
        return None
    usable = np.isfinite(above) & np.isfinite(below) & (above != 0) & (below != 0)
    return above[usable] / below[usable] if int(usable.sum()) >= ENOUGH else None


def misfit(quotients: Numbers | None) -> float | None:
    """How far ratios lie from one: three quarters of the rows are nearer."""
    return None if quotients is None else float(np.percentile(np.abs(quotients - 1), 75))


def line(header: str, channel: Channel, unit: str) -> str:
    """The line of the site file that fixes a reading."""
    reading = "" if channel.reading == "mean" else f".{channel.reading}"
    return f'"{header}" = "{channel.base_name}{reading} [{unit}]"'
