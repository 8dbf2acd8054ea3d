"""Which phases a rule asks for, by connection, and what follows when only some were recorded."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Literal

from msgspec import Struct

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL, QUANTITIES
from pqcheck.site.site_values import Supply

Standing = Literal["judge", "beyond-connection", "phase-missing", "neutral-not-seen", "high-leg"]
"""`beyond-connection`: recorded, and no phase of the declared connection; judged only to see whether it would fail."""

_CURRENTS = {"single-phase": ("a",), "split-phase": ("a", "b")}
_ONE_KILOVOLT = 1000


class PhaseTask(Struct, frozen=True):
    """One phase and whether it can be judged."""

    phase: str | None
    standing: Standing


def line_sets(supply: Supply) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(line-to-neutral, line-to-line) phases of a connection."""
    if supply.connection == "single-phase":
        return ("an",), ()
    if supply.connection == "split-phase":
        return ("an", "bn"), ("ab",)
    if supply.connection == "delta":
        return (), LINE_TO_LINE
    if supply.connection == "high-leg-delta":
        return tuple(phase for phase in LINE_TO_NEUTRAL if phase[0] != supply.high_leg), LINE_TO_LINE
    return LINE_TO_NEUTRAL, LINE_TO_LINE


def phases_beyond(supply: Supply) -> tuple[str, ...]:
    """Phases of voltages and currents that the connection does not have, each as a recording would name it."""
    neutral, lines = line_sets(supply)
    if supply.connection == "high-leg-delta":
        neutral = LINE_TO_NEUTRAL
    own = {*neutral, *lines, *_CURRENTS.get(supply.connection, ("a", "b", "c"))}
    return tuple(phase for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE, "a", "b", "c") if phase not in own)


def _beyond(own: Collection[str], alike: Collection[str], recorded: Callable[[str], bool]) -> list[PhaseTask]:
    """The phases recorded of a set of which the connection has some."""
    if not own:
        return []
    return [PhaseTask(phase, "beyond-connection") for phase in alike if phase not in own and recorded(phase)]


def phases_asked(
    quantity: str,
    rule_phases: tuple[str, ...],
    supply: Supply,
    recorded: Callable[[str], bool],
    limited: Collection[str | None] = (None,),
) -> list[PhaseTask]:
    """Phases a rule is about, in order. `recorded(phase)` says whether the quantity can be had for a phase.

    `limited` are the kinds of voltages that its rows limit, "line_to_line" and "line_to_neutral", or None for both.
    Empty when no phase the rule could be about was recorded.
    """
    if rule_phases:
        wanted = rule_phases
        if not any(recorded(phase) for phase in wanted):
            return []
        return [PhaseTask(phase, "judge" if recorded(phase) else "phase-missing") for phase in wanted]
    known = QUANTITIES[quantity].phases
    if not known:
        return [PhaseTask(None, "judge")]
    if "an" not in known:
        wanted = _CURRENTS.get(supply.connection, ("a", "b", "c")) if "a" in known else known
        if not any(recorded(phase) for phase in wanted):
            return []
        tasks = [PhaseTask(phase, "judge" if recorded(phase) else "phase-missing") for phase in wanted]
        return tasks + _beyond(wanted, ("a", "b", "c"), recorded)
    return _voltage_phases(supply, recorded, limited)


def _voltage_phases(
    supply: Supply, recorded: Callable[[str], bool], limited: Collection[str | None]
) -> list[PhaseTask]:
    neutral, lines = line_sets(supply)
    if None not in limited:
        # A set answers for the other only where the rule limits both: what has no limit was not asked.
        asked = neutral if "line_to_neutral" in limited else (), lines if "line_to_line" in limited else ()
        # A rule that limits nothing this connection has says so for each phase.
        neutral, lines = asked if any(asked) else (neutral, lines)
    has_neutral = [phase for phase in neutral if recorded(phase)]
    has_lines = [phase for phase in lines if recorded(phase)]
    if not has_neutral and not has_lines:
        return []
    tasks: list[PhaseTask] = []
    if supply.connection == "high-leg-delta":
        # Both sets are asked: the lines, and the two legs that feed lighting; the high leg is no 120 V leg.
        for phase in (*neutral, *lines):
            tasks.append(PhaseTask(phase, "judge" if recorded(phase) else "phase-missing"))
        if neutral:
            tasks.append(PhaseTask(f"{supply.high_leg}n", "high-leg"))
        return tasks
    if has_neutral:
        tasks += [PhaseTask(phase, "judge" if phase in has_neutral else "phase-missing") for phase in neutral]
        # A complete line-to-neutral set answers for the lines; an incomplete one leaves them where they are recorded.
        tasks += [PhaseTask(phase, "judge") for phase in has_lines]
        return [*tasks, *_beyond(neutral, LINE_TO_NEUTRAL, recorded), *_beyond(has_lines, LINE_TO_LINE, recorded)]
    tasks += [PhaseTask(phase, "judge" if phase in has_lines else "phase-missing") for phase in lines]
    low_voltage = supply.line_to_line is not None and supply.line_to_line <= _ONE_KILOVOLT
    if neutral and low_voltage:
        tasks += [PhaseTask(phase, "neutral-not-seen") for phase in neutral]
    return tasks
