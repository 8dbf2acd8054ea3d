"""What a check is: its question, its thresholds, its reason codes and what a doubt of it refuses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Generic, Literal, TypeVar

from msgspec import Struct, field

T = TypeVar("T")

PRACTICE = "common practice"
CHOSEN = "our own choice, set on simulated recordings"
EVIDENCE = "rule of this project: a doubt about the recording needs evidence from the recording"

POWERS = ("active_power", "reactive_power", "apparent_power", "power_factor", "displacement_power_factor")
REGISTERS = ("active_energy_import", "active_energy_export", "reactive_energy")
CURRENTS = ("current", "current_thd", "current_tdd", "current_trd", "current_harmonic")
VOLTAGES = ("voltage", "voltage_thd", "voltage_harmonic", "interharmonic_voltage", "signalling_voltage")
UNBALANCE = ("negative_sequence_unbalance", "zero_sequence_unbalance", "voltage_deviation_unbalance")
ITSELF = ("*",)
"""The quantity that the doubt is about."""

COMMON_CODES = {"no-input": "Not recorded or not declared", "too-short-to-tell": "Too short to tell"}
"""Reason codes that any check may use."""


class Threshold(Struct, Generic[T], frozen=True):
    """A number (or a table) that a check compares with; `basis` says whose practice it is, none is from a standard."""

    value: T
    unit: str
    basis: str
    why: str


class Refusal(Struct, frozen=True):
    """Quantities whose verdicts a doubt refuses.

    `phases`: "same" those of the doubted channel, "power" the phases a to c behind them, "total", or "all".
    `only_if` is the doubted quantity for which the row holds, empty for any.
    """

    quantities: tuple[str, ...]
    phases: Literal["same", "power", "total", "all"]
    why: str
    only_if: str = ""


OF_ITS_CURRENT = (
    Refusal(POWERS, "power", "Power of the phase needs its current."),
    Refusal(POWERS, "total", "The totals contain the phase."),
    Refusal(REGISTERS, "total", "Registers contain the phase."),
)
"""What falls with the current of a phase."""


class Check(Struct, frozen=True):
    """One question asked of every recording, as its page in docs/checks/ shows it.

    `codes` are the reason codes with what each says; `refuses` by reason code; with `lower_bound` a fail may still be
    concluded from what is refused. What a check of `danger` finds is a danger sign (kind safety), never a doubt.
    """

    name: str
    question: str
    looks_at: str
    how: str
    example: str
    codes: Mapping[str, str]
    refuses: Mapping[str, tuple[Refusal, ...]] = field(default_factory=dict)
    thresholds: Mapping[str, Threshold[Any]] = field(default_factory=dict)
    lower_bound: bool = False
    danger: bool = False


def thresholds(*modules: Mapping[str, Any]) -> dict[str, Threshold[Any]]:
    """The thresholds among the names of modules (``globals()``), by their names in lower case."""
    return {
        name.lower(): value for names in modules for name, value in names.items() if isinstance(value, Threshold)
    }
