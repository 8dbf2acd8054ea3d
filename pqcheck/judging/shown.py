"""What the periods of a task have shown, kept as a few numbers each until the pass is over and findings are made."""

from __future__ import annotations

from array import array
from typing import NamedTuple

from pqcheck.evidence import Runs, no_runs
from pqcheck.judging.tally import Tallied


class JudgedPeriod(NamedTuple):
    """One period on an axis, shared by all tasks that judge it.

    `start_us`/`end_us` are the full period; `complete` whether the axis covers it.
    """

    start_us: int
    end_us: int
    complete: bool
    expected: int
    first_slot: int
    excluded: int
    recorded: int
    """Slots of the period that lie on the axis at all."""


class Shown:
    """Tallies that are over, by number of the period. A year has 140,000: objects would take four times as much."""

    __slots__ = ("_longest_possible", "_outside", "_over", "_reading", "_runs", "_valid")

    def __init__(self, periods: int) -> None:
        self._over = bytearray(periods)
        self._valid = array("q", (0,)) * periods
        self._outside = array("q", (0,)) * periods
        self._longest_possible = array("q", (0,)) * periods
        self._reading = array("d", (0.0,)) * periods
        self._runs: dict[int, Runs] = {}

    def keep(self, number: int, tallied: Tallied) -> None:
        """Keep what a period has shown."""
        self._over[number] = 1
        self._valid[number] = tallied.valid
        self._outside[number] = tallied.outside
        self._longest_possible[number] = tallied.longest_possible
        # Without a valid value there is no reading, and with one there is.
        self._reading[number] = 0.0 if tallied.reading is None else tallied.reading
        if len(tallied.runs):
            self._runs[number] = tallied.runs

    def take(self, number: int) -> Tallied | None:
        """What a period has shown, its runs for the last time; None when it is not over."""
        if not self._over[number]:
            return None
        valid = self._valid[number]
        reading = self._reading[number] if valid else None
        runs = self._runs.pop(number, None) or no_runs()
        return Tallied(valid, self._outside[number], reading, runs, self._longest_possible[number])
