"""Which recorded channels give current, active, reactive and apparent power, and from which stream."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.recording import Channel, Recording, Stream
from pqcheck.site.model import Supply
from pqcheck.units import factor

Array = NDArray[np.float64]
Arrays = Mapping[Channel, NDArray[Any]]

PHASES = {"single-phase": ("a",), "split-phase": ("a", "b")}
"""Current-carrying phases by connection; all others have three."""


def phases_of(supply: Supply) -> tuple[str, ...]:
    """The current-carrying phases of the connection."""
    return PHASES.get(supply.connection, ("a", "b", "c"))


class Series(Struct, frozen=True):
    """One quantity of one stream, in A, W, var or VA. `form` turns the arrays of a block into it."""

    stream: int
    quantity: str
    phase: str | None
    unit: str
    inputs: tuple[Channel, ...]
    form: Callable[[Arrays], Array]
    words: str
    rank: int
    """0 recorded as such, higher the more it was derived."""

    @property
    def rms(self) -> bool:
        """Means of currents are root mean squares."""
        return self.quantity == "current"


@lru_cache(maxsize=256)
def conversion(unit_from: str, unit_to: str) -> float:
    """What a number in one unit is multiplied with to be in another."""
    return float(factor(unit_from or "1", unit_to))


def canonical(arrays: Arrays, channel: Channel, unit: str) -> Array:
    """The array of a channel in `unit`, float64."""
    by = conversion(channel.unit, unit)
    values = np.asarray(arrays[channel], dtype=np.float64)
    return values if by == 1 else values * by


def held(stream: Stream, quantity: str, phase: str | None, order: int | None = None) -> Channel | None:
    """The mean channel of this name in the stream."""
    return next(
        (one for one in stream.channels if one.key == (quantity, phase, order, None, "mean")),
        None,
    )


def series_of(recording: Recording, supply: Supply) -> list[Series]:
    """Every way to form every quantity, stream by stream."""
    found: list[Series] = []
    for number, stream in enumerate(recording.streams):
        found += _currents(number, stream)
        found += _powers(number, stream, supply)
        found += _apparent(number, stream, supply)
    return found


def best(
    found: Sequence[Series], recording: Recording, quantity: str, phase: str | None, window_us: int
) -> Series | None:
    """The series to use: one whose interval divides the window, least derived, finest; else the finest there is."""
    fitting = [one for one in found if one.quantity == quantity and one.phase == phase]

    def key(one: Series) -> tuple[bool, int, int]:
        interval = recording.streams[one.stream].axis.interval_us
        return (window_us % interval != 0, one.rank, interval)

    return min(fitting, key=key, default=None)


def _currents(number: int, stream: Stream) -> Iterator[Series]:
    for phase in ("a", "b", "c", "n"):
        channel = held(stream, "current", phase)
        if channel is not None:
            yield _plain(number, "current", phase, "A", channel)


def _plain(number: int, quantity: str, phase: str | None, unit: str, channel: Channel) -> Series:
    words = f"{quantity.replace('_', ' ')} as recorded"
    return Series(number, quantity, phase, unit, (channel,), lambda arrays: canonical(arrays, channel, unit), words, 0)


def _powers(number: int, stream: Stream, supply: Supply) -> Iterator[Series]:
    for quantity, unit in (("active_power", "W"), ("reactive_power", "var"), ("apparent_power", "VA")):
        total = held(stream, quantity, "total")
        if total is not None:
            yield _plain(number, quantity, None, unit, total)
        parts = [held(stream, quantity, phase) for phase in phases_of(supply)]
        if all(parts):
            yield _sum(number, quantity, unit, [one for one in parts if one is not None])


def _sum(number: int, quantity: str, unit: str, parts: Sequence[Channel]) -> Series:
    def form(arrays: Arrays) -> Array:
        return np.asarray(np.sum([canonical(arrays, one, unit) for one in parts], axis=0))

    kind = " (arithmetic)" if quantity == "apparent_power" else ""
    words = f"{quantity.replace('_', ' ')} as the sum of the phases{kind}"
    return Series(number, quantity, None, unit, tuple(parts), form, words, 1)


def _apparent(number: int, stream: Stream, supply: Supply) -> Iterator[Series]:
    currents = [held(stream, "current", phase) for phase in phases_of(supply)]
    amperes = [one for one in currents if one is not None]
    if len(amperes) == len(currents):
        to_neutral = [held(stream, "voltage", f"{phase}n") for phase in phases_of(supply)]
        volts = [one for one in to_neutral if one is not None]
        between = [one for one in (held(stream, "voltage", pair) for pair in ("ab", "bc", "ca")) if one is not None]
        if len(volts) == len(to_neutral):
            yield _product(number, amperes, volts)
        elif len(between) == 3 and len(amperes) == 3:
            yield _line_product(number, amperes, between)
        if supply.line_to_neutral is not None:
            yield _nominal_product(number, amperes, float(supply.line_to_neutral))
    active, reactive = held(stream, "active_power", "total"), held(stream, "reactive_power", "total")
    if active is not None and reactive is not None:
        yield _vector(number, active, reactive)


def _product(number: int, amperes: Sequence[Channel], volts: Sequence[Channel]) -> Series:
    def form(arrays: Arrays) -> Array:
        pairs = zip(volts, amperes, strict=True)
        return np.asarray(np.sum([canonical(arrays, u, "V") * canonical(arrays, i, "A") for u, i in pairs], axis=0))

    words = "apparent power as the arithmetic sum of voltage times current of the phases"
    return Series(number, "apparent_power", None, "VA", (*amperes, *volts), form, words, 2)


def _line_product(number: int, amperes: Sequence[Channel], between: Sequence[Channel]) -> Series:
    def form(arrays: Arrays) -> Array:
        star = np.sum([canonical(arrays, one, "V") for one in between], axis=0) / 3 / np.sqrt(3)
        return np.asarray(star * np.sum([canonical(arrays, one, "A") for one in amperes], axis=0))

    words = "apparent power as mean line-to-line voltage / sqrt(3) times the sum of the phase currents"
    return Series(number, "apparent_power", None, "VA", (*amperes, *between), form, words, 3)


def _vector(number: int, active: Channel, reactive: Channel) -> Series:
    def form(arrays: Arrays) -> Array:
        return np.hypot(canonical(arrays, active, "W"), canonical(arrays, reactive, "var"))

    words = "apparent power as sqrt(P^2 + Q^2), which leaves distortion and unbalance out"
    return Series(number, "apparent_power", None, "VA", (active, reactive), form, words, 4)


def _nominal_product(number: int, amperes: Sequence[Channel], volts: float) -> Series:
    def form(arrays: Arrays) -> Array:
        return np.asarray(volts * np.sum([canonical(arrays, one, "A") for one in amperes], axis=0))

    words = "apparent power from the phase currents at nominal voltage"
    return Series(number, "apparent_power", None, "VA", tuple(amperes), form, words, 5)
