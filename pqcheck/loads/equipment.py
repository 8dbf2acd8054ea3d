"""Transformer loading by harmonics, spectra of the high-load intervals, motor derating for unbalance, starts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.loads.channels import PAIRS, Array, harmonic_scale, mean_channel, phases_of, values_in, voltage_sum
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.study_values import Loading, Motor
from pqcheck.loads.waveform import fundamental_beside_orders
from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.recording import Recording, Stream
from pqcheck.physics.demand import three_phase_current
from pqcheck.physics.distortion import fundamental_from_rms
from pqcheck.physics.transformer import (
    dry_type_capacity,
    harmonic_loss_factor,
    k_factor,
    liquid_filled_capacity,
    motor_derating,
    other_stray_loss_factor,
)
from pqcheck.physics.unbalance import deviation_unbalance
from pqcheck.site.site_values import Site
from pqcheck.stats.percentile import rank

HIGH_LOAD = 0.8
"""High load: intervals with at least this share of the largest current of the phase."""


KNOWN = 0.9
"""Least share of these intervals whose orders have to be known."""


class HighLoad(Struct, frozen=True):
    """Mean-square currents by order of the high-load intervals of one phase, in A; order 1 is the fundamental."""

    phase: str
    currents: Mapping[int, float]
    intervals: int
    threshold: float
    recorded: tuple[int, ...] = ()
    """The orders of the record, where new loads brought others; empty: all of them."""

    @property
    def missing(self) -> tuple[int, ...]:
        """Odd orders up to 25 that were not recorded."""
        held = self.recorded or tuple(self.currents)
        return tuple(order for order in range(3, 26, 2) if order not in held)


def high_load_spectra(recording: Recording, site: Site) -> dict[str, HighLoad]:
    """The spectrum of each phase over its own high-load intervals, mean square, from the first stream that has one."""
    for stream in recording.streams:
        spectra = {
            phase: spectrum
            for phase in phases_of(site.supply)
            if (spectrum := _high_load(stream, phase)) is not None
        }
        if spectra:
            return spectra
    return {}


def with_new_orders(spectra: Mapping[str, HighLoad], loads: Sequence[NewLoad], site: Site) -> dict[str, HighLoad]:
    """The spectra with what the new loads bring in orders that the record lacks, added arithmetically at full size."""
    result = {}
    for phase, spectrum in spectra.items():
        added: dict[int, float] = {}
        for load in loads:
            if phase not in load.phases or load.bank is not None:
                continue
            fundamental = load.line_current(site.supply) / load.spectrum.rms_ratio
            for order, percent in load.spectrum.percent.items():
                if order not in spectrum.currents:
                    added[order] = added.get(order, 0.0) + fundamental * percent / 100
        result[phase] = replace(spectrum, currents={**spectrum.currents, **added}, recorded=tuple(spectrum.currents))
    return result


def _high_load(stream: Stream, phase: str) -> HighLoad | None:
    rms, first = mean_channel(stream, "current", phase), mean_channel(stream, "current_harmonic", phase, 1)
    orders = {
        order: channel
        for order in range(2, HIGHEST_ORDER + 1)
        if (channel := mean_channel(stream, "current_harmonic", phase, order)) is not None
    }
    thd = mean_channel(stream, "current_thd", phase)
    main = rms if rms is not None else first
    if main is None or not orders:
        return None
    level: list[Array] = []
    squares: list[list[Array]] = []
    inputs = dict.fromkeys(channel for channel in (main, first, thd, *orders.values()) if channel is not None)
    for block in stream.blocks(list(inputs)):
        base = values_in(block.values, main, "A").copy()
        if first is not None:
            fundamental = values_in(block.values, first, "A")
        elif thd is not None:
            fundamental = fundamental_from_rms(base, values_in(block.values, thd, "%"))
        else:
            fundamental = fundamental_beside_orders(
                base, [(channel.unit, np.asarray(block.values[channel])) for channel in orders.values()]
            )
        own = [
            np.square(values_in(block.values, channel, channel.unit) * harmonic_scale(channel, "A", fundamental, base))
            for channel in orders.values()
        ]
        level.append(base)
        squares.append([np.square(fundamental), *own])
    amperes = np.concatenate(level)
    if np.isnan(amperes).all() or np.nanmax(amperes) <= 0:
        return None
    threshold = HIGH_LOAD * float(np.nanmax(amperes))
    rows = np.concatenate(squares, axis=1)
    high = amperes >= threshold
    good = high & ~np.isnan(rows.sum(axis=0))
    # The intervals without orders may be those with the most harmonics.
    if good.sum() < KNOWN * high.sum():
        return None
    currents = {order: float(np.sqrt(row[good].mean())) for order, row in zip((1, *orders), rows, strict=True)}
    return HighLoad(phase, currents, int(good.sum()), threshold)


def loading(spectrum: HighLoad, site: Site, when: str) -> Loading:
    """Harmonic loss factors of the spectrum of a winding, K-factor on its rated current, the derated power if known."""
    orders = list(spectrum.currents)
    currents = [spectrum.currents[order] for order in orders]
    loss, stray = float(harmonic_loss_factor(currents, orders)), float(other_stray_loss_factor(currents, orders))
    rated = float(site.ratings["transformer"]) if "transformer" in site.ratings else None
    factor = None
    if rated is not None:
        line, phases = site.supply.line_to_line, phases_of(site.supply)
        if len(phases) == 3 and line is not None:
            amperes = float(three_phase_current(rated, float(line)))
        else:
            amperes = rated / voltage_sum(phases, site.supply)
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


def motor(recording: Recording, when: str) -> Motor | None:
    """Derating of motors at the largest deviation unbalance that holds for 95 % of the intervals.

    The curve is that of the limit table ``nema-mg1``. None where line-to-line voltages were not recorded.
    """
    from pqcheck.limit_tables import load_table

    for stream in recording.streams:
        recorded = mean_channel(stream, "voltage_deviation_unbalance", None)
        inputs = [recorded] if recorded else [mean_channel(stream, "voltage", pair) for pair in PAIRS]
        known = [channel for channel in inputs if channel is not None]
        if len(known) < len(inputs):
            continue
        unit = "%" if recorded else "V"
        parts = []
        for block in stream.blocks(known):
            arrays = [values_in(block.values, channel, unit) for channel in known]
            parts.append(arrays[0].copy() if recorded else deviation_unbalance(*arrays))
        values = np.concatenate(parts)
        good = np.flatnonzero(~np.isnan(values))
        if not len(good):
            continue
        ranked = good[np.argsort(values[good], kind="stable")]
        at = int(ranked[rank(len(ranked), Decimal(95)) - 1])
        row = load_table("nema-mg1").rules[0].rows[0]
        points, factors = np.array(row.derating, dtype=np.float64).T
        factor = float(motor_derating(float(values[at]), points, factors))
        basis = "NEMA MG 1, 14.36, curve read at points (one source), at what 95 % of the intervals do not exceed"
        start = stream.axis.start_us + at * stream.axis.interval_us
        return Motor(when, float(values[at]), start, None if math.isnan(factor) else factor, basis)
    return None
