"""Capacitor banks, there already or to be added: what they are at each order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import Decimal

from msgspec import Struct

from pqcheck.physics.network import bank_admittance, star_reactance
from pqcheck.site.site_values import Supply


class Bank(Struct, frozen=True):
    """A three-phase bank as star, ohm at the fundamental; `inductive` is a reactor in series (a detuned bank).

    `grounded`: its star point is connected to the neutral. Else (delta, or open star) it is not there for the zero
    sequence.
    """

    capacitive: float
    inductive: float = 0.0
    grounded: bool = False

    @property
    def tuning(self) -> float | None:
        """Order at which reactor and capacitors are in series resonance; None without a reactor."""
        return math.sqrt(self.capacitive / self.inductive) if self.inductive else None

    def admittance(self, order: int, *, zero_sequence: bool = False) -> complex:
        """Siemens of one phase at an order."""
        if zero_sequence and not self.grounded:
            return 0j
        return complex(bank_admittance(self.capacitive, self.inductive, [order])[0])


def bank_of(volts: float, reactive: Decimal | float, detuning: Decimal | float = 0, *, grounded: bool = False) -> Bank:
    """A bank from its reactive power at the nominal voltage `volts`, in var.

    `detuning` is the reactance of the reactor in percent of that of the capacitors: the power is that of both.
    """
    whole = float(star_reactance(volts, float(reactive)))
    share = float(detuning) / 100
    capacitive = whole / (1 - share)
    return Bank(capacitive, share * capacitive, grounded)


def bank_voltage(supply: Supply) -> float:
    """The voltage whose square over the reactive power of a bank is the reactance of one phase of it."""
    line = float(supply.line_to_line or supply.line_to_neutral or 0)
    # Between the two legs of a split phase lie two such reactances in series.
    return line / math.sqrt(2) if supply.connection == "split-phase" else line


def total_admittance(banks: Iterable[Bank], order: int, *, zero_sequence: bool = False) -> complex:
    """Siemens of all banks together."""
    return sum((bank.admittance(order, zero_sequence=zero_sequence) for bank in banks), 0j)
