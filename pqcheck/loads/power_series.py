"""Which recorded channels give current, active, reactive and apparent power, and from which stream."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from msgspec import Struct

from pqcheck.loads.channels import PAIRS, Array, Arrays, mean_channel, phases_of, values_in
from pqcheck.model.recording import Channel, Recording, Stream
from pqcheck.physics.power import vector_apparent_power
from pqcheck.site.site_values import Supply

POWERS = {"active_power": "W", "reactive_power": "var", "apparent_power": "VA"}


class PowerSeries(Struct, frozen=True):
    """One quantity of one stream, in A, W, var or VA, formed from its `inputs`, each of them in its unit."""

    stream: int
    quantity: str
    phase: str | None
    unit: str
    inputs: tuple[tuple[Channel, str], ...]
    form: Callable[[Sequence[Array]], Array]
    words: str
    rank: int
    """0 recorded as such, higher the more it was derived."""

    @property
    def rms(self) -> bool:
        """Means of currents are root mean squares."""
        return self.quantity == "current"

    def values(self, arrays: Arrays) -> Array:
        """The series from the arrays of a block."""
        return self.form([values_in(arrays, channel, unit) for channel, unit in self.inputs])


def by_stream(
    recording: Recording, supply: Supply, quantity: str, phase: str | None, window_us: int
) -> list[PowerSeries]:
    """The series of each stream that has one, the one to use first.

    That is one whose interval divides the window, least derived, finest; else the finest there is.
    """

    def key(series: PowerSeries) -> tuple[bool, int, int]:
        interval = recording.streams[series.stream].axis.interval_us
        return (window_us % interval != 0, series.rank, interval)

    chosen = []
    for number, stream in enumerate(recording.streams):
        ways = [way for way in _ways(number, stream, supply) if (way.quantity, way.phase) == (quantity, phase)]
        if ways:
            chosen.append(min(ways, key=key))
    return sorted(chosen, key=key)


def _ways(number: int, stream: Stream, supply: Supply) -> Iterator[PowerSeries]:
    """Every way to form every quantity from one stream."""
    for phase in ("a", "b", "c", "n"):
        channel = mean_channel(stream, "current", phase)
        if channel is not None:
            yield PowerSeries(number, "current", phase, "A", ((channel, "A"),), _alone, "current as recorded", 0)
    phases = phases_of(supply)
    for quantity, unit in POWERS.items():
        words = quantity.replace("_", " ")
        total = mean_channel(stream, quantity, "total")
        if total is not None:
            form = _magnitude if quantity == "apparent_power" else _alone
            yield PowerSeries(number, quantity, None, unit, ((total, unit),), form, f"{words} as recorded", 0)
        parts = _all(stream, quantity, phases)
        if parts:
            kind = " (arithmetic)" if quantity == "apparent_power" else ""
            words = f"{words} as the sum of the phases{kind}"
            form = _magnitude if quantity == "apparent_power" else _total
            yield PowerSeries(number, quantity, None, unit, _each(parts, unit), form, words, 1)
    yield from _apparent(number, stream, supply)


def _apparent(number: int, stream: Stream, supply: Supply) -> Iterator[PowerSeries]:
    """Apparent power from voltages and currents, or from active and reactive power."""

    def way(
        inputs: tuple[tuple[Channel, str], ...], form: Callable[[Sequence[Array]], Array], words: str, rank: int
    ) -> PowerSeries:
        return PowerSeries(number, "apparent_power", None, "VA", inputs, form, f"apparent power {words}", rank)

    phases = phases_of(supply)
    amperes = _each(_all(stream, "current", phases), "A")
    if amperes:
        volts = _each(_all(stream, "voltage", [f"{phase}n" for phase in phases]), "V")
        between = _each(_all(stream, "voltage", list(PAIRS)), "V")
        if volts:
            yield way(
                amperes + volts,
                lambda arrays: np.asarray(np.sum([u * i for i, u in zip(*_halves(arrays), strict=True)], axis=0)),
                "as the arithmetic sum of voltage times current of the phases", 2,
            )  # fmt: skip
        elif between and len(amperes) == 3:
            yield way(
                amperes + between,
                lambda arrays: np.asarray(np.sum(arrays[3:], axis=0) / 3 / np.sqrt(3) * np.sum(arrays[:3], axis=0)),
                "as mean line-to-line voltage / sqrt(3) times the sum of the phase currents", 3,
            )  # fmt: skip
        if supply.line_to_neutral is not None:
            nominal = float(supply.line_to_neutral)
            if supply.connection == "high-leg-delta":
                nominal = float(supply.line_to_line or 0) / float(np.sqrt(3))
            words = "from the phase currents at nominal voltage"
            yield way(amperes, lambda arrays: np.asarray(nominal * np.sum(arrays, axis=0)), words, 5)
    active, reactive = (mean_channel(stream, name, "total") for name in ("active_power", "reactive_power"))
    if active is not None and reactive is not None:
        words = "as sqrt(P^2 + Q^2), which leaves distortion and unbalance out"
        yield way(((active, "W"), (reactive, "var")), lambda arrays: vector_apparent_power(*arrays), words, 4)


def _magnitude(arrays: Sequence[Array]) -> Array:
    """Apparent power whichever sign the recorder gives it: what is exported loads a transformer too."""
    return np.asarray(np.sum(np.abs(arrays), axis=0))


def _all(stream: Stream, quantity: str, phases: Sequence[str]) -> list[Channel]:
    """The mean channels of all these phases; empty where one of them is missing."""
    channels = [mean_channel(stream, quantity, phase) for phase in phases]
    return [] if None in channels else [channel for channel in channels if channel is not None]


def _each(channels: Sequence[Channel], unit: str) -> tuple[tuple[Channel, str], ...]:
    return tuple((channel, unit) for channel in channels)


def _alone(arrays: Sequence[Array]) -> Array:
    return arrays[0]


def _total(arrays: Sequence[Array]) -> Array:
    return np.asarray(np.sum(arrays, axis=0))


def _halves(arrays: Sequence[Array]) -> tuple[Sequence[Array], Sequence[Array]]:
    return arrays[: len(arrays) // 2], arrays[len(arrays) // 2 :]
