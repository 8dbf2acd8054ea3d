"""Order 1 of a spectrum beside what the site declares: a spectrum of zeros, in kA or per unit under A looks too good.

Harmonics far below every limit prove nothing when the fundamental they belong to is missing, zero, or nowhere near the
current (or the nominal voltage) that is declared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from pqcheck.io.spectra.operating_points import Point
from pqcheck.model.findings import Finding, Limit, Reason, Snapshot, Statistic
from pqcheck.model.findings_words import first_few
from pqcheck.model.reason_codes import sentence
from pqcheck.model.verdict import Verdict
from pqcheck.site.scenario import fundamental_current, judged_site
from pqcheck.site.site_values import Site
from pqcheck.vet.trust import Trust

LEAST = Decimal("0.2")
"""Of the least declared current: a drive at a fifth of its load is a usual operating point (house policy)."""
MOST = Decimal("1.25")
"""Of the largest declared current: overload for a limited time (house policy)."""

_RESTS_ON = {
    "current_harmonic": ("current_harmonic", "current_tdd", "current_trd", "current_thd"),
    "voltage_harmonic": ("voltage_harmonic", "voltage_thd"),
}


Standing = Literal["fits", "apart", "missing", "unscaled", "zero", "too small", "too large"]
"""Apart: this current does not fit, and that of another point does. Unscaled: percentages that may be fractions."""


class Fundamental(Struct, frozen=True):
    """Order 1 of one quantity and phase at one operating point, in A or V rms, and what is against it."""

    point: str
    quantity: str
    phase: str
    value: Decimal | None
    unit: str
    expected: tuple[Decimal, Decimal] | None
    """What is declared, the least and the largest; None where nothing is."""
    standing: Standing

    @property
    def refused(self) -> bool:
        """Whether nothing that rests on it can pass."""
        return self.standing not in ("fits", "apart")


def fundamentals(points: Sequence[Point], site: Site) -> list[Fundamental]:
    """Order 1 of every point that holds amplitudes in A or V, or in percent of the nominal voltage."""
    made: list[Fundamental] = []
    fitting: set[tuple[str, str]] = set()
    for point in points:
        for (quantity, phase), value in point.fundamentals.items():
            current = quantity == "current_harmonic"
            expected = _declared_currents(site) if current else _nominal(site, phase)
            unscaled = (quantity, phase) in point.unscaled
            standing: Standing = "unscaled" if unscaled else _standing(value, expected)
            # A point of little load is usual; one of little voltage is not.
            if current and standing == "fits":
                fitting.add((quantity, phase))
            made.append(Fundamental(point.name, quantity, phase, value, "A" if current else "V", expected, standing))
    return [
        Fundamental(one.point, one.quantity, one.phase, one.value, one.unit, one.expected, "apart")
        if one.standing in ("too small", "too large") and (one.quantity, one.phase) in fitting
        else one
        for one in made
    ]


def _standing(value: Decimal | None, expected: tuple[Decimal, Decimal] | None) -> Standing:
    if value is None:
        return "missing"
    if not value:
        return "zero"
    if expected is None:
        return "fits"
    if value < LEAST * expected[0]:
        return "too small"
    return "too large" if value > MOST * expected[1] else "fits"


def _declared_currents(site: Site) -> tuple[Decimal, Decimal] | None:
    """The least and the largest of the currents that the site declares: of the load, of its demand, of its rating."""
    pcc = judged_site(site).pcc
    declared = [fundamental_current(site)[0]]
    if pcc is not None:
        declared += [pcc.maximum_demand_current, pcc.rated_current]
    known = [ampere for ampere in declared if ampere]
    return (min(known), max(known)) if known else None


def _nominal(site: Site, phase: str) -> tuple[Decimal, Decimal] | None:
    nominal = judged_site(site).supply.nominal(phase)
    return None if nominal is None else (nominal, nominal)


def doubts_of(found: Iterable[Fundamental], point: str) -> list[Trust]:
    """What cannot be trusted at an operating point.

    Amplitudes of a fundamental that is missing or too small are no larger than they should be, so that a fail stands.
    """
    return [
        Trust(
            _RESTS_ON[one.quantity], (one.phase,), None, None,
            "nothing" if one.standing == "too large" else "lower bound", _CODE, *_sentence(one),
        )
        for one in found
        if one.point == point and one.refused
    ]  # fmt: skip


_CODE = "fundamental-doubtful"


def _sentence(one: Fundamental) -> tuple[str, str]:
    at = f" at {one.point!r}" if one.point else ""
    name = f"Order 1 of the {'current' if one.unit == 'A' else 'voltage'} of phase {one.phase}{at}"
    if one.standing == "unscaled":
        what = f"{name} is not among the percentages; without it they may be fractions, 0.2 for 20 %"
    elif one.value is None:
        what = f"{name} is not in the spectrum"
    elif not one.value:
        what = f"{name} is zero"
    else:
        others = "" if one.quantity == "voltage_harmonic" else ", and no operating point fits"
        what = f"{name} is {_amount(one.value, one.unit)}, {_beside(one)}{others}{_guess(one)}"
    return sentence(_CODE, what=what)


def _beside(one: Fundamental) -> str:
    """``0.001 of the declared 600 A``."""
    assert one.expected is not None and one.value is not None
    least, largest = one.expected
    declared = largest if one.standing == "too large" or one.value > least else least
    word = "nominal" if one.quantity == "voltage_harmonic" else "declared"
    return f"{float(one.value / declared):.4g} of the {word} {_amount(declared, one.unit)}"


def _guess(one: Fundamental) -> str:
    """What the factor looks like."""
    assert one.expected is not None and one.value is not None
    least, largest = one.expected
    if LEAST * least <= one.value * 1000 <= MOST * largest:
        return f", as if k{one.unit} stood under {one.unit}"
    if one.unit == "V" and LEAST * least <= one.value * 100 <= MOST * largest:
        return ", as if fractions stood under percent"
    if one.value == 1 or one.value == 100:
        return ", as if it were per unit or percent"
    return ""


def _amount(value: Decimal, unit: str) -> str:
    return f"{float(value):.6g} {unit}"


def findings_of(found: Iterable[Fundamental]) -> Iterator[Finding]:
    """A finding of kind recording for each."""
    for one in found:
        title = "Order 1 of the spectrum beside what is declared"
        limit = None
        if one.expected is not None:
            limit = Limit(float(LEAST * one.expected[0]), float(MOST * one.expected[1]), one.unit)
        yield Finding(
            kind="recording",
            table="recording",
            rule="fundamental",
            clause="",
            title=title,
            quantity=one.quantity,
            phase=one.phase,
            order=1,
            verdict=Verdict.REFUSED if one.refused else Verdict.PASS,
            channel=f"{one.quantity}.{one.phase}.h1",
            reason=Reason(_CODE, *_sentence(one)) if one.refused else None,
            statistic=Statistic("all_within", 100.0, None, None if one.value is None else float(one.value), one.unit),
            limit=limit,
            proven=not one.refused,
            snapshot=Snapshot(one.point),
        )


def remark_of(found: Sequence[Fundamental]) -> str:
    """``Order 1: 600 A at '100 %', 30 A at '5 %' (0.05 of the declared 600 A).``; empty without any."""
    words: dict[str, list[str]] = {}
    for one in found:
        value = "none" if one.value is None or one.standing == "unscaled" else _amount(one.value, one.unit)
        beside = f" ({_beside(one)})" if one.standing in ("apart", "too small", "too large") else ""
        at = f" at {one.point!r}" if one.point else ""
        words.setdefault(f"{value}{at}{beside}", []).append(f"{one.quantity}.{one.phase}")
    named = _named(words, {f"{one.quantity}.{one.phase}" for one in found})
    return f"Order 1: {', '.join(named)}." if named else ""


def zeros_remark(points: Sequence[Point]) -> str:
    """The points at which every order above 1 is exactly zero, as of a sine, or of orders nobody calculated."""
    silent = [
        repr(point.name) if point.name else "the spectrum"
        for point in points
        if (above := [value for channel, value in point.amplitudes.items() if channel.order != 1]) and not any(above)
    ]
    return f"Every order above 1 is exactly zero: {', '.join(silent)}; were they calculated?" if silent else ""


def _named(words: Mapping[str, Sequence[str]], everything: set[str]) -> list[str]:
    """Channels are named where they differ."""
    return [
        text if set(channels) == everything else f"{text} in {first_few(list(dict.fromkeys(channels)))}"
        for text, channels in words.items()
    ]
