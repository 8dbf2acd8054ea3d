"""Contract headers to channels, and the one sentence that says how a column is read."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence

from pqcheck.model.clock import duration_text
from pqcheck.model.errors import InputError, nearest
from pqcheck.model.quantities import HIGHEST_ORDER, QUANTITIES, READINGS, Quantity
from pqcheck.model.recording import Channel
from pqcheck.model.units import in_alias_table, symbol_of

TIME = "time"
"""Header of the column of stamps."""

_ORDER = re.compile(r"h(\d{1,3})\Z")
_HERTZ = re.compile(r"f(\d+(?:\.\d+)?)\Z")

_PHASE_WORDS = {
    "an": "phase a to neutral", "bn": "phase b to neutral", "cn": "phase c to neutral",
    "ab": "phase a to phase b", "bc": "phase b to phase c", "ca": "phase c to phase a", "ng": "neutral to ground",
    "a": "phase a", "b": "phase b", "c": "phase c", "n": "neutral", "total": "all phases together",
}
_UNIT_WORDS = {
    "V": "volts", "kV": "kilovolts", "A": "amperes", "mA": "milliamperes", "kA": "kiloamperes", "Hz": "hertz",
    "mHz": "millihertz", "1": "no unit", "W": "watts", "kW": "kilowatts", "MW": "megawatts",
    "% of nominal": "percent of the nominal voltage", "% of rms": "percent of the true rms value",
}
_FUNDAMENTAL_UNITS = {
    "voltage_harmonic": ("V", "kV"), "current_harmonic": ("A", "mA", "kA"),
    "interharmonic_voltage": ("%", "V"), "signalling_voltage": ("%", "V"),
}
SCALED_UNITS = {"voltage": ("pu", "% of nominal"), "voltage_thd": ("% of rms",), "current_thd": ("% of rms",)}
"""Units a file may use that are turned into the channel's own while it is read (see `scale`)."""

_READING_WORDS = {"mean": "mean", "min": "smallest value", "max": "largest value"}
_RATIO_WORDS = {
    "voltage_harmonic": "percent of the fundamental", "current_harmonic": "percent of the fundamental",
    "voltage_thd": "percent of the fundamental", "current_thd": "percent of the fundamental",
    "current_tdd": "percent of the maximum demand current", "current_trd": "percent of the rated current",
    "interharmonic_voltage": "percent of the fundamental", "signalling_voltage": "percent of the fundamental",
}


def parse_header(text: str) -> Channel | None:
    """The channel of a contract header ``quantity[.phase][.hORDER | .fHERTZ][.reading] [unit]``.

    None when the header does not begin with a known quantity or the rest does not fit it (`why_not` says why).
    InputError when all fits but the unit, which is never guessed.
    """
    parsed = _parse(text)
    return parsed if isinstance(parsed, Channel) else None


def why_not(text: str) -> str:
    """Why a header is no contract header, as the end of a sentence."""
    parsed = _parse(text)
    return "" if isinstance(parsed, Channel) else parsed


def mapped_channel(column: str, text: str) -> Channel:
    """The channel that ``[recording.columns]`` gives a column; InputError naming what is wrong with it."""
    parsed = _parse(text)
    if isinstance(parsed, Channel):
        return parsed
    raise InputError(f"[recording.columns] maps column {column!r} to {text!r}, but {parsed}")


@functools.lru_cache(maxsize=4096)
def _parse(text: str) -> Channel | str:
    named, bracket, rest = text.partition("[")
    unit, closing, behind = rest.partition("]")
    if "]" in named or "[" in unit or behind.strip() or bool(bracket) != bool(closing):
        return "its brackets do not match"
    name, *parts = named.strip().split(".")
    quantity = QUANTITIES.get(name)
    if name == TIME:
        return f"{name!r} is not a quantity"
    if quantity is None:
        return f"{name!r} is not a quantity{nearest(name, QUANTITIES)}"
    phase, order, hertz, reading = None, None, None, "mean"
    if quantity.phases:
        if not parts or parts[0] not in quantity.phases:
            given = f"{parts[0]!r} is not a phase of {name}" if parts else f"{name} needs a phase"
            return f"{given} (one of {', '.join(quantity.phases)})"
        phase = parts.pop(0)
    # A frequency may hold a decimal point of its own: "f317.5" arrives split in two.
    if len(parts) > 1 and re.fullmatch(r"f\d+", parts[0]) and parts[1].isdigit():
        parts[:2] = [f"{parts[0]}.{parts[1]}"]
    if quantity.suffix and parts:
        as_order, as_hertz = _ORDER.match(parts[0]), _HERTZ.match(parts[0])
        if as_order and 1 <= int(as_order[1]) <= HIGHEST_ORDER:
            order = int(parts.pop(0)[1:])
        elif as_hertz and quantity.suffix == "order or hertz":
            hertz = parts.pop(0)[1:]
    if quantity.suffix and order is None and hertz is None:
        return f"{name} needs an order such as h5 (1 to {HIGHEST_ORDER})"
    if parts and parts[0] in READINGS:
        reading = parts.pop(0)
    if parts:
        return f"{'.'.join(parts)!r} does not belong to {name}"
    return Channel(quantity.name, phase, order, hertz, reading, _unit(text, unit, quantity, order))


def _unit(header: str, text: str, quantity: Quantity, order: int | None) -> str:
    read = _FUNDAMENTAL_UNITS.get(quantity.name, ()) if order == 1 else quantity.units_read
    written = text.strip()
    if not written and "" in read:
        return quantity.unit
    choice = " or ".join(unit for unit in read if unit)
    if not written:
        raise InputError(f"column {header!r} has no unit; write it in brackets, one of {choice}")
    symbol = _symbol(written)
    if symbol not in read and symbol not in SCALED_UNITS.get(quantity.name, ()):
        raise InputError(f"column {header!r}: {written!r} is not a unit of {quantity.name}; write {choice}")
    return symbol


@functools.lru_cache(maxsize=256)
def _symbol(written: str) -> str:
    return symbol_of(written) if in_alias_table(written) else written


def read_as(channel: Channel, interval_us: int | None, stamp: str) -> str:
    """How a column is read, in one sentence without a full stop.

    ``voltage, phase a to neutral, mean over 10 min, volts, stamp marks the start``
    """
    if channel.quantity == "flag":
        return "flag, a value other than 0 marks the interval as flagged"
    title = QUANTITIES[channel.quantity].title
    parts = [title[0].lower() + title[1:]]
    if channel.phase is not None:
        parts.append(_PHASE_WORDS[channel.phase])
    if channel.order is not None:
        parts.append("fundamental" if channel.order == 1 else f"order {channel.order}")
    if channel.hertz is not None:
        parts.append(f"at {channel.hertz} Hz")
    word = "over" if channel.reading == "mean" else "in"
    over = "" if interval_us is None else f" {word} {duration_text(interval_us)}"
    parts.append(_READING_WORDS[channel.reading] + over)
    unit = channel.unit
    parts.append(_RATIO_WORDS.get(channel.quantity, "percent") if unit == "%" else _UNIT_WORDS.get(unit, unit))
    parts.append(f"stamp marks the {stamp}")
    return ", ".join(parts)


def resolve_columns(
    headers: list[str], mapping: Mapping[str, str]
) -> tuple[dict[int, Channel], list[tuple[int, str]]]:
    """Channels by column number, and the columns left alone with the reason; the site's mapping wins.

    InputError when two columns are the same channel, or a mapped column is not in the file.
    """
    channels: dict[int, Channel] = {}
    unknown: list[tuple[int, str]] = []
    for number, header in enumerate(headers):
        if mapping.get(header) == TIME:
            continue
        if header in mapping:
            channels[number] = mapped_channel(header, mapping[header])
            continue
        parsed = _parse(header)
        if isinstance(parsed, Channel):
            channels[number] = parsed
        else:
            unknown.append((number, parsed))
    seen: dict[tuple[str, str | None, int | None, str | None, str], int] = {}
    for number, channel in channels.items():
        if channel.key in seen:
            raise InputError(
                f"columns {headers[seen[channel.key]]!r} and {headers[number]!r} are both {channel.name}; "
                "remove one, or map one of them to something else under [recording.columns]"
            )
        seen[channel.key] = number
    return channels, unknown


def find_time(headers: Sequence[str], mapping: Mapping[str, str], name: str) -> int:
    """Number of the time column: called `time`, or mapped to it; InputError when there is none."""
    for number, header in enumerate(headers):
        if mapping.get(header) == TIME or (header == TIME and header not in mapping):
            return number
    shown = ", ".join(repr(header) for header in headers[:4]) + (" ..." if len(headers) > 4 else "")
    raise InputError(
        f"{name} has no column 'time' (its columns are {shown}); name the one that holds the stamps in the site file, "
        'under [recording.columns], as "its header" = "time"'
    )

