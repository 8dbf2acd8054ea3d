"""What the periods of tasks have shown, kept as a few numbers each until the pass is over and findings are made."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

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
    """Tallies that are over, by number of the period, with a column for each task that is fed with the others.

    A year has 140,000: objects would take four times as much.
    """

    __slots__ = ("_longest_possible", "_outside", "_reading", "_runs", "_valid", "over")

    def __init__(self, periods: int, tasks: int) -> None:
        self.over = bytearray(periods)
        self._valid = np.zeros((periods, tasks), np.int64)
        self._outside = np.zeros((periods, tasks), np.int64)
        self._reading = np.zeros((periods, tasks))
        # Only rules about runs have any.
        self._longest_possible: dict[tuple[int, int], int] = {}
        self._runs: dict[tuple[int, int], Runs] = {}

    def keep(self, number: int, column: int, tallied: Tallied) -> None:
        """Keep what a period of one task has shown."""
        self.over[number] = 1
        self._valid[number, column] = tallied.valid
        # Without a valid value there is no reading, and with one there is.
        self._reading[number, column] = 0.0 if tallied.reading is None else tallied.reading
        if tallied.longest_possible:
            self._longest_possible[number, column] = tallied.longest_possible
        self.keep_outside(number, column, tallied.outside, tallied.runs)

    def keep_all(self, number: int, valid: NDArray[Any], reading: NDArray[np.float64]) -> None:
        """Keep what a period of all tasks has shown; what lies outside follows."""
        self.over[number] = 1
        self._valid[number] = valid
        self._reading[number] = reading

    def keep_outside(self, number: int, column: int, outside: int, runs: Runs) -> None:
        """Keep what lies outside in a period of one task."""
        self._outside[number, column] = outside
        if len(runs):
            self._runs[number, column] = runs

    def take(self, column: int) -> list[Tallied]:
        """What the periods of a task have shown, in order; their runs for the last time."""
        nothing = no_runs()
        return [
            Tallied(
                valid, outside, reading if valid else None, self._runs.pop((number, column), nothing),
                self._longest_possible.get((number, column), 0),
            )
            for number, (valid, outside, reading) in enumerate(
                zip(*(of[:, column].tolist() for of in (self._valid, self._outside, self._reading)), strict=True)
            )
        ]  # fmt: skip
