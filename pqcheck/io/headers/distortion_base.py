"""What harmonics and distortion are relative to, from their own arithmetic.

The sum of squares of the orders must give the recorded THD, and I_rms^2 = I_1^2 (1 + THD^2) with THD relative to the
fundamental (IEC 61000-4-7 definitions). Each decision is said with its numbers.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.io.headers.settled_columns import CLEAR, LIKELY, Facts, Guess, Numbers, line, misfit, ratios
from pqcheck.io.unit_conversions import THD_R
from pqcheck.physics.distortion import fundamental_from_rms, thd_r_from_thd_f

FITS = 0.03
"""Readings of one or two decimals: a relation that holds within 3 % in three quarters of the rows fits."""
APART = 0.02
"""Two readings less than 2 % apart cannot be told from each other, and decide hardly any verdict."""
_BASE_MATTERS = 20.0
"""From this distortion in percent on the two bases lie 2 % apart."""
_HUNDRED = 0.5

_BASES = {"%": "percent of the fundamental", "% of rms": "percent of the true rms value", "A": "amperes", "V": "volts"}


def settle_distortion(guesses: Sequence[Guess], headers: Sequence[str], facts: Facts) -> list[Guess]:
    """THD columns whose base the numbers show: of the fundamental or of the true rms value."""
    result = []
    for guess in guesses:
        channel = guess.channel
        if channel is None or guess.open != "base" or not channel.quantity.endswith("_thd"):
            result.append(guess)
            continue
        kind = channel.quantity.removesuffix("_thd")
        own = facts.evidence.samples.get(guess.column)
        rms = facts.values(kind, channel.phase)
        first = facts.values(f"{kind}_harmonic", channel.phase, 1)
        growth = ratios(rms, first)
        if growth is None or own is None or rms is None or first is None or float(np.median(growth)) < 1:
            result.append(_assumed(guess, own))
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            of_first = 100 * np.sqrt((rms / first) ** 2 - 1)
        of_rms = of_first * first / rms
        plain, other = misfit(ratios(own, of_first)), misfit(ratios(own, of_rms))
        shown = (
            f"rms over fundamental is {float(np.median(growth)):.4g} in the middle, which is "
            f"{_middle(of_first):.4g} % of the fundamental and {_middle(of_rms):.4g} % of rms; the column says "
            f"{_middle(own):.4g} %"
        )
        if plain is None or other is None or abs(_middle(of_first) / _middle(of_rms) - 1) < APART:
            result.append(replace(guess, open=""))
        elif plain <= FITS and plain < other:
            result.append(guess.settled(f"relative to the fundamental, as {shown}", confidence=CLEAR))
        elif other <= FITS:
            settled = guess.settled(f"relative to the true rms value, converted, as {shown}", confidence=CLEAR)
            result.append(replace(settled, scale=THD_R))
        else:
            result.append(guess.alone(
                f"{shown}, so it is neither; map it as {line(headers[guess.column], channel, '%')} or "
                f"{line(headers[guess.column], channel, '% of rms')}"
            ))
    return result


def _assumed(guess: Guess, own: Numbers | None) -> Guess:
    """Without a way to tell: the fundamental, said where it matters."""
    if own is None or not np.isfinite(own).any() or float(np.nanmax(own)) < _BASE_MATTERS:
        return replace(guess, open="")
    settled = guess.settled("its base is not written, the fundamental assumed", confidence=LIKELY)
    return replace(settled, open="assumed")


def settle_harmonics(guesses: Sequence[Guess], headers: Sequence[str], facts: Facts) -> list[Guess]:
    """Orders without a unit, or in percent without a base: decided for all orders of a phase together."""
    groups: dict[tuple[str, str | None, str], list[Guess]] = {}
    for guess in guesses:
        channel = guess.channel
        if channel is not None and guess.open and channel.quantity.endswith("_harmonic"):
            groups.setdefault((channel.quantity, channel.phase, guess.open), []).append(guess)
    settled: dict[int, Guess] = {}
    for (quantity, phase, _), members in groups.items():
        for guess in _group(quantity, phase, members, headers, facts):
            settled[guess.column] = guess
    return [settled.get(guess.column, guess) for guess in guesses]


def _group(
    quantity: str, phase: str | None, members: Sequence[Guess], headers: Sequence[str], facts: Facts
) -> list[Guess]:
    orders = [guess for guess in members if guess.channel and guess.channel.order != 1]
    first = next((guess for guess in members if guess.channel and guess.channel.order == 1), None)
    absolute = "A" if quantity == "current_harmonic" else "V"
    result = []
    unit = why = ""
    if first is not None:
        assert first.channel is not None
        unit, why = _by_order_one(first, absolute, quantity, phase, facts)
        if unit == absolute:
            result.append(first.settled(why, confidence=CLEAR, unit=absolute))
            # That order 1 is in amperes does not say that the others are.
            unit = why = ""
        else:
            fixed = line(headers[first.column], first.channel, absolute)
            result.append(first.alone(why or f"its unit is not written; map it as {fixed} if it is in {absolute}"))
    # The unit is the same for all readings of an order, so the means decide for minima and maxima too.
    means = [guess for guess in orders if guess.channel and guess.channel.reading == "mean"]
    if not unit and means:
        unit, why = _by_squares(quantity, phase, means, absolute, facts)
    for guess in orders:
        channel = guess.channel
        assert channel is not None
        if unit:
            result.append(guess.settled(why, confidence=LIKELY if why.startswith("taken") else CLEAR, unit=unit))
        elif guess.open == "base" and not why:
            result.append(guess.settled("percent is taken as of the fundamental", confidence=LIKELY))
        else:
            units = ("%", "% of rms") if guess.open == "base" else (absolute, "%")
            both = " or ".join(f"{line(headers[guess.column], channel, each)} ({_BASES[each]})" for each in units)
            reason = why or "its unit is not written and no THD column of the phase tells"
            result.append(guess.alone(f"{reason}; map it as {both}"))
    return result


def _by_order_one(
    first: Guess, absolute: str, quantity: str, phase: str | None, facts: Facts
) -> tuple[str, str]:
    """An order 1 that is 100 all along is a percentage; one that stays just below the rms value is not."""
    values = facts.evidence.samples.get(first.column)
    if values is None or not np.isfinite(values).any():
        return "", ""
    rms = facts.values(quantity.removesuffix("_harmonic"), phase)
    to_rms = ratios(values, rms)
    middle = None if to_rms is None else float(np.median(to_rms))
    hundred = bool(np.nanmax(np.abs(values - 100)) <= _HUNDRED)
    near = middle is not None and 0.5 < middle <= 1.001
    if hundred and not near:
        return "%", "order 1 is 100 in every row looked at, so percent of the fundamental"
    if near and not hundred:
        return absolute, f"order 1 is {middle:.3f} times the rms value, so in {absolute}"
    return "", ""


def _by_squares(
    quantity: str, phase: str | None, orders: Sequence[Guess], absolute: str, facts: Facts
) -> tuple[str, str]:
    """The unit with which the sum of squares gives the recorded THD, and the sentence; or why none is chosen."""
    kind = quantity.removesuffix("_harmonic")
    thd = facts.values(f"{kind}_thd", phase)
    samples = [facts.evidence.samples.get(guess.column) for guess in orders]
    if thd is None or any(each is None or each.shape != thd.shape for each in samples):
        return "", ""
    root: Numbers = np.sqrt(np.sum([np.square(each) for each in samples if each is not None], axis=0))
    of_rms = thd_r_from_thd_f(thd)
    fits = {"%": misfit(ratios(root, thd)), "% of rms": misfit(ratios(root, of_rms))}
    if orders[0].open == "unit":
        first = facts.values(quantity, phase, 1)
        rms = facts.values(kind, phase)
        if first is None and rms is not None and rms.shape == thd.shape:
            first = fundamental_from_rms(rms, thd)
        fits[absolute] = misfit(ratios(100 * root, None if first is None else first * thd))
    known = {unit: fit for unit, fit in fits.items() if fit is not None}
    if not known:
        return "", ""
    squares = (
        f"the {len(orders)} orders give {_middle(root):.4g} as root of the sum of squares, beside a THD of "
        f"{_middle(thd):.4g} % of the fundamental ({_middle(of_rms):.4g} % of rms)"
    )
    good = sorted((fit, unit) for unit, fit in known.items() if fit <= FITS)
    if len(good) > 1 and {unit for _, unit in good} == {"%", "% of rms"}:
        if abs(_middle(thd) / _middle(of_rms) - 1) < APART:
            return "%", f"taken as of the fundamental: {squares}, too little to tell from rms and too little to matter"
        good = good[:1] if good[1][0] > 2 * good[0][0] else good
    if len(good) == 1 and facts.column(f"{kind}_thd", phase) in facts.assumed:
        return good[0][1], f"taken: {squares}, so {_BASES[good[0][1]]}, if the THD column is as assumed"
    if len(good) == 1:
        return good[0][1], f"{squares}, so {_BASES[good[0][1]]}"
    if good:
        return "", f"{squares}, which fits {' and '.join(_BASES[unit] for _, unit in good)} alike"
    if orders[0].open == "base":
        # Left alone, the orders could not be held against the distortion that they contradict.
        why = "orders are missing" if _middle(root) < _middle(thd) else "the two contradict each other"
        return "%", f"taken as of the fundamental: {squares}, so {why} and the base does not show"
    return "", f"{squares}, which fits {' and '.join(_BASES[unit] for unit in known)} as little"


def _middle(values: Numbers) -> float:
    usable = values[np.isfinite(values)]
    return float(np.median(usable)) if usable.size else float("nan")
