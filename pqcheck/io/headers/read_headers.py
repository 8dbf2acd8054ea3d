"""From the tokens of all headers of a file to channels: one reading per column, with its confidence and its reasons.

What a header leaves open is decided by numbers (`evidence`), or by an assumption that is stated, or not at all: then
the column is left alone with the reason. Two readings that would change a verdict are refused, both named.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from pqcheck.io.headers.column_relations import in_order, settle_by_power, settle_fundamentals, settle_statistics
from pqcheck.io.headers.distortion_base import settle_distortion, settle_harmonics
from pqcheck.io.headers.evidence_of_numbers import Evidence
from pqcheck.io.headers.settled_columns import ALONE, CLEAR, LIKELY, Facts, Guess
from pqcheck.io.headers.tokens import Tokens, tokens_of
from pqcheck.io.unit_conversions import nominal_factor
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Channel

_BY_LETTER = {"1": "a", "2": "b", "3": "c", "a": "a", "b": "b", "c": "c"}
_RST = {"r": "a", "s": "b", "t": "c"}
_UVW = {"u": "a", "v": "b", "w": "c"}
_RYB = {"r": "a", "y": "b", "b": "c"}
_NEXT = {"a": "ab", "b": "bc", "c": "ca"}
_PAIRS = {"ab": "ab", "ba": "ab", "bc": "bc", "cb": "bc", "ca": "ca", "ac": "ca"}
LINE_OVER_NEUTRAL = (1.6, 1.85)
"""Between lines over to neutral on a wye service, with some unbalance."""
_POWERS = ("active_power", "reactive_power", "apparent_power", "power_factor", "displacement_power_factor")
TAKEN_AS_TO_NEUTRAL = "a single phase is taken as to neutral"
_DEFAULT_UNITS = {"frequency": "Hz", "power_factor": "1", "displacement_power_factor": "1", "flicker_pst": "1",
                  "flicker_plt": "1", "flag": "1"}


def read_headers(
    headers: Sequence[str], units: Sequence[str], columns: Sequence[int], evidence: Evidence
) -> list[Guess]:
    """A guess per column of `columns`."""
    tokens = {
        column: tokens_of(headers[column], units[column] if column < len(units) else "") for column in columns
    }
    _settle_uvw(tokens.values())
    letters = _letters(tokens.values())
    sequence = {column for column, words in tokens.items() if words.letters and words.phase == "0"}
    guesses = []
    for column in columns:
        words = tokens[column]
        guess = _guess(column, words, letters, evidence, bool(sequence))
        guesses.append(guess)
    guesses = _line_to_line(guesses, tokens, evidence)
    facts = Facts.of(evidence, guesses)
    guesses = settle_fundamentals(guesses, tokens, headers, facts)
    guesses = _unique(settle_statistics(guesses, tokens, headers, facts), headers, evidence)
    # Every step rests on what the ones before it settled.
    guesses = settle_distortion(guesses, headers, Facts.of(evidence, guesses))
    guesses = settle_by_power(guesses, tokens, headers, Facts.of(evidence, guesses))
    return settle_harmonics(guesses, headers, Facts.of(evidence, guesses))


def _settle_uvw(tokens: Iterable[Tokens]) -> None:
    """A "V" behind a voltage is a phase where the file has others of U, V, W, and else the unit: "u_v" is volts."""
    of_uvw = [words for words in tokens if words.phase in _UVW]
    if len({words.phase for words in of_uvw}) > 1:
        return
    for words in of_uvw:
        if words.phase == "v" and words.quantity == "voltage" and not words.unit:
            words.phase, words.unit = "", "V"


def _letters(tokens: object) -> Mapping[str, str]:
    """What the phase letters of this file mean: L1 L2 L3, A B C, R S T, R Y B or U V W."""
    used = {each.phase.removesuffix("n") for each in tokens}  # type: ignore[attr-defined]
    if used & {"y", "ry", "yb", "br"}:
        return {**_BY_LETTER, **_RYB}
    uvw = _UVW if len(used & _UVW.keys()) > 1 else {}
    return {**_BY_LETTER, **_RST, **uvw}


def _phase(words: Tokens, letters: Mapping[str, str], kind: str) -> str | None:
    """The phase in contract spelling; None when the header names none; "?" when it does not fit."""
    phase = words.phase
    if not phase:
        return None
    if kind == "voltage":
        if phase in ("ng", "n", "4"):
            return "ng"
        if len(phase) == 2 and phase[1] == "n" and phase[0] in letters:
            return letters[phase[0]] + "n"
        if len(phase) == 2 and phase[0] in letters and phase[1] in letters:
            return _PAIRS.get(letters[phase[0]] + letters[phase[1]], "?")
        if phase in letters:
            return _NEXT[letters[phase]] if words.line == "ll" else letters[phase] + "n"
        return "?"
    if phase in ("n", "4"):
        return "n"
    if phase == "total":
        return "total"
    single = phase[0] if len(phase) == 2 and phase[1] == "n" else phase
    return letters.get(single, "?")


def _guess(column: int, words: Tokens, letters: Mapping[str, str], evidence: Evidence, sequence: bool) -> Guess:
    unknown = [word[1:] for word in words.rest if word.startswith("?")]

    def alone(why: str) -> Guess:
        return Guess(column, None, ALONE, why)

    if not words.quantity:
        return alone("its name says no quantity that pqcheck knows")
    if unknown:
        return alone(f"its name holds {unknown[0]!r}, which pqcheck cannot place")
    if words.other_reading:
        return alone(f"it holds {words.other_reading!r} values, which no rule asks for")
    if words.quantity == "flag":
        return Guess(column, Channel("flag", unit="1"), CLEAR, "its name")
    quantity, kind, grounds = words.quantity, words.kind, ["its name"]
    if quantity in ("active_energy", "reactive_energy") or "dmd" in words.rest or "demand" in words.rest:
        return alone("it is a register or a demand value; map it by hand if it is wanted")
    if quantity in ("thd", "thd-r", "harmonic", "fundamental"):
        kind = kind or {"V": "voltage", "kV": "voltage", "A": "current", "mA": "current", "kA": "current"}.get(
            words.unit, "")
        if not kind:
            return alone("its name does not say whether voltage or current is meant")
        quantity = {"thd": f"{kind}_thd", "thd-r": f"{kind}_thd"}.get(quantity, f"{kind}_harmonic")
    if quantity == "unbalance":
        return alone("there are several definitions of unbalance; map it to negative_sequence_unbalance [%] or "
                     "voltage_deviation_unbalance [%]")
    if quantity in ("voltage", "current") and sequence:
        return alone("beside a zero-sequence column it may be a sequence component; map it by hand")
    order = 1 if words.quantity == "fundamental" else words.order
    if quantity.endswith("_harmonic") and order is None:
        return alone("its name says no harmonic order")
    about = QUANTITIES[quantity]
    phase = _phase(words, letters, "voltage" if about.phases[:1] == ("an",) else "current") if about.phases else None
    confidence = CLEAR
    if about.phases:
        if phase is None and quantity in _POWERS:
            phase = "total"
            confidence, grounds = LIKELY, ["no phase is named, so all together"]
        elif phase is None and evidence.connection == "single-phase":
            phase = "an" if "an" in about.phases else "a"
            grounds.append("single-phase service")
        elif phase is None:
            what = "a mean of several phases hides what one of them does" if words.reading == "mean" or words.line \
                else "its name says no phase"
            return alone(f"{what}; map it by hand if it is one phase")
        if phase not in about.phases:
            return alone(f"its phase does not fit {quantity}")
    reading = words.reading if words.reading in ("min", "max") else "mean"
    guess = _with_unit(
        Guess(column, Channel(quantity, phase, order, None, reading), confidence, "; ".join(grounds)), words, evidence
    )
    if words.quantity == "thd" and not words.base and guess.channel is not None:
        return replace(guess, open="base")
    if words.quantity == "thd-r" and guess.channel is not None:
        return replace(guess, scale="thd-r", why=guess.why + "; relative to the true rms value, converted")
    return guess


def _with_unit(guess: Guess, words: Tokens, evidence: Evidence) -> Guess:
    """The unit as written, or as the numbers say."""
    channel = guess.channel
    assert channel is not None
    about = QUANTITIES[channel.quantity]
    unit = words.unit
    read = about.units_read if channel.order != 1 else tuple(each for each in about.units_read if each[-1] in "VA")
    if unit in ("pu", "% of nominal") and channel.quantity == "voltage":
        nominal = evidence.nominal(channel.phase)
        if nominal is None:
            return Guess(guess.column, None, ALONE, f"it is in {unit} and no nominal voltage is declared")
        return replace(guess, channel=replace(channel, unit="V"), scale=nominal_factor(unit, nominal),
                       why=f"{guess.why}; {unit} times the nominal {nominal:g} V")
    if unit == "%" and channel.quantity == "voltage":
        return Guess(guess.column, None, ALONE,
                     "a voltage in percent may be of the nominal or something else; map it by hand")
    if unit:
        if unit not in read:
            return Guess(guess.column, None, ALONE, f"{unit} is no unit of {channel.quantity}")
        if unit == "%" and channel.quantity.endswith("_harmonic"):
            return replace(guess, channel=replace(channel, unit=unit), open="" if words.base else "base")
        return replace(guess, channel=replace(channel, unit=unit))
    if channel.quantity.endswith("_harmonic"):
        return replace(guess, open="unit")
    decided = evidence.unit(channel, guess.column)
    if decided is None:
        default = _DEFAULT_UNITS.get(channel.quantity)
        if default is None:
            return Guess(guess.column, None, ALONE, f"its unit is not written (one of {', '.join(filter(None, read))})")
        return replace(guess, channel=replace(channel, unit=default))
    symbol, why = decided
    return replace(guess, channel=replace(channel, unit=symbol), confidence=LIKELY, why=f"{guess.why}; {why}")


def _line_to_line(guesses: list[Guess], tokens: Mapping[int, Tokens], evidence: Evidence) -> list[Guess]:
    """``V1 V2 V3`` may be line to line: compare with columns that say so, and with the declared nominal."""
    result = []
    pairs = [guess.column for guess in guesses
             if guess.channel and guess.channel.quantity == "voltage" and guess.channel.phase in ("ab", "bc", "ca")]
    bare = {guess.column for guess in guesses if _is_bare(guess, tokens)}
    named = {guess.channel.key: guess.column for guess in guesses
             if guess.channel and guess.channel.quantity == "voltage" and guess.column not in bare}
    for guess in guesses:
        channel = guess.channel
        if guess.column not in bare:
            result.append(guess)
            continue
        assert channel is not None
        if channel.key in named and not pairs:
            result.append(_beside_neutral(guess, channel, named[channel.key], evidence))
            continue
        ratio = evidence.ratio(pairs, guess.column)
        if ratio is not None and 1.6 < ratio < 2.1:
            sentence = f"line-to-line columns are {ratio:.2f} times as large, so phase to neutral"
            result.append(replace(guess, why=f"{guess.why}; {sentence}"))
            continue
        near = evidence.nearest_nominal(channel, guess.column)
        if near is None:
            result.append(replace(guess, confidence=LIKELY, why=f"{guess.why}; {TAKEN_AS_TO_NEUTRAL}"))
        elif near[0] == "neutral":
            result.append(replace(guess, why=f"{guess.why}; {near[1]}"))
        else:
            result.append(replace(guess, confidence=LIKELY, why=f"{guess.why}; {near[1]}", doubt=_NEXT[channel.phase[0]]
                                  if channel.phase else ""))
    return result


def _is_bare(guess: Guess, tokens: Mapping[int, Tokens]) -> bool:
    """Whether the name of a voltage says a phase, and not whether to neutral or to which other phase."""
    channel, words = guess.channel, tokens.get(guess.column)
    return channel is not None and channel.quantity == "voltage" and channel.phase in ("an", "bn", "cn") \
        and words is not None and not words.phase.endswith("n") and not words.line


def _beside_neutral(guess: Guess, channel: Channel, named: int, evidence: Evidence) -> Guess:
    """A bare ``U L1`` beside ``U L1-N``, which says that it is to neutral: line to line where the numbers say so."""
    ratio = evidence.ratio([guess.column], named)
    line = _NEXT[str(channel.phase)[0]]
    if ratio is not None and LINE_OVER_NEUTRAL[0] < ratio < LINE_OVER_NEUTRAL[1]:
        return replace(guess, channel=replace(channel, phase=line), confidence=LIKELY,
                       why=f"{guess.why}; {ratio:.2f} times the column that names the neutral, so line to line")
    size = "" if ratio is None else f", and is {ratio:.3g} times as large"
    return Guess(guess.column, None, ALONE, f"it can be phase to neutral or line to line: another column is "
                                            f"{channel.name} by its name{size}; map it by hand if it is wanted")


def _unique(guesses: list[Guess], headers: Sequence[str], evidence: Evidence) -> list[Guess]:
    """Two columns that come out as one channel cannot both be it."""
    seen: dict[object, Guess] = {}
    twice: dict[int, str] = {}
    for guess in guesses:
        if guess.channel is None:
            continue
        other = seen.setdefault(guess.channel.key, guess)
        if other is guess:
            continue
        if headers[other.column] == headers[guess.column]:
            raise InputError(_same_name(guess, guesses, headers, evidence))
        twice[other.column] = twice[guess.column] = guess.channel.name
    return [
        Guess(guess.column, None, ALONE, f"another column is read as {twice[guess.column]} too; map the right one")
        if guess.column in twice
        else guess
        for guess in guesses
    ]


def _same_name(guess: Guess, guesses: Sequence[Guess], headers: Sequence[str], evidence: Evidence) -> str:
    name = headers[guess.column]
    columns = [each.column for each in guesses if each.channel is not None and headers[each.column] == name]
    order = in_order([evidence.samples.get(column) for column in columns]) if len(columns) == 3 else None
    many = {2: "two", 3: "three"}.get(len(columns), str(len(columns)))
    if order is None:
        return (
            f"{many} columns are called {name!r}; name them apart in the file, so that each can be mapped under "
            "[recording.columns]"
        )
    medians = ", ".join(f"{evidence.median(column) or 0:.6g}" for column in columns)
    words = [("min", "mean", "max")[order.index(at)] for at in range(3)]
    return (
        f"three columns are called {name!r}; by their numbers (medians {medians}, in one order in every row looked at) "
        f"they are {words[0]}, {words[1]} and {words[2]}: add these words to their names in the file"
    )


def refuse_doubts(guesses: Sequence[Guess], headers: Sequence[str], name: str) -> None:
    """InputError when a column can be read in two ways that lead to different verdicts."""
    doubted = [guess for guess in guesses if guess.doubt]
    if not doubted:
        return
    lines, other = [], []
    for guess in doubted:
        channel = guess.channel
        assert channel is not None
        lines.append(f'"{headers[guess.column]}" = "{channel.base_name} [{channel.unit}]"')
        other.append(f'"{headers[guess.column]}" = "voltage.{guess.doubt} [{channel.unit}]"')
    why = re.sub(r"^.*?; ", "", doubted[0].why)
    raise InputError(
        f"{name}: column {headers[doubted[0].column]!r} can be phase to neutral or line to line ({why}); add under "
        f"[recording.columns] either {', '.join(lines)} or {', '.join(other)}"
    )
