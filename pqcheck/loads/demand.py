"""The demand study of a recording: maxima, energy, load factor, duration curve, profile, unbalance of the currents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.profile import duration_curve, weekday_profile
from pqcheck.loads.series import Array, Series, best, canonical, held, phases_of, series_of
from pqcheck.loads.values import Demand, Energy, Maximum, Unbalance
from pqcheck.loads.windows import WindowMaximum
from pqcheck.physics.demand import load_factor, window_maximum_bounds
from pqcheck.physics.power import vector_power_factor
from pqcheck.recording import Block, Channel, Recording
from pqcheck.site.model import Site

MINUTE_US = 60_000_000
INTERVALS_US = tuple(minutes * MINUTE_US for minutes in (5, 10, 15, 30, 60))
"""Demand intervals in use; the study's own comes on top."""

HIGH_LOAD = 0.8
_REGISTERS = {"active_energy_import": "Wh", "active_energy_export": "Wh", "reactive_energy": "varh"}


def demand_of(recording: Recording, site: Site, interval_us: int, *, others: bool = True) -> Demand:
    """The demand study over `interval_us` (and, unless not asked for, the other usual intervals).

    Declared exclusions are missing here: they are no load of the place. One pass over each stream; what is kept
    are maxima and one value for each demand interval.
    """
    return _Study(recording, site, interval_us, INTERVALS_US if others else ()).run()


class _Track:
    """One series on its way: maxima over all intervals, or the readings themselves where they are too coarse."""

    def __init__(self, series: Series, recording: Recording, interval_us: int, others: Sequence[int]) -> None:
        axis = recording.streams[series.stream].axis
        self.series = series
        self.interval_us = interval_us
        self.wanted = sorted({interval_us, *others})
        fits = {one for one in self.wanted if one % axis.interval_us == 0}
        self.own_us = interval_us if interval_us in fits else axis.interval_us
        self.windows = {
            one: WindowMaximum(axis, one, rms=series.rms, keep=one == self.own_us)
            for one in sorted(fits | {self.own_us})
        }
        self.open = [one for one in self.wanted if one not in fits]
        self._axis = axis
        self._coarse: list[Array] = []

    def feed(self, values: Array) -> None:
        for window in self.windows.values():
            window.feed(values)
        if self.open:
            self._coarse.append(values.copy())

    def maxima(self) -> list[Maximum]:
        series, step_s = self.series, self._axis.interval_us / 1e6
        made = []
        for interval_us, window in self.windows.items():
            # Readings exactly as long as the window bound a sliding one; finer ones are taken as they are.
            bounds = self._bounds(window.blocks, interval_us) if interval_us == self._axis.interval_us else None
            sliding = None if interval_us == self._axis.interval_us else window.sliding
            made.append(
                Maximum(series.quantity, series.phase, series.unit, interval_us / 1e6, window.block, sliding, bounds)
            )
        values = np.concatenate(self._coarse) if self._coarse else np.empty(0)
        for interval_us in self.open:
            bounds = self._bounds(values, interval_us)
            made.append(Maximum(series.quantity, series.phase, series.unit, interval_us / 1e6, bounds=bounds))
        assert step_s > 0
        return made

    def _bounds(self, values: Array, window_us: int) -> tuple[float, float] | None:
        """Bounds over every run without gaps; only a quantity that is never negative has them."""
        if not len(values) or np.nanmin(values, initial=0.0) < 0 or np.isnan(values).all():
            return None
        powers = np.square(values) if self.series.rms else values
        edges = np.flatnonzero(np.diff(np.concatenate([[True], np.isnan(powers), [True]]).astype(np.int8)))
        found = [
            window_maximum_bounds(powers[start:end], self._axis.interval_us / 1e6, window_us / 1e6)
            for start, end in zip(edges[::2], edges[1::2], strict=True)
            if end > start
        ]
        low, high = np.array(found).max(axis=0).tolist()
        return (low**0.5, high**0.5) if self.series.rms else (low, high)


class _Study:
    def __init__(self, recording: Recording, site: Site, interval_us: int, others: Sequence[int]) -> None:
        self.recording = recording
        self.site = site
        self.interval_us = interval_us
        found = series_of(recording, site.supply)
        chosen = [
            best(found, recording, quantity, phase, interval_us)
            for quantity, phase in (
                *(("current", phase) for phase in ("a", "b", "c", "n")),
                ("active_power", None),
                ("reactive_power", None),
                ("apparent_power", None),
            )
        ]
        self.tracks = [_Track(one, recording, interval_us, others) for one in chosen if one is not None]
        self.excluded = [(one.from_us, one.to_us) for one in site.exclusions]
        self.sums = {"import": 0.0, "export": 0.0, "reactive": 0.0, "hours": 0.0}
        self.registers: dict[Channel, list[float]] = {}
        self.runs = [0, 0, 0, 0]  # current run, longest run, readings, slots: of the current readings, in intervals
        self.run_interval_us = interval_us

    def run(self) -> Demand:
        for number, stream in enumerate(self.recording.streams):
            mine = [one for one in self.tracks if one.series.stream == number]
            registers = [one for quantity in _REGISTERS if (one := held(stream, quantity, "total")) is not None]
            wanted = sorted({channel for one in mine for channel in one.series.inputs} | set(registers), key=str)
            if not wanted:
                continue
            for block in stream.blocks(wanted):
                self._block(block, mine, registers)
        return self._result()

    def _block(self, block: Block, mine: Sequence[_Track], registers: Sequence[Channel]) -> None:
        mask = self._mask(block)
        formed: dict[tuple[str, str | None], Array] = {}
        for track in mine:
            values = track.series.form(block.values)
            if mask is not None:
                values = np.where(mask, np.nan, values)
            formed[(track.series.quantity, track.series.phase)] = values
            track.feed(values)
        self._energy(formed, block.axis.interval_us / 3.6e9)
        self._run(formed, block.axis.interval_us)
        for channel in registers:
            values = canonical(block.values, channel, _REGISTERS[channel.quantity])
            seen = values[~np.isnan(values)]
            if len(seen):
                state = self.registers.setdefault(channel, [float(seen[0]), float(seen[0]), 0.0])
                state[2] += float(np.count_nonzero(np.diff(np.concatenate([[state[1]], seen])) < 0))
                state[1] = float(seen[-1])

    def _mask(self, block: Block) -> NDArray[np.bool_] | None:
        axis = block.axis
        touched = [(a, b) for a, b in self.excluded if a < axis.end_us and b > axis.start_us]
        if not touched:
            return None
        starts = axis.start_us + axis.interval_us * np.arange(axis.count, dtype=np.int64)
        mask = np.zeros(axis.count, dtype=bool)
        for a, b in touched:
            mask |= (starts < b) & (starts + axis.interval_us > a)
        return mask

    def _energy(self, formed: Mapping[tuple[str, str | None], Array], hours: float) -> None:
        active = formed.get(("active_power", None))
        if active is not None:
            good = active[~np.isnan(active)]
            self.sums["import"] += float(good[good > 0].sum()) * hours
            self.sums["export"] -= float(good[good < 0].sum()) * hours
            self.sums["hours"] += len(good) * hours
        reactive = formed.get(("reactive_power", None))
        if reactive is not None:
            self.sums["reactive"] += float(np.nansum(reactive)) * hours

    def _run(self, formed: Mapping[tuple[str, str | None], Array], interval_us: int) -> None:
        parts = [formed[("current", phase)] for phase in phases_of(self.site.supply) if ("current", phase) in formed]
        if not parts:
            return
        self.run_interval_us = interval_us
        good = ~np.isnan(np.sum(parts, axis=0))
        state = self.runs
        state[2] += int(np.count_nonzero(good))
        state[3] += len(good)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
        lengths = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
        if not lengths:
            state[0] = 0
            return
        first = lengths[0]
        joined = (state[0] if first[0] == 0 else 0) + first[1] - first[0]
        state[1] = max(state[1], joined, *(end - start for start, end in lengths))
        last = lengths[-1]
        open_end = last[1] == len(good)
        state[0] = (joined if len(lengths) == 1 else last[1] - last[0]) if open_end else 0

    def _result(self) -> Demand:
        maxima = tuple(maximum for track in self.tracks for maximum in track.maxima())
        by_key = {(track.series.quantity, track.series.phase): track for track in self.tracks}
        main = next(
            (by_key[key] for key in (("active_power", None), ("apparent_power", None)) if key in by_key), None
        ) or self._highest(by_key)
        blocks: dict[str, Any] = {
            track.series.quantity
            if track.series.phase is None
            else f"{track.series.quantity}.{track.series.phase}": track.windows[track.own_us].blocks
            for track in self.tracks
        }
        hours = self.sums["hours"]
        curve: tuple[tuple[float, float], ...] = ()
        factor = None
        if main is not None:
            means = main.windows[main.own_us].blocks
            curve = duration_curve(means)
            peak = main.windows[main.own_us].block
            if peak is not None:
                found = float(load_factor(float(np.nanmean(means)), peak.value))
                factor = None if np.isnan(found) else found
        has_active = ("active_power", None) in by_key
        has_reactive = ("reactive_power", None) in by_key
        power_factor = None
        if has_active and has_reactive:
            found = float(vector_power_factor(self.sums["import"] - self.sums["export"], self.sums["reactive"]))
            power_factor = None if np.isnan(found) else found
        window = None if main is None else main.windows[main.own_us]
        return Demand(
            interval_s=self.interval_us / 1e6,
            maxima=maxima,
            earliest=self._earliest(by_key),
            load_factor=factor,
            load_factor_of="" if main is None else main.series.quantity,
            energy=Energy(
                self.sums["import"] if has_active else None,
                self.sums["export"] if has_active else None,
                self.sums["reactive"] if has_reactive else None,
                hours,
                *(self._register(quantity) for quantity in _REGISTERS),
            ),
            power_factor=power_factor,
            curve=curve,
            curve_of="" if main is None else main.series.quantity,
            curve_unit="" if main is None else main.series.unit,
            profile=()
            if window is None
            else weekday_profile(window.blocks, window.first_block_us, window.window_us, self.recording.zone),
            unbalance=self._unbalance(by_key),
            blocks=blocks,
            blocks_start_us=0 if window is None else window.first_block_us,
            longest_run_s=self.runs[1] * self.run_interval_us / 1e6,
            recorded_s=self.runs[2] * self.run_interval_us / 1e6,
            expected_s=self.runs[3] * self.run_interval_us / 1e6,
            basis=tuple(
                dict.fromkeys(f"{track.series.words[0].upper()}{track.series.words[1:]}." for track in self.tracks)
            ),
            exports=self.sums["export"] > 0,
        )

    def _highest(self, by_key: Mapping[tuple[str, str | None], _Track]) -> _Track | None:
        """The phase with the largest current, where no power is at hand."""
        found = [
            (peak.value, track)
            for (quantity, phase), track in by_key.items()
            if quantity == "current" and phase != "n" and (peak := track.windows[track.own_us].block) is not None
        ]
        return max(found, key=lambda one: one[0])[1] if found else None

    def _earliest(self, by_key: Mapping[tuple[str, str | None], _Track]) -> dict[str, float]:
        return {
            phase: value
            for (quantity, phase), track in by_key.items()
            if quantity == "current"
            and phase not in (None, "n")
            and (value := track.windows[track.own_us].earliest) is not None
            and phase is not None
        }

    def _register(self, quantity: str) -> float | None:
        """Last minus first reading; None where there is no register, or where it ran backwards (reset, roll-over)."""
        for channel, (first, last, backwards) in self.registers.items():
            if channel.quantity == quantity:
                return None if backwards else last - first
        return None

    def _unbalance(self, by_key: Mapping[tuple[str, str | None], _Track]) -> Unbalance | None:
        tracks = [by_key[("current", phase)] for phase in ("a", "b", "c") if ("current", phase) in by_key]
        if len(tracks) != 3 or len({track.own_us for track in tracks}) != 1:
            return None
        windows = [track.windows[track.own_us] for track in tracks]
        if len({len(window.blocks) for window in windows}) != 1:
            return None
        rows = np.array([window.blocks for window in windows])
        mean = rows.mean(axis=0)
        if not len(mean) or np.isnan(mean).all() or np.nanmax(mean) <= 0:
            return None
        at = int(np.nanargmax(mean))
        with np.errstate(invalid="ignore", divide="ignore"):
            percent = 100 * np.abs(rows - mean).max(axis=0) / mean
        high = percent[mean >= HIGH_LOAD * mean[at]]
        start = windows[0].first_block_us + at * windows[0].window_us
        return Unbalance(float(percent[at]), start, float(np.nanmax(high)))
