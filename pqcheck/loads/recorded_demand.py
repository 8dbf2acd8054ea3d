"""The demand study of a recording: maxima, energy, load factor, duration curve, profile, unbalance of the currents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.channels import Array, mean_channel, phases_of, values_in
from pqcheck.loads.demand_windows import WindowMaximum
from pqcheck.loads.power_series import POWERS, PowerSeries, by_stream
from pqcheck.loads.profile import duration_curve, weekday_profile
from pqcheck.loads.study_values import CurrentUnbalance, Demand, Energy, Maximum, Peak, Seen
from pqcheck.model.clock import MINUTE
from pqcheck.model.recording import Block, Channel, Recording
from pqcheck.physics.demand import load_factor, window_maximum_bounds
from pqcheck.physics.power import vector_power_factor
from pqcheck.site.site_values import Site
from pqcheck.stats.runs import runs

INTERVALS_US = tuple(minutes * MINUTE for minutes in (5, 10, 15, 30, 60))
"""Demand intervals in use; the study's own comes on top."""

HIGH_LOAD = 0.8
MANY_READINGS = 60
"""So many equal readings are no measured current that rests (as in the check never-moves)."""
_REGISTERS = {"active_energy_import": "Wh", "active_energy_export": "Wh", "reactive_energy": "varh"}
_CURRENTS = ("a", "b", "c", "n")

Key = tuple[str, str | None]


def demand_of(recording: Recording, site: Site, interval_us: int, *, others: bool = True) -> Demand:
    """The demand study over `interval_us` (and, unless not asked for, the other usual intervals).

    Declared exclusions are missing here: they are no load of the place. One pass over each stream; what is kept
    are maxima, one value for each demand interval, and which intervals have current readings.
    """
    return _Study(recording, site, interval_us, INTERVALS_US if others else ()).run()


class _Track:
    """One series on its way: maxima over all intervals, or the readings themselves where they are too coarse."""

    def __init__(self, series: PowerSeries, recording: Recording, interval_us: int, others: Sequence[int]) -> None:
        axis = recording.streams[series.stream].axis
        self.series, self.recorded_us = series, axis.interval_us
        self.expected = self.missing = self.bounded = 0
        self.lowest, self.highest = np.inf, -np.inf
        wanted = sorted({interval_us, *others})
        fits = {length_us for length_us in wanted if length_us % axis.interval_us == 0}
        own_us = interval_us if interval_us in fits else axis.interval_us
        self.windows = {
            length_us: WindowMaximum(axis, length_us, rms=series.rms, keep=length_us == own_us)
            for length_us in sorted(fits | {own_us})
        }
        self.own = self.windows[own_us]
        self.open = [length_us for length_us in wanted if length_us not in fits]
        self._coarse: list[Array] = []

    def feed(self, values: Array) -> None:
        for window in self.windows.values():
            window.feed(values)
        if self.open:
            self._coarse.append(values.copy())

    @property
    def steady(self) -> float | None:
        """The value that every reading has, where there are many."""
        many = self.expected - self.missing >= MANY_READINGS
        return self.highest if many and self.lowest == self.highest else None

    def maxima(self) -> list[Maximum]:
        made = []
        for interval_us, window in self.windows.items():
            # Readings exactly as long as the window bound a sliding one; finer ones are taken as they are.
            if interval_us == self.recorded_us:
                made.append(self._maximum(interval_us, window.block, None, self._bounds(window.blocks, interval_us)))
            else:
                made.append(self._maximum(interval_us, window.block, window.sliding))
        values = np.concatenate(self._coarse) if self._coarse else np.empty(0)
        return made + [self._maximum(length_us, bounds=self._bounds(values, length_us)) for length_us in self.open]

    def _maximum(
        self,
        interval_us: int,
        block: Peak | None = None,
        sliding: Peak | None = None,
        bounds: tuple[float, float] | None = None,
    ) -> Maximum:
        series = self.series
        return Maximum(series.quantity, series.phase, series.unit, interval_us / 1e6, block, sliding, bounds)

    def _bounds(self, values: Array, window_us: int) -> tuple[float, float] | None:
        """Bounds over every run without gaps; only a quantity that is never negative has them."""
        if np.nanmin(values, initial=0.0) < 0 or np.isnan(values).all():
            return None
        powers = np.square(values) if self.series.rms else values
        bounds = [
            window_maximum_bounds(powers[start:end], self.recorded_us / 1e6, window_us / 1e6)
            for start, end in zip(*runs(~np.isnan(powers)), strict=True)
        ]
        low, high = np.array(bounds).max(axis=0).tolist()
        return (low**0.5, high**0.5) if self.series.rms else (low, high)


class _Study:
    def __init__(self, recording: Recording, site: Site, interval_us: int, others: Sequence[int]) -> None:
        self.recording, self.site, self.interval_us = recording, site, interval_us
        keys: list[Key] = [*(("current", phase) for phase in _CURRENTS), *((power, None) for power in POWERS)]
        series = {key: ways for key in keys if (ways := by_stream(recording, site.supply, *key, interval_us))}
        self.tracks = {key: _Track(ways[0], recording, interval_us, others) for key, ways in series.items()}
        self.others = {
            key: [_Track(way, recording, interval_us, others) for way in ways[1:]] for key, ways in series.items()
        }
        """The same from other time bases: what only one of them saw is not left out of the maxima."""
        self.excluded = [(exclusion.from_us, exclusion.to_us) for exclusion in site.exclusions]
        self.sums = {"import": 0.0, "export": 0.0, "reactive": 0.0, "hours": 0.0}
        self.registers: dict[Channel, list[Array]] = {}
        self.seen: list[NDArray[np.bool_]] = []
        """Which intervals have readings of all phase currents recorded."""
        self.seen_interval_us = interval_us

    def run(self) -> Demand:
        for number, stream in enumerate(self.recording.streams):
            mine = {key: track for key, track in self.tracks.items() if track.series.stream == number}
            beside = [track for tracks in self.others.values() for track in tracks if track.series.stream == number]
            registers = [register for quantity in _REGISTERS if (register := mean_channel(stream, quantity, "total"))]
            inputs = {channel for track in (*mine.values(), *beside) for channel, _ in track.series.inputs}
            wanted = sorted(inputs | set(registers), key=str)
            for block in stream.blocks(wanted) if wanted else ():
                self._block(block, mine, beside, registers)
        return self._result()

    def _block(
        self, block: Block, mine: Mapping[Key, _Track], beside: Sequence[_Track], registers: Sequence[Channel]
    ) -> None:
        mask = self._mask(block)
        formed: dict[Key, Array] = {}
        for key, track in mine.items():
            formed[key] = _fed(track, block, mask)
        for track in beside:
            _fed(track, block, mask)
        self._energy(formed, block.axis.interval_us / 3.6e9)
        parts = [formed[("current", phase)] for phase in phases_of(self.site.supply) if ("current", phase) in formed]
        if parts:
            self.seen_interval_us = block.axis.interval_us
            self.seen.append(~np.isnan(np.sum(parts, axis=0)))
        for channel in registers:
            values = values_in(block.values, channel, _REGISTERS[channel.quantity])
            self.registers.setdefault(channel, []).append(_recorded(values))

    def _mask(self, block: Block) -> NDArray[np.bool_] | None:
        axis = block.axis
        touched = [(a, b) for a, b in self.excluded if a < axis.end_us and b > axis.start_us]
        if not touched:
            return None
        starts = axis.start_us + axis.interval_us * np.arange(axis.count, dtype=np.int64)
        return np.asarray(np.any([(starts < b) & (starts + axis.interval_us > a) for a, b in touched], axis=0))

    def _energy(self, formed: Mapping[Key, Array], hours: float) -> None:
        active = formed.get(("active_power", None))
        if active is not None:
            good = _recorded(active)
            self.sums["import"] += float(good[good > 0].sum()) * hours
            self.sums["export"] -= float(good[good < 0].sum()) * hours
            self.sums["hours"] += len(good) * hours
        reactive = formed.get(("reactive_power", None))
        if reactive is not None:
            self.sums["reactive"] += float(np.nansum(reactive)) * hours

    def _result(self) -> Demand:
        tracks, sums = self.tracks, self.sums
        main = tracks.get(("active_power", None)) or tracks.get(("apparent_power", None)) or self._highest()
        blocks = np.empty(0) if main is None else main.own.blocks
        factor = None
        if main is not None and main.own.block is not None:
            factor = _number(load_factor(float(np.nanmean(blocks)), main.own.block.value))
        has_active, has_reactive = ("active_power", None) in tracks, ("reactive_power", None) in tracks
        power_factor = None
        if has_active and has_reactive:
            power_factor = _number(vector_power_factor(sums["import"] - sums["export"], sums["reactive"]))
        seen = np.concatenate(self.seen) if self.seen else np.empty(0, dtype=bool)
        starts, ends = runs(seen)
        step_us = self.seen_interval_us
        words = [track.series.words for track in tracks.values()]
        return Demand(
            interval_s=self.interval_us / 1e6,
            maxima=tuple(
                maximum
                for key, track in tracks.items()
                for maximum in _largest_of([track, *self.others[key]])
            ),
            earliest={
                phase: float(means[0])
                for phase in ("a", "b", "c")
                if ("current", phase) in tracks and len(means := _recorded(tracks[("current", phase)].own.blocks))
            },
            load_factor=factor,
            load_factor_of="" if main is None else main.series.quantity,
            energy=Energy(
                sums["import"] if has_active else None,
                sums["export"] if has_active else None,
                sums["reactive"] if has_reactive else None,
                sums["hours"],
                *(self._register(quantity) for quantity in _REGISTERS),
            ),
            power_factor=power_factor,
            curve=duration_curve(blocks),
            curve_of="" if main is None else main.series.quantity,
            curve_unit="" if main is None else main.series.unit,
            profile=()
            if main is None
            else weekday_profile(blocks, main.own.first_block_us, main.own.window_us, self.recording.zone),
            unbalance=self._unbalance(),
            blocks={
                quantity if phase is None else f"{quantity}.{phase}": track.own.blocks
                for (quantity, phase), track in tracks.items()
            },
            blocks_start_us=0 if main is None else main.own.first_block_us,
            longest_run_s=int(np.max(ends - starts, initial=0)) * step_us / 1e6,
            recorded_s=int(np.count_nonzero(seen)) * step_us / 1e6,
            expected_s=len(seen) * step_us / 1e6,
            basis=tuple(dict.fromkeys(f"{text[0].upper()}{text[1:]}." for text in words)),
            exports=sums["export"] > 0,
            seen=tuple(
                Seen(quantity, phase, track.expected, track.missing, track.bounded, track.steady)
                for (quantity, phase), track in tracks.items()
            ),
            extremes_only=self._extremes_only(),
        )

    def _extremes_only(self) -> tuple[str, ...]:
        names = {
            f"current.{channel.phase}" for stream in self.recording.streams for channel in stream.channels
            if channel.quantity == "current" and channel.reading != "mean"
        }  # fmt: skip
        return tuple(sorted(names - {f"current.{phase}" for quantity, phase in self.tracks if quantity == "current"}))

    def _highest(self) -> _Track | None:
        """The phase with the largest current, where no power is at hand."""
        tracks = [self.tracks.get(("current", phase)) for phase in ("a", "b", "c")]
        peaks = [
            (track.own.block.value, track) for track in tracks if track is not None and track.own.block is not None
        ]
        return max(peaks, key=lambda peak: peak[0])[1] if peaks else None

    def _register(self, quantity: str) -> float | None:
        """Last minus first reading; None where there is no register, or where it ran backwards (reset, roll-over)."""
        for channel, parts in self.registers.items():
            readings = np.concatenate(parts)
            if channel.quantity == quantity and len(readings):
                return None if (np.diff(readings) < 0).any() else float(readings[-1]) - float(readings[0])
        return None

    def _unbalance(self) -> CurrentUnbalance | None:
        tracks = [self.tracks.get(("current", phase)) for phase in ("a", "b", "c")]
        windows = [track.own for track in tracks if track is not None]
        if len(windows) != 3 or len({(window.window_us, len(window.blocks)) for window in windows}) != 1:
            return None
        rows = np.array([window.blocks for window in windows])
        mean = rows.mean(axis=0)
        if np.isnan(mean).all() or np.nanmax(mean) <= 0:
            return None
        at = int(np.nanargmax(mean))
        with np.errstate(invalid="ignore", divide="ignore"):
            percent = 100 * np.abs(rows - mean).max(axis=0) / mean
        high = percent[mean >= HIGH_LOAD * mean[at]]
        start = windows[0].first_block_us + at * windows[0].window_us
        return CurrentUnbalance(float(percent[at]), start, float(np.nanmax(high)))


def _fed(track: _Track, block: Block, mask: NDArray[np.bool_] | None) -> Array:
    """The series of a track in a block, exclusions taken out, once the track has it."""
    values = track.series.values(block.values)
    if mask is not None:
        values = np.where(mask, np.nan, values)
    included = np.ones(len(values), dtype=bool) if mask is None else ~mask
    bounds = [block.lower_bounds[channel] for channel, _ in track.series.inputs if channel in block.lower_bounds]
    bounded = included & np.any(bounds, axis=0) if bounds else np.zeros_like(included)
    track.expected += int(included.sum())
    track.bounded += int(bounded.sum())
    # A word for "above the range" is no gap: what flowed then is the most, whatever coverage is declared.
    track.missing += int((included & np.isnan(values) & ~bounded).sum())
    track.lowest = min(track.lowest, float(np.nanmin(values, initial=np.inf)))
    track.highest = max(track.highest, float(np.nanmax(values, initial=-np.inf)))
    track.feed(values)
    return np.asarray(values)


def _largest_of(tracks: Sequence[_Track]) -> list[Maximum]:
    """The maxima of the first track, each replaced by that of another time base which shows more."""
    maxima = {maximum.interval_s: maximum for maximum in tracks[0].maxima()}
    for track in tracks[1:]:
        for other in track.maxima():
            known = maxima.get(other.interval_s)
            if known is None or _at_least(other) > _at_most(known):
                maxima[other.interval_s] = other
    return list(maxima.values())


def _at_least(maximum: Maximum) -> float:
    peak = maximum.largest
    return peak.value if peak is not None else -np.inf if maximum.bounds is None else maximum.bounds[0]


def _at_most(maximum: Maximum) -> float:
    peak = maximum.largest
    return peak.value if peak is not None else -np.inf if maximum.bounds is None else maximum.bounds[1]


def _recorded(values: Array) -> Array:
    return values[~np.isnan(values)]


def _number(value: NDArray[np.float64]) -> float | None:
    return None if np.isnan(value) else float(value)
