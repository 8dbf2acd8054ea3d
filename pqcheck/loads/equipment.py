"""Transformer loading by harmonics, spectra of the high-load intervals, motor derating for unbalance, starts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from pqcheck.loads.declared import NewLoad, voltage_sum
from pqcheck.loads.series import Array, canonical, held, phases_of
from pqcheck.loads.source import Source
from pqcheck.loads.values import Loading, Motor, Spectrum, Start
from pqcheck.physics.demand import three_phase_current
from pqcheck.physics.transformer import (
    dry_type_capacity,
    harmonic_loss_factor,
    k_factor,
    liquid_filled_capacity,
    motor_derating,
    other_stray_loss_factor,
)
from pqcheck.physics.unbalance import deviation_unbalance
from pqcheck.recording import Recording, Stream
from pqcheck.site.model import Site

HIGH_LOAD = 0.8
"""High load: intervals with at least this share of the largest current of the phase."""
HIGHEST = 50


class HighLoad(Struct, frozen=True):
    """Mean-square currents by order of the high-load intervals of one phase, in A; order 1 is the fundamental."""

    phase: str
    currents: Mapping[int, float]
    intervals: int
    threshold: float

    @property
    def missing(self) -> tuple[int, ...]:
        """Odd orders up to 25 that were not recorded."""
        return tuple(order for order in range(3, 26, 2) if order not in self.currents)


def high_load_spectrum(recording: Recording, site: Site) -> HighLoad | None:
    """The spectrum of the phase with the largest harmonic loss factor, mean square over its high-load intervals."""
    found: list[tuple[float, HighLoad]] = []
    for stream in recording.streams:
        for phase in phases_of(site.supply):
            one = _high_load(stream, phase)
            if one is not None:
                orders = list(one.currents)
                factor = harmonic_loss_factor([one.currents[order] for order in orders], orders)
                found.append((float(factor), one))
        if found:
            break
    return max(found, key=lambda one: one[0])[1] if found else None


def _high_load(stream: Stream, phase: str) -> HighLoad | None:
    rms, first = held(stream, "current", phase), held(stream, "current_harmonic", phase, 1)
    orders = {
        order: channel
        for order in range(2, HIGHEST + 1)
        if (channel := held(stream, "current_harmonic", phase, order)) is not None
    }
    main = rms if rms is not None else first
    if main is None or not orders:
        return None
    channels = (main, *orders.values(), *((first,) if first is not None and first is not main else ()))
    level: list[Array] = []
    squares: dict[int, list[Array]] = {}
    for block in stream.blocks(channels):
        base = canonical(block.values, main, "A").copy()
        fundamental = base if first is None else canonical(block.values, first, "A")
        level.append(base)
        total = np.zeros(len(base))
        for order, channel in orders.items():
            if channel.unit == "%":
                amperes = canonical(block.values, channel, "%") / 100 * fundamental
            elif channel.unit == "% of rms":
                amperes = canonical(block.values, channel, channel.unit) / 100 * base
            else:
                amperes = canonical(block.values, channel, "A")
            squares.setdefault(order, []).append(np.square(amperes))
            total = total + np.square(amperes)
        own = np.square(fundamental) if first is not None else np.maximum(np.square(base) - total, 0)
        squares.setdefault(1, []).append(own)
    amperes = np.concatenate(level)
    if not len(amperes) or np.isnan(amperes).all() or np.nanmax(amperes) <= 0:
        return None
    threshold = HIGH_LOAD * float(np.nanmax(amperes))
    rows = {order: np.concatenate(parts) for order, parts in sorted(squares.items())}
    good = (amperes >= threshold) & ~np.isnan(np.sum(list(rows.values()), axis=0))
    if not good.any():
        return None
    currents = {order: float(np.sqrt(row[good].mean())) for order, row in rows.items()}
    return HighLoad(phase, currents, int(good.sum()), threshold)


def loading(spectrum: HighLoad, site: Site, when: str) -> Loading:
    """Harmonic loss factors of a spectrum, K-factor on the rated current, and the derated power where it is known."""
    orders = list(spectrum.currents)
    currents = [spectrum.currents[order] for order in orders]
    loss, stray = float(harmonic_loss_factor(currents, orders)), float(other_stray_loss_factor(currents, orders))
    ratings = site.ratings
    rated: float | None = float(ratings["transformer"]) if "transformer" in ratings else None
    factor = None
    if rated is not None:
        line = site.supply.line_to_line
        amperes = (
            float(three_phase_current(rated, float(line)))
            if len(phases_of(site.supply)) == 3 and line is not None
            else rated / voltage_sum(phases_of(site.supply), site.supply)
        )
        factor = float(k_factor(currents, orders, amperes))
    share, basis = _capacity(loss, stray, site)
    if spectrum.missing:
        basis += f" Orders {', '.join(map(str, spectrum.missing))} were not recorded: the factors are lower bounds."
    return Loading(
        when, loss, stray, factor, spectrum.intervals, spectrum.threshold, spectrum.phase, spectrum.missing,
        None if share is None or rated is None else share * rated, share, basis,
    )  # fmt: skip


def _capacity(loss: float, stray: float, site: Site) -> tuple[float | None, str]:
    ratings = site.ratings
    own = ratings.get("transformer_k_factor")
    if own is not None:
        fits = "covers" if loss <= float(own) else "does not cover"
        return (
            None,
            f"Declared K rating {float(own):g}: it {fits} a harmonic loss factor of {loss:.2f} at rated current.",
        )
    eddy = ratings.get("transformer_eddy_loss")
    if eddy is None:
        return None, "No derated power: [ratings] transformer_eddy_loss is not declared (IEEE C57.110)."
    if ratings.get("transformer_type") == "liquid":
        other = ratings.get("transformer_other_stray_loss")
        if other is None:
            return None, "No derated power: a liquid-filled transformer needs transformer_other_stray_loss as well."
        share = float(liquid_filled_capacity(loss, stray, float(eddy), float(other)))
        return (
            share,
            f"Liquid-filled, eddy loss {eddy:g} %, other stray loss {other:g} % as declared (IEEE C57.110, memory).",
        )
    if ratings.get("transformer_type") == "dry":
        share = float(dry_type_capacity(loss, float(eddy)))
        return share, f"Dry type, eddy loss {eddy:g} % as declared (IEEE C57.110, formula from memory)."
    return None, "No derated power: [ratings] transformer_type is not declared (dry or liquid)."


def spectrum_pair(before: HighLoad | None, after: HighLoad | None) -> Spectrum | None:
    """Current spectra before and after, in amperes."""
    if before is None:
        return None
    return Spectrum("current", before.phase, "A", before.currents, {} if after is None else after.currents)


def motor(recording: Recording, when: str) -> Motor | None:
    """Derating of motors at the largest deviation unbalance that holds for 95 % of the intervals.

    The curve is that of the limit table ``nema-mg1``. None where line-to-line voltages were not recorded.
    """
    from pqcheck.limit_tables import load_table

    for stream in recording.streams:
        lines = [held(stream, "voltage", pair) for pair in ("ab", "bc", "ca")]
        recorded = held(stream, "voltage_deviation_unbalance", None)
        three = [one for one in lines if one is not None]
        if recorded is None and len(three) < 3:
            continue
        inputs = (recorded,) if recorded is not None else tuple(three)
        parts = []
        for block in stream.blocks(inputs):
            if recorded is not None:
                parts.append(canonical(block.values, recorded, "%").copy())
            else:
                parts.append(deviation_unbalance(*(canonical(block.values, one, "V") for one in three)))
        values = np.concatenate(parts)
        good = np.flatnonzero(~np.isnan(values))
        if not len(good):
            continue
        ranked = good[np.argsort(values[good], kind="stable")]
        at = int(ranked[max(0, math.ceil(0.95 * len(ranked)) - 1)])
        row = load_table("nema-mg1").rules[0].rows[0]
        points, factors = [float(one) for one, _ in row.derating], [float(one) for _, one in row.derating]
        factor = float(motor_derating(float(values[at]), points, factors))
        basis = "NEMA MG 1, 14.36, curve read at points (one source), at what 95 % of the intervals do not exceed"
        start = stream.axis.start_us + at * stream.axis.interval_us
        return Motor(when, float(values[at]), start, None if math.isnan(factor) else factor, basis)
    return None


def starts(loads: Sequence[NewLoad], site: Site, source: Source | None, lowest: Mapping[str, float]) -> list[Start]:
    """Voltage at the start of each load that declares a start-up multiple, from the lowest recorded voltage.

    `lowest` is the smallest line-to-neutral voltage by phase. The starting current counts as constant current; without
    a starting power factor it is taken in line with the drop, the most it can be.
    """
    if source is None:
        return []
    found = []
    for load in loads:
        if load.start_multiple is None:
            continue
        current = load.line_current(site.supply) * load.start_multiple
        factor = load.start_power_factor
        for phase in load.phases[:1]:
            before = lowest.get(phase, float(site.supply.line_to_neutral or 0))
            loops = 2.0 if len(load.phases) == 2 else 1.0
            # A load between two phases has twice the impedance and the voltage between them.
            voltage = before * (loops if len(phases_of(site.supply)) == 2 else 1.0 if loops == 1 else math.sqrt(3))
            path = loops * complex(source.resistance, source.reactance)
            if len(load.phases) == 1:
                path += source.neutral_impedance(1)
            if factor is None or not source.angle_known:
                after = voltage - abs(path) * current
            else:
                lag = math.acos(factor)
                drop = path * current * complex(factor, -math.sin(lag))
                after = abs(voltage - drop)
            after = max(after, 0.0)
            found.append(Start(load.name, current, factor, 100 * (voltage - after) / voltage, after, phase))
    return found
