"""Corrections that a person declared: applied here and nowhere else, before anything is judged.

A correction is never made by pqcheck itself. Each is applied in the order written; phases are named as the columns
are named after the corrections before it. What a correction makes unknowable becomes unobserved, never a guess.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.derive.reblock import cut_blocks
from pqcheck.derive.trims import TRIMMED, cut, kept_span, rests
from pqcheck.model.clock import iso
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import Axis, Block, Channel, LeftOut, Recording, RowIndex, RowSpan, Stream
from pqcheck.physics.power import power_factor, vector_apparent_power, vector_power_factor
from pqcheck.site.site_values import Correction

Values = NDArray[Any]
Rows = dict[Channel, Values]

SIGNED = ("active_power", "reactive_power", "power_factor", "displacement_power_factor")
"""Quantities that turn with the arrow of a clamp."""
OF_CURRENT = ("current", "current_thd", "current_tdd", "current_trd", "current_harmonic")
"""Quantities that go with a clamp to another phase."""
REGISTERS = ("active_energy_import", "active_energy_export", "reactive_energy")
FACTORS = ("power_factor", "displacement_power_factor")

_ANGLE = {"a": 0.0, "b": -120.0, "c": 120.0}


def corrected_recording(recording: Recording, corrections: Sequence[Correction]) -> Recording:
    """The recording as the corrections leave it: streams with moved or shortened axes and corrected blocks.

    Raises SiteError for corrections that contradict each other, name a phase that was not recorded, or leave nothing.
    """
    check_corrections(recording, corrections)
    if not corrections:
        return recording
    shift = sum(int(correction.settings["by_us"]) for correction in corrections if correction.kind == "shift-time")
    keep_from, keep_to = kept_span(corrections)
    streams, whole = [], []
    spans: list[tuple[int, int]] = []
    for stream in recording.streams:
        axis = cut(_shifted(stream.axis, shift), keep_from, keep_to)
        if axis.count <= 0:
            raise SiteError(
                "the trim in [[corrections]] leaves nothing of the recording "
                f"({iso(stream.axis.start_us + shift, recording.zone)} to "
                f"{iso(stream.axis.end_us + shift, recording.zone)}); correct its times"
            )
        streams.append(_wrapped(stream, axis, shift, corrections))
        untrimmed = _shifted(stream.axis, shift)
        whole.append(_wrapped(stream, untrimmed, shift, corrections))
        spans += [(rest.start_us, rest.end_us) for rest in rests(untrimmed, axis)]
    left_out = tuple(_corrected_part(part, shift, corrections) for part in recording.left_out)
    if spans:
        # The whole of it: what a hook-up looks like is known from what follows.
        left_out = (*left_out, LeftOut(tuple(whole), tuple(spans), TRIMMED))
    notes = tuple(
        replace(note, spans=tuple((start + shift, end + shift) for start, end in note.spans))
        for note in recording.notes
    )
    moved = (replace(event, time_us=event.time_us + shift) for event in recording.events)
    events = tuple(
        event for event in moved
        if not event.certain
        or ((keep_from is None or event.end_us > keep_from) and (keep_to is None or event.time_us < keep_to))
    )
    return replace(recording, streams=tuple(streams), notes=notes, events=events, left_out=left_out)


def corrected(block: Block, corrections: Sequence[Correction], stream: Stream) -> Block:
    """A block with reversed, swapped and scaled channels put right; the axis and the arrays given are left alone.

    `stream` is the stream as recorded: its channels say what exists beside what the block holds.
    """
    rows: Rows = dict(block.values)
    lower, upper = dict(block.lower_bounds), dict(block.upper_bounds)
    for correction in corrections:
        if correction.kind == "reverse-current":
            rows = reversed_current(rows, str(correction.settings["phase"]))
            lower, upper = _turned_bounds(lower, upper, str(correction.settings["phase"]))
        elif correction.kind == "swap-currents":
            first, second = correction.settings["phases"]
            rows = swapped_currents(rows, str(first), str(second))
            lower, upper = (_relabelled(masks, str(first), str(second)) for masks in (lower, upper))
        elif correction.kind == "scale":
            rows = scaled(rows, str(correction.settings["quantity"]), tuple(correction.settings["phases"]),
                          float(correction.settings["factor"]))
    # What the reader knew of the channels was about other names, and powers are formed anew.
    return replace(block, values=rows, lower_bounds=lower, upper_bounds=upper)


def reversed_current(rows: Mapping[Channel, Values], phase: str) -> Rows:
    """Powers of a phase with the sign turned, totals formed anew from the phases, registers unobserved.

    A minimum becomes the maximum of the turned value. A total can only be put right by what its phase contributed;
    without the phase's own power it is unobserved.
    """
    turning = {channel for channel in rows if channel.phase == phase and channel.quantity in SIGNED}
    out: Rows = {channel: values for channel, values in rows.items() if channel not in turning}
    for channel in turning:
        reading = {"min": "max", "max": "min"}.get(channel.reading, channel.reading)
        out[replace(channel, reading=reading)] = -rows[channel]
    _totals_anew(out, rows, (phase,))
    return out


def swapped_currents(rows: Mapping[Channel, Values], first: str, second: str) -> Rows:
    """Two clamps back on their phases: their currents change names, their powers are turned to the right voltage.

    The power of phase x was formed with the current of phase y: P + jQ holds V_x and I_y. The power of phase y is that
    value times V_y/V_x, a turn by 120 degrees for voltages that stand 120 degrees apart (phase order a, b, c) and the
    ratio of their magnitudes where they were recorded. Without both P and Q of both phases, and for extremes, powers
    become unobserved.
    """
    out: Rows = _relabelled(dict(rows), first, second)
    for channel in list(rows):
        if channel.phase in (first, second) and (channel.quantity in SIGNED or channel.quantity == "apparent_power"):
            out[channel] = np.full_like(rows[channel], np.nan)
    needed = {(quantity, phase): _mean(rows, quantity, phase)
              for quantity in ("active_power", "reactive_power") for phase in (first, second)}
    if all(channel is not None for channel in needed.values()):
        for source, target in ((first, second), (second, first)):
            _turned(out, rows, source, target)
    _totals_anew(out, rows, (first, second))
    return out


def _turned(out: Rows, rows: Mapping[Channel, Values], source: str, target: str) -> None:
    """Put the power of `target`, measured at the voltage of `source`, into `out`."""
    active, reactive = _mean(rows, "active_power", source), _mean(rows, "reactive_power", source)
    into_active, into_reactive = _mean(rows, "active_power", target), _mean(rows, "reactive_power", target)
    if active is None or reactive is None or into_active is None or into_reactive is None:
        return
    unit_p, unit_q = _size(active.unit), _size(reactive.unit)
    turn = np.exp(1j * np.radians(_ANGLE[target] - _ANGLE[source]))
    power = (rows[active] * unit_p + 1j * rows[reactive] * unit_q) * turn
    volts_source, volts_target = _mean(rows, "voltage", f"{source}n"), _mean(rows, "voltage", f"{target}n")
    ratio: Any = 1.0
    if volts_source is not None and volts_target is not None and volts_source.unit == volts_target.unit:
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = rows[volts_target] / rows[volts_source]
        power = power * ratio
    out[into_active] = power.real / _size(into_active.unit)
    out[into_reactive] = power.imag / _size(into_reactive.unit)
    size = np.abs(power)
    apparent, measured = _mean(rows, "apparent_power", target), _mean(rows, "apparent_power", source)
    if apparent is not None and measured is not None:
        # Magnitudes keep their distortion: only the voltage changes.
        size = rows[measured] * _size(measured.unit) * ratio
        out[apparent] = size / _size(apparent.unit)
    factor = _mean(rows, "power_factor", target)
    if factor is not None:
        out[factor] = power_factor(power.real, size) * (100.0 if factor.unit == "%" else 1.0)
    displacement = _mean(rows, "displacement_power_factor", target)
    if displacement is not None:
        by = 100.0 if displacement.unit == "%" else 1.0
        out[displacement] = power_factor(power.real, np.abs(power)) * by


def scaled(rows: Mapping[Channel, Values], quantity: str, phases: tuple[str, ...], factor: float) -> Rows:
    """One quantity times a factor, on some phases or all (empty); other quantities need a correction of their own."""
    out: Rows = dict(rows)
    for channel, values in rows.items():
        if channel.quantity == quantity and (not phases or channel.phase in phases):
            out[channel] = (values * factor).astype(values.dtype, copy=False)
    return out


def _totals_anew(out: Rows, rows: Mapping[Channel, Values], phases: Sequence[str]) -> None:
    """Totals that contain corrected phases: the change of the phases is added; factors and registers are unobserved."""
    for channel, values in rows.items():
        if channel.phase != "total":
            continue
        if channel.quantity in ("active_power", "reactive_power") and channel.reading == "mean":
            parts = [_mean(rows, channel.quantity, phase) for phase in phases]
            total = np.array(values, np.float64)
            for part in parts:
                if part is None:
                    total[:] = np.nan
                    continue
                total += (out[part] - rows[part]) * (_size(part.unit) / _size(channel.unit))
            out[channel] = total
        elif channel.quantity in (*SIGNED, "apparent_power", *REGISTERS):
            out[channel] = np.full_like(values, np.nan, dtype=np.float64)
    _total_factor(out, rows)


def _total_factor(out: Rows, rows: Mapping[Channel, Values]) -> None:
    """Total apparent power (vector) and power factor from the corrected total P and Q."""
    active, reactive = _mean(rows, "active_power", "total"), _mean(rows, "reactive_power", "total")
    if active is None or reactive is None:
        return
    powers = out[active] * _size(active.unit), out[reactive] * _size(reactive.unit)
    apparent = _mean(rows, "apparent_power", "total")
    if apparent is not None:
        out[apparent] = vector_apparent_power(*powers) / _size(apparent.unit)
    for quantity in FACTORS:
        factor = _mean(rows, quantity, "total")
        if factor is not None:
            out[factor] = vector_power_factor(*powers) * (100.0 if factor.unit == "%" else 1.0)


def _relabelled(rows: Mapping[Channel, Any], first: str, second: str) -> dict[Channel, Any]:
    """Rows of two phases that go with the clamps under each other's names."""
    other = {first: second, second: first}
    out: dict[Channel, Any] = {}
    for channel, values in rows.items():
        moves = channel.quantity in OF_CURRENT and channel.phase in other
        out[replace(channel, phase=other[str(channel.phase)]) if moves else channel] = values
    return out


def _turned_bounds(
    lower: Mapping[Channel, Any], upper: Mapping[Channel, Any], phase: str
) -> tuple[dict[Channel, Any], dict[Channel, Any]]:
    """Bounds after the signed powers of a phase changed their sign: the least becomes the most."""
    def turns(channel: Channel) -> bool:
        return channel.phase == phase and channel.quantity in SIGNED

    def with_other(same: Mapping[Channel, Any], other: Mapping[Channel, Any]) -> dict[Channel, Any]:
        swapped = {"min": "max", "max": "min"}
        return {channel: mask for channel, mask in same.items() if not turns(channel)} | {
            replace(channel, reading=swapped.get(channel.reading, channel.reading)): mask
            for channel, mask in other.items() if turns(channel)
        }

    return with_other(lower, upper), with_other(upper, lower)


def _mean(rows: Mapping[Channel, Any], quantity: str, phase: str) -> Channel | None:
    return next((channel for channel in rows if channel.quantity == quantity and channel.phase == phase
                 and channel.reading == "mean"), None)


def _size(unit: str) -> float:
    return {"k": 1e3, "M": 1e6}.get(unit[:1], 1.0)


def _shifted(axis: Axis, shift: int) -> Axis:
    return replace(axis, start_us=axis.start_us + shift)


def _corrected_part(part: LeftOut, shift: int, corrections: Sequence[Correction]) -> LeftOut:
    """What was left out before, put right like the rest; it cannot be trimmed again."""
    return LeftOut(
        tuple(_wrapped(stream, _shifted(stream.axis, shift), shift, corrections) for stream in part.streams),
        tuple((start + shift, end + shift) for start, end in part.spans), part.why,
    )


class _MovedIndex:
    """Rows of a stream whose clock was moved and whose clamps changed names."""

    def __init__(self, index: RowIndex, shift: int, names: Mapping[Channel, Channel]) -> None:
        self._index, self._shift, self._names = index, shift, names

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        """Where the values of a corrected channel stand in the files."""
        return self._index.rows(self._names.get(channel, channel), start_us - self._shift, end_us - self._shift)


def _wrapped(stream: Stream, axis: Axis, shift: int, corrections: Sequence[Correction]) -> Stream:
    names = {channel: channel for channel in stream.channels}
    for correction in corrections:
        if correction.kind == "swap-currents":
            first, second = correction.settings["phases"]
            names = _relabelled(names, str(first), str(second))
        elif correction.kind == "reverse-current":
            names = _turned_extremes(names, str(correction.settings["phase"]))

    def blocks(channels: Sequence[Channel] | None) -> Iterator[Block]:
        """Corrected blocks; powers need their partners, so these are decoded too and left out again."""
        wanted = None if channels is None else set(channels)
        needed = None if wanted is None else _needed(stream.channels, wanted, names, corrections)
        plain = stream.blocks(needed)
        put_right = (corrected(_moved(block, shift), corrections, stream) for block in plain)
        kept = put_right if wanted is None else (_only(block, wanted) for block in put_right)
        unmoved = axis.start_us == stream.axis.start_us + shift and axis.count == stream.axis.count
        return kept if unmoved else cut_blocks(kept, axis)

    return Stream(axis, tuple(names), blocks, _MovedIndex(stream.index, shift, names))


def _turned_extremes(names: Mapping[Channel, Channel], phase: str) -> dict[Channel, Channel]:
    other = {"min": "max", "max": "min"}
    out = {}
    for channel, source in names.items():
        turns = channel.quantity in SIGNED and channel.phase == phase and channel.reading in other
        out[replace(channel, reading=other[channel.reading]) if turns else channel] = source
    return out


def _needed(
    channels: Sequence[Channel], wanted: set[Channel], names: Mapping[Channel, Channel],
    corrections: Sequence[Correction],
) -> list[Channel]:
    """Recorded channels that the wanted ones are formed from."""
    direct = {names[channel] for channel in wanted if channel in names} | (wanted & set(channels))
    powers = any(channel.quantity in (*SIGNED, "apparent_power") for channel in wanted)
    turns = any(correction.kind in ("swap-currents", "reverse-current") for correction in corrections)
    partners = (*SIGNED, "apparent_power", "voltage")
    return [channel for channel in channels
            if channel in direct or (powers and turns and channel.quantity in partners and channel.reading == "mean")]


def _moved(block: Block, shift: int) -> Block:
    return replace(block, axis=_shifted(block.axis, shift)) if shift else block


def _only(block: Block, wanted: set[Channel]) -> Block:
    return replace(
        block, values={channel: values for channel, values in block.values.items() if channel in wanted},
        lower_bounds={channel: mask for channel, mask in block.lower_bounds.items() if channel in wanted},
        upper_bounds={channel: mask for channel, mask in block.upper_bounds.items() if channel in wanted},
    )


def check_corrections(recording: Recording, corrections: Sequence[Correction]) -> None:
    """SiteError for corrections that contradict each other, name what was not recorded, or lack reason or author."""
    recorded = {(channel.quantity, channel.phase) for _, channel in recording.channels()}
    quantities = {quantity for quantity, _ in recorded}
    once: set[tuple[Any, ...]] = set()
    for number, correction in enumerate(corrections, 1):
        where = f"correction {number} ({correction.kind})"
        for field, text in (("reason", correction.reason), ("author", correction.author)):
            if not str(text).strip():
                raise SiteError(f"{where} lacks its {field}; every correction is signed with reason and author")
        for phase in _phases(correction):
            asked = str(correction.settings.get("quantity", "current"))
            if (asked, phase) not in recorded:
                raise SiteError(f"{where} names phase {phase!r} of {asked}, which was not recorded; "
                                "correct the phase or remove the correction")
        if correction.kind == "scale" and correction.settings["quantity"] not in quantities:
            raise SiteError(f"{where} scales {correction.settings['quantity']}, which was not recorded; "
                            "correct the quantity or remove the correction")
        for claim in _claims(correction, recorded):
            if claim in once:
                raise SiteError(f"{where} contradicts an earlier one: {_claim_words(claim)} twice; keep one of them")
            once.add(claim)
    start, end = kept_span(corrections)
    if start is not None and end is not None and start >= end:
        raise SiteError("the trims in [[corrections]] contradict each other: nothing is kept; correct their times")


def _phases(correction: Correction) -> tuple[str, ...]:
    if correction.kind == "reverse-current":
        return (str(correction.settings["phase"]),)
    if correction.kind in ("swap-currents", "scale"):
        return tuple(str(phase) for phase in correction.settings["phases"])
    return ()


def _claims(correction: Correction, recorded: set[tuple[str, str | None]]) -> list[tuple[Any, ...]]:
    """What a correction decides; no two may decide the same."""
    if correction.kind == "reverse-current":
        return [("reverse", correction.settings["phase"])]
    if correction.kind == "swap-currents":
        return [("swap", *sorted(correction.settings["phases"]))]
    if correction.kind == "scale":
        asked = correction.settings["quantity"]
        every = sorted(str(phase) for quantity, phase in recorded if quantity == asked)
        phases = correction.settings["phases"] or every
        return [("scale", asked, phase) for phase in phases]
    if correction.kind == "shift-time":
        return [("shift",)]
    return [(side,) for side in ("from_us", "to_us") if correction.settings.get(side) is not None]


def _claim_words(claim: tuple[Any, ...]) -> str:
    words = {"reverse": "the current of phase {} is reversed", "swap": "phases {} and {} are swapped",
             "scale": "{} of phase {} is scaled", "shift": "the clock is shifted", "from_us": "the start is trimmed",
             "to_us": "the end is trimmed"}
    return words[claim[0]].format(*claim[1:])
