"""Readings at the ceiling of the instrument: lower bounds of what flowed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import MAIN, ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import (
    CHOSEN,
    EVIDENCE,
    ITSELF,
    POWERS,
    REGISTERS,
    Check,
    Refusal,
    Threshold,
    thresholds,
)
from pqcheck.vet.kept_runs import KeptRuns, Slots
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

FEWEST_READINGS = Threshold(10, "1", CHOSEN, "Times the highest value must have been reached.")
LONGEST_RUN = Threshold(3, "1", EVIDENCE, "Length of the longest run at it: a ceiling comes in runs.")
SPIKE = Threshold(4, "1", CHOSEN, "Readings at the highest value against those within half a percent below it.")
FEWEST_STEPS = Threshold(
    10, "1", "our own choice, set on series of two values",
    "Steps of the instrument between the lowest and the highest reading; with fewer the highest returns by itself."
)
STEPS_TO_SEE = Threshold(60, "steps of the instrument", EVIDENCE,
                         "With fewer, readings just below a ceiling are as many as those at it.")

CHECK = Check(
    name="clipping",
    question="Did readings run into the range?",
    looks_at="Voltages, currents and powers: over-range marks, and a highest value that comes back.",
    how="A repeated maximum is a ceiling only when it comes in runs and hardly any reading lies just below. Such "
        "readings are lower bounds: good for a fail, never for a pass.",
    example="current.a.max stops at 1000 A in 212 of 1008 intervals, in runs of up to 9.",
    codes={"clipped": "Readings at the ceiling", "too-few-steps": "A ceiling would not show"},
    refuses={
        "clipped": (
            Refusal(ITSELF, "same", "Readings at the ceiling are lower bounds."),
            Refusal(("current_thd", "current_tdd", "current_trd", "current_harmonic"), "same",
                    "A clipped current lowers what is formed from it.", only_if="current"),
            Refusal(POWERS, "power", "Powers formed with it are lower bounds.", only_if="current"),
            Refusal(POWERS, "total", "The totals contain the phase.", only_if="current"),
            Refusal(("voltage_thd", "voltage_harmonic", "interharmonic_voltage", "signalling_voltage"), "same",
                    "What is formed from a clipped voltage.", only_if="voltage"),
        ),
    },
    lower_bound=True,
    thresholds=thresholds(globals()),
)

LIMITED = ("voltage", "current", "active_power", "reactive_power", "apparent_power")
"""Quantities whose values can run into the range of the instrument."""


MOST_SPANS = 100
"""Marked stretches that are doubted one by one; beyond it the whole recording is."""


class Ceiling:
    """The highest value so far, its runs, how often it was reached, and how many readings lie just below."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._of = of
        self._reach(float("-inf"))

    def _reach(self, top: float) -> None:
        self.value, self.count, self.near, self.runs = top, 0, 0, KeptRuns()

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        values = part.values
        top = float(np.fmax.reduce(values))
        if top < self.value:
            return
        if top > self.value:
            self._reach(top)
        at_top = values == values.dtype.type(top)
        count = int(np.count_nonzero(at_top))
        self.count += count
        self.runs.add_mask(at_top, part.slot)
        if count > 1:
            resolution = self._of.resolution
            below = top - max(abs(top) * 0.005, 1.5 * resolution if np.isfinite(resolution) else 0.0)
            self.near += int(np.count_nonzero(values >= below)) - count


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Marked over-range readings, or a highest value that comes back in runs with hardly anything just below."""
    for name, (statistics, *_) in base.groups.items():
        channel = statistics.channel
        if channel.quantity not in MAIN or channel.quantity in REGISTERS:
            continue
        runs = at_ceiling(statistics)
        if runs is None:
            yield _passed(name, statistics)
            continue
        starts, lengths = runs
        ceiling = statistics.of(Ceiling)
        if statistics.over_range.count:
            total = int(lengths.sum())
            text = f"{name} is marked as over range in {total} interval{'s' if total > 1 else ''}"
        else:
            text = f"{name} stops at {ceiling.value:.6g} {channel.unit} in {ceiling.count} of {statistics.valid} " \
                   f"intervals, in runs of up to {int(lengths.max())}, with hardly any reading just below"
        observed = ceiling.value > float("-inf")
        spans = base.spans(starts, lengths, ceiling.value if observed else 0.0)
        phases = (channel.phase,) if channel.phase else ()
        subjects: tuple[Subject, ...] = (Subject(channel.quantity, phases),)
        if statistics.over_range.count and len(spans) <= MOST_SPANS:
            # The recorder says itself which readings these are; a ceiling found here may have cut others as well.
            subjects = tuple(
                Subject(channel.quantity, phases, start_us=span.start_us, end_us=span.end_us) for span in spans
            )
        yield Outcome(
            CHECK, Verdict.REFUSED, name, channel.quantity, channel.phase, code="clipped", likelihood="shown",
            text=text + ": the range was exceeded and these readings are lower bounds. A fail they show stands, a pass "
                        "does not.",
            advice="Measure again with a larger range or ratio. Do not drop these rows: they are the highest values.",
            spans=spans,
            subjects=subjects,
            value=ceiling.value if observed else None, unit=channel.unit, bounds=bool(statistics.over_range.count),
        )


def _passed(name: str, statistics: ChannelStatistics) -> Outcome:
    """No ceiling; said where one would not show, because the highest value comes back by itself."""
    channel, ceiling = statistics.channel, statistics.of(Ceiling)
    passed = Outcome(CHECK, Verdict.PASS, name, channel.quantity, channel.phase)
    if channel.quantity != "current" or channel.phase == "n" or channel.reading != "mean" or \
            not 0 < statistics.steps < STEPS_TO_SEE.value or ceiling.count < FEWEST_READINGS.value:
        return passed
    return replace(
        passed, code="too-few-steps",
        text=f"{name} moves over {statistics.steps:.3g} steps of the instrument only and reaches its highest value, "
             f"{ceiling.value:.6g} {channel.unit}, {ceiling.count} times: whether a range ended there cannot be seen.",
        advice="Compare with a handheld reading, or record with a range that fits the load.",
    )


def at_ceiling(statistics: ChannelStatistics) -> tuple[Slots, Slots] | None:
    """Starts and lengths of the runs at the ceiling of a main quantity; None when it has none."""
    starts, lengths, _ = statistics.over_range.joined()
    if starts.size:
        return starts, lengths
    ceiling = statistics.of(Ceiling)
    starts, lengths, _ = ceiling.runs.joined()
    if not starts.size or not is_ceiling(ceiling.count, ceiling.near, int(lengths.max()), statistics.valid):
        return None
    # What takes only a few values reaches its highest often, and in runs, without any range being exceeded.
    few = statistics.steps < FEWEST_STEPS.value
    return None if few or statistics.channel.quantity not in LIMITED or ceiling.value <= 0 else (starts, lengths)


def is_ceiling(count: int, near: int, longest: int, valid: int) -> bool:
    """Whether the highest value is a ceiling: reached often, in runs, and a spike above the readings just below it.

    `near` are readings within half a percent (or one step) below. All values equal is a stuck channel, not a ceiling.
    """
    return (
        count >= FEWEST_READINGS.value
        and longest >= LONGEST_RUN.value
        and count >= SPIKE.value * near
        and count < valid
    )
