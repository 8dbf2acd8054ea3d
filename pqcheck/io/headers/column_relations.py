"""Currents and voltages that a name leaves open, decided by other columns of the same rows.

A fundamental never lies above the true rms value; apparent power is voltage times current; min <= mean <= max.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.io.headers.settled_columns import CLEAR, ENOUGH, LIKELY, Facts, Guess, Numbers, line, ratios
from pqcheck.io.headers.tokens import Tokens
from pqcheck.model.recording import Channel
from pqcheck.physics.distortion import distortion_factor

NEAR = 0.05
"""Apparent power of unbalanced or distorted phases may differ from the products by some percent."""
_ROUNDING = 1.002
_LINES = 3**-0.5
_NEXT = {"an": "ab", "bn": "bc", "cn": "ca"}
_SIZES = (("A", 1.0), ("kA", 1e3), ("mA", 1e-3))


def settle_fundamentals(
    guesses: Sequence[Guess], tokens: Mapping[int, Tokens], headers: Sequence[str], facts: Facts
) -> list[Guess]:
    """``I1 L2`` is the fundamental of phase 2; ``I1`` beside ``I rms`` may be one: decided by the ratio to rms."""
    result = []
    digits = {(words.kind, words.phase) for words in tokens.values() if words.digit}
    for guess in guesses:
        words, channel = tokens[guess.column], guess.channel
        if channel is None or not words.digit or channel.reading != "mean":
            result.append(guess)
        elif channel.order == 1 and words.quantity == "fundamental":
            result.append(_second_phase(guess, channel, digits, headers, facts))
        elif channel.quantity in ("voltage", "current") and words.phase == "1" and not any(
            (words.kind, other) in digits for other in ("2", "3")
        ):
            result.append(_beside_rms(guess, channel, guesses, tokens, headers, facts))
        else:
            result.append(guess)
    return _sequence(result, tokens, headers, facts)


def _second_phase(
    guess: Guess, channel: Channel, digits: set[tuple[str, str]], headers: Sequence[str], facts: Facts
) -> Guess:
    kind = channel.quantity.removesuffix("_harmonic")
    own = facts.evidence.samples.get(guess.column)
    share = ratios(own, facts.raw(kind, channel.phase))
    header = headers[guess.column]
    if share is not None:
        middle = float(np.median(share))
        if float(share.max()) <= _ROUNDING:
            return replace(guess.settled(f"never above the true rms value of the phase ({middle:.4g} of it in the "
                                         "middle), so the fundamental", confidence=CLEAR), open=guess.open)
        return guess.alone(
            f"it would be a fundamental, but it lies up to {float(share.max()):.4g} times above the rms value of its "
            f"phase; map it by hand, as {line(header, channel, channel.unit or 'A')} if it is one"
        )
    if {(kind, "2"), (kind, "3")} & digits:
        why = "the 1 stands beside every phase, so it is the order, not the phase"
        return replace(guess.settled(why, confidence=LIKELY), open=guess.open)
    unit = channel.unit or {"voltage": "V"}.get(kind, "A")
    other = Channel(kind, channel.phase, unit=unit)
    return guess.alone(
        f"the 1 may be the phase or the order; map it as {line(header, other, unit)} or {line(header, channel, unit)}"
    )


def _beside_rms(
    guess: Guess, channel: Channel, guesses: Sequence[Guess], tokens: Mapping[int, Tokens], headers: Sequence[str],
    facts: Facts,
) -> Guess:
    """A bare ``I1`` with a column of true rms values that names no phase, or comes out as the same channel."""
    for other in guesses:
        seen = tokens[other.column]
        same = other.channel is not None and other.channel.key == channel.key
        if seen.reading != "rms" or seen.quantity != channel.quantity or (seen.phase and not same):
            continue
        share = ratios(facts.evidence.samples.get(guess.column), facts.evidence.samples.get(other.column))
        if share is None or float(share.max()) > _ROUNDING or float(np.median(share)) > 0.9995:
            continue
        thd = facts.values(f"{channel.quantity}_thd", channel.phase)
        wanted = None if thd is None or not np.isfinite(thd).any() else float(
            np.median(distortion_factor(thd[np.isfinite(thd)])))
        middle = float(np.median(share))
        if wanted is not None and abs(middle / wanted - 1) > NEAR / 2:
            continue
        why = f"it is never above {headers[other.column]!r} ({middle:.4g} of it in the middle"
        why += ")" if wanted is None else f"; the THD asks for {wanted:.4g})"
        first = replace(channel, quantity=f"{channel.quantity}_harmonic", order=1)
        if same and wanted is not None:
            return replace(guess, channel=first, confidence=CLEAR, why=f"{guess.why}; {why}, so the fundamental")
        return guess.alone(
            f"{why}, so it may be the fundamental and not phase 1; map it as "
            f"{line(headers[guess.column], first, first.unit)} or {line(headers[guess.column], channel, channel.unit)}"
        )
    return guess


def _sequence(
    guesses: Sequence[Guess], tokens: Mapping[int, Tokens], headers: Sequence[str], facts: Facts
) -> list[Guess]:
    """``V1`` and ``V2`` alone, V2 a few percent of V1: two legs, one of them dead, or sequence components."""
    bare = {
        tokens[guess.column].phase: guess for guess in guesses
        if guess.channel is not None and guess.channel.quantity == "voltage" and guess.channel.reading == "mean"
        and tokens[guess.column].digit and tokens[guess.column].quantity == "voltage"
    }
    if set(bare) != {"1", "2"}:
        return list(guesses)
    first, second = (facts.evidence.median(bare[phase].column) for phase in ("1", "2"))
    if not first or not second or second > first / 10:
        return list(guesses)
    result = []
    for guess in guesses:
        if guess in bare.values():
            assert guess.channel is not None
            own = line(headers[guess.column], guess.channel, guess.channel.unit)
            guess = guess.alone(
                f"{headers[bare['2'].column]!r} is {second:.4g}, {100 * second / first:.3g} % of "
                f"{headers[bare['1'].column]!r}: two phases, one of them dead, or positive and negative sequence; "
                f"map it as {own} if it is a phase"
            )
        result.append(guess)
    return result


def settle_statistics(
    guesses: Sequence[Guess], tokens: Mapping[int, Tokens], headers: Sequence[str], facts: Facts
) -> list[Guess]:
    """Three columns of one channel that name no statistic: min, mean and max where they keep that order in each row."""
    groups: dict[object, list[Guess]] = {}
    for guess in guesses:
        if guess.channel is not None and not tokens[guess.column].reading and guess.open != "unit":
            groups.setdefault((guess.channel.key, guess.channel.unit), []).append(guess)
    settled: dict[int, Guess] = {}
    for group in groups.values():
        order = in_order([facts.evidence.samples.get(guess.column) for guess in group]) if len(group) == 3 else None
        # Columns of one name cannot be told apart by a mapping: they are refused later.
        if order is None or len({headers[guess.column] for guess in group}) < len(group):
            continue
        medians = ", ".join(f"{facts.evidence.median(group[at].column) or 0:.6g}" for at in order)
        for at, reading in zip(order, ("min", "mean", "max"), strict=True):
            guess = group[at]
            assert guess.channel is not None
            word = {"min": "lowest", "mean": "middle", "max": "highest"}[reading]
            settled[guess.column] = replace(
                guess.settled(f"the {word} of three columns in every row looked at (medians {medians}), so the "
                              f"{reading}", confidence=LIKELY),
                channel=replace(guess.channel, reading=reading), open=guess.open,
            )
    return [settled.get(guess.column, guess) for guess in guesses]


def in_order(samples: Sequence[Numbers | None]) -> list[int] | None:
    """Places of three columns from lowest to highest, when every row keeps that order and some rows show it."""
    if any(each is None or each.shape != samples[0].shape for each in samples if samples[0] is not None):
        return None
    table = np.array([each for each in samples if each is not None])
    if table.shape[0] != 3 or table.ndim != 2:
        return None
    table = table[:, np.isfinite(table).all(axis=0)]
    if table.shape[1] < ENOUGH:
        return None
    order = np.argsort(np.median(table, axis=1), kind="stable")
    steps = np.diff(table[order], axis=0)
    return order.tolist() if bool((steps >= 0).all() and (steps > 0).any(axis=1).all()) else None


def settle_by_power(
    guesses: Sequence[Guess], tokens: Mapping[int, Tokens], headers: Sequence[str], facts: Facts
) -> list[Guess]:
    """Apparent power against voltage times current: unit of an unlabelled current; to neutral or line to line."""
    result = []
    for guess in guesses:
        channel = guess.channel
        if channel is None or channel.reading != "mean":
            result.append(guess)
        elif guess.doubt and channel.phase in _NEXT:
            result.append(_to_neutral(guess, channel, tokens, facts))
        elif channel.quantity == "current" and not tokens[guess.column].unit and channel.phase in ("a", "b", "c"):
            result.append(_ampere(guess, channel, headers, facts))
        else:
            result.append(guess)
    return result


def _share(phase: str, facts: Facts) -> tuple[float, str] | None:
    """Apparent power over voltage times current of a phase, or of all three together, and how it was formed."""
    for phases, which in (((phase,), phase), (("a", "b", "c"), "total"), ((phase,), "total")):
        if phases == (phase,) and which == "total" and facts.evidence.connection != "single-phase":
            continue
        products = [
            voltage * current for each in phases
            if (voltage := facts.values("voltage", f"{each}n")) is not None
            and (current := facts.values("current", each)) is not None and voltage.shape == current.shape
        ]
        if len(products) < len(phases):
            continue
        shares = ratios(facts.values("apparent_power", which), np.sum(products, axis=0))
        if shares is not None:
            of = "the three products together" if len(phases) == 3 else "voltage times current"
            return float(np.median(shares)), f"apparent power is {float(np.median(shares)):.4g} times {of}"
    return None


def _to_neutral(guess: Guess, channel: Channel, tokens: Mapping[int, Tokens], facts: Facts) -> Guess:
    assert channel.phase is not None
    current = facts.column("current", channel.phase[0])
    unsure = current is None or (current in tokens and not tokens[current].unit)
    evidence = None if unsure else _share(channel.phase[0], facts)
    if evidence is None:
        return guess
    share, sentence = evidence
    if abs(share - 1) <= NEAR:
        return guess.settled(f"{sentence}, so phase to neutral", confidence=CLEAR)
    if abs(share / _LINES - 1) <= NEAR:
        settled = guess.settled(f"{sentence}, 1/1.732, so line to line", confidence=CLEAR)
        return replace(settled, channel=replace(channel, phase=_NEXT[channel.phase]))
    return guess


def _ampere(guess: Guess, channel: Channel, headers: Sequence[str], facts: Facts) -> Guess:
    assert channel.phase is not None
    evidence = _share(channel.phase, facts)
    if evidence is None:
        return guess
    share, sentence = evidence
    for unit, size in _SIZES:
        if abs(share / size - 1) <= NEAR:
            return guess.settled(f"{sentence}, so {unit}", confidence=CLEAR, unit=unit)
        if abs(share / size / _LINES - 1) <= NEAR or abs(share / size * _LINES - 1) <= NEAR:
            return guess
    return guess.alone(
        f"{sentence}, which no unit of current explains: it may be the current of a transformer's secondary; export "
        f"primary amperes, or map it as {line(headers[guess.column], channel, 'A')} if it is in amperes"
    )
