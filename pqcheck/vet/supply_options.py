"""Which supplies the middle voltages of a recording fit: options for a person, never a decision.

A nominal that is read off the recording would agree with it whatever is wrong there. So every standard nominal that
vetting would not contradict is an option, and what fits no sound service gives none, with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.vet.checks.connection import LEGS_APART_PERCENT, grounded_corner, recognised
from pqcheck.vet.checks.nominal import HIGH, LOW, ROOT3, SERIES

NEAREST_WITHIN = 0.05
"""The nearest standard nominal must lie this near, or none is an option: a supply further off is no ordinary one."""
_DEAD = 0.2
"""Of the highest voltage to neutral; below it a lead is off, or a conductor at ground."""
_ALSO = (
    (220, "line to line", "220Y/127 V"), (230, "line to line", "230Y/133 V"),
    (500, "line to line", "500 V"), (660, "line to line", "660/380 V"),
    (1000, "line to line", "1000 V"), (115, "line to neutral", "200Y/115 V"), (127, "line to neutral", "220Y/127 V"),
)
"""Nominals in use beside the standard series (national practice and networks without a neutral; from memory)."""
_SELDOM_TO_NEUTRAL = (350.0, 1000.0)
"""V; few services have such a voltage to neutral, and line-to-line ones under names of phases are a common slip."""
_THREE_PHASE = ("wye", "delta", "high-leg-delta")


class SupplyOption(Struct, frozen=True):
    """A supply that the recording would fit: what ``[supply]`` would say, and what the recording shows for it.

    `away` is the distance of the middle voltages from this nominal, as a share of it.
    """

    connection: str
    nominal_voltage: str
    connection_shows: str
    nominal_shows: str
    away: float
    high_leg: str | None = None
    as_read: bool = True
    """False where the columns would have to be read as other phases than they are."""

    @property
    def group(self) -> tuple[str, str]:
        """What options share that differ in the nominal alone."""
        return self.connection, self.connection_shows

    @property
    def section(self) -> dict[str, str]:
        """The keys of ``[supply]``."""
        keys = {"connection": self.connection, "nominal_voltage": self.nominal_voltage}
        return keys | ({"high_leg": self.high_leg} if self.high_leg else {})


class SupplyOptions(Struct, frozen=True):
    """All options, nearest nominal first within each connection; without any, `why_none` says why."""

    options: tuple[SupplyOption, ...] = ()
    why_none: str = ""


class _Pattern(Struct, frozen=True):
    """A connection that the voltages allow, and what shows it."""

    connection: str
    shows: str
    high_leg: str | None = None


def supply_options(middles: Mapping[str, float], *, names_say_which: bool = True) -> SupplyOptions:
    """Supplies that fit the middle voltages [V] by phase (an, bn, cn, ab, bc, ca).

    With `names_say_which` false the columns named no more than a phase (``V1``), and ``an bn cn`` may be ``ab bc ca``.
    """
    legs = {phase: middles[phase] for phase in LINE_TO_NEUTRAL if phase in middles}
    lines = {phase: middles[phase] for phase in LINE_TO_LINE if phase in middles}
    if not legs and not lines:
        return SupplyOptions(why_none="no mean voltage of a phase was read; map its column if there is one")
    patterns, why_none = _patterns(legs, lines)
    if why_none:
        return SupplyOptions(why_none=why_none)
    options = [option for pattern in patterns for option in _nominals(pattern, legs, lines)]
    seldom = legs and _SELDOM_TO_NEUTRAL[0] < np.median(list(legs.values())) < _SELDOM_TO_NEUTRAL[1]
    if not lines and (seldom or not names_say_which):
        between = dict(zip(LINE_TO_LINE, legs.values(), strict=False))
        also, _ = _patterns({}, between)
        how = "against" if names_say_which else "left open by"
        which = f"if the columns hold line-to-line voltages, {how} their names: "
        options += [
            replace(option, as_read=False) for pattern in also
            for option in _nominals(_Pattern(pattern.connection, which + pattern.shows), {}, between)
        ]
    listed = ", ".join(f"{phase} {volts:.4g} V" for phase, volts in middles.items())
    if not options:
        return SupplyOptions(why_none=f"the middle voltages ({listed}) lie at no standard nominal voltage; a ratio, a "
                                      "unit or a lead may be wrong, or the nominal is one that pqcheck does not list")
    return SupplyOptions(tuple(options))


def _patterns(legs: Mapping[str, float], lines: Mapping[str, float]) -> tuple[list[_Pattern], str]:
    """Connections that the voltages allow, or why there is none."""
    as_series = ({phase: np.array([volts]) for phase, volts in each.items()} for each in (legs, lines))
    to_neutral, between = as_series
    listed = ", ".join(f"{phase} {volts:.4g} V" for phase, volts in {**legs, **lines}.items())
    if corner := grounded_corner(to_neutral, between):
        return [_Pattern("delta", f"conductor {corner} is at ground, a corner-grounded delta")], ""
    for voltages in (legs, lines):
        low = [phase for phase, volts in voltages.items() if volts < _DEAD * max(voltages.values())]
        if low:
            return [], f"{low[0]} stands near zero beside the others ({listed}): a lead is off or a conductor is dead"
    known = recognised(to_neutral, between) if len(legs) >= 2 else None
    if known is not None:
        words, accepts, high_leg = known
        if not accepts:
            return [], f"the voltages ({listed}) show {words}"
        return [_Pattern(accepts[0], f"the voltages show {words}", high_leg or None)], ""
    if len(legs) >= 2 and lines:
        return [], f"the voltages ({listed}) fit no usual connection: a displaced neutral, a wrong ratio or lead"
    for voltages, what in ((legs, "to neutral"), (lines, "between lines")):
        if voltages and max(voltages.values()) / min(voltages.values()) - 1 > LEGS_APART_PERCENT.value / 100:
            return [], f"the voltages {what} stand apart ({listed}): a displaced neutral, a wrong ratio or lead"
    if len(legs) == 3:
        return [_Pattern("wye", "three voltages to neutral of one size; no voltage between lines confirms it")], ""
    if len(legs) == 2:
        return [_Pattern("split-phase", "if the service has two legs of one winding: two voltages to neutral show it "
                                        "and two of three phases alike"),
                _Pattern("wye", "if the service has three phases, of which two were recorded")], ""
    if lines and legs:
        return [], f"too few voltages ({listed}) to tell the connection"
    if legs:
        return [_Pattern("single-phase", "if the service has one phase: one voltage shows that and one of three phases "
                                         "alike"),
                _Pattern("wye", "if the service has three phases, of which one was recorded"),
                _Pattern("split-phase", "if the service has two legs, of which one was recorded")], ""
    return [_Pattern("wye", "if the service has a neutral, to which no voltage was recorded"),
            _Pattern("delta", "if the service has no neutral; voltages between lines show both alike (and a "
                              "high-leg-delta, which has one on a tapped winding)")], ""


def _nominals(pattern: _Pattern, legs: Mapping[str, float], lines: Mapping[str, float]) -> list[SupplyOption]:
    """Every standard nominal of this connection that vetting would not contradict, nearest first; none where the
    nearest is not near."""
    options: list[SupplyOption] = []
    for text, line, leg in _series(pattern.connection):
        ratios = {phase: volts / line for phase, volts in lines.items()}
        high = f"{pattern.high_leg}n" if pattern.high_leg else ""
        if pattern.connection != "delta":
            ratios |= {phase: volts / leg for phase, volts in legs.items() if phase != high}
        middle = float(np.median(list(ratios.values()))) if ratios else 0.0
        if LOW.value <= middle <= HIGH.value and text not in {option.nominal_voltage for option in options}:
            against = f"{line:g} V between lines" if not legs or pattern.connection == "delta" else \
                f"{leg:g} V to neutral"
            options.append(SupplyOption(
                pattern.connection, text, pattern.shows, f"the middle voltage is {middle:.3f} of {against}",
                abs(middle - 1), pattern.high_leg,
            ))
    options.sort(key=lambda option: option.away)
    return options if options and options[0].away <= NEAREST_WITHIN else []


def _series(connection: str) -> Iterator[tuple[str, float, float]]:
    """Standard nominals of a connection: as ``[supply]`` writes it, volts between lines, volts to neutral."""
    if connection == "split-phase":
        yield from (("120/240 V", 240.0, 120.0), ("100/200 V", 200.0, 100.0))
        return
    for volts, kind, designation in (*SERIES.value, *_ALSO):
        first, second = _pair(designation)
        if kind == "line to neutral" and connection == "single-phase":
            yield f"{volts} V", float(volts) * ROOT3, float(volts)
        elif kind == "line to line" and connection in _THREE_PHASE:
            wye = second is not None and first / second < 1.9
            if connection == "wye" and second is not None and not wye:
                continue
            leg = second if wye and second is not None and connection == "wye" else \
                volts / (2 if connection == "high-leg-delta" else ROOT3)
            yield f"{volts} V", float(volts), float(leg)


def _pair(designation: str) -> tuple[float, float | None]:
    numbers: Sequence[float] = sorted((float(text) for text in re.findall(r"\d+", designation)), reverse=True)
    return numbers[0], numbers[1] if len(numbers) > 1 else None
