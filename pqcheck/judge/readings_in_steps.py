"""Verdicts that the step of the readings could turn: they are marked, with the counts at both edges of half a step.

A reading in steps stands for all values within half a step of it. Where a result lies that near to its limit, the same
question is asked once more with the limit moved by half a step to either side; only then are the readings walked again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.derive.formulas import PercentOfNominal, Recorded, RootSumSquare, Unbalance
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.compose_findings import scale_for
from pqcheck.judge.instrument_uncertainty import observed_step
from pqcheck.judge.judge_recording import judge
from pqcheck.judge.tasks import Task
from pqcheck.model.findings import Finding, Uncertainty
from pqcheck.model.recording import Channel, Recording
from pqcheck.model.units import factor
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

Steps = Mapping[tuple[int, Channel], float]
"""The smallest move between neighbours, by stream and channel, in the unit of the channel."""
_DECIDED = (Verdict.PASS, Verdict.FAIL)


class _HalfStep(Struct, frozen=True):
    """A task, the channels that it is judged by (stream, channel), and how far half a step of each may move its values,
    in the unit of the finding."""

    task: Task
    channels: tuple[tuple[int, Channel], ...]
    size: Decimal

    def shifted(self, outwards: int) -> Task:
        """The same task with its limits moved outwards by so many half steps."""
        by = outwards * self.size
        low, high = self.task.low, self.task.high
        return replace(
            self.task, low=None if low is None else low - by, high=None if high is None else high + by,
            next_best=None, stands_in=False,
        )


def mark_steps(
    findings: Sequence[Finding], tasks: Iterable[Task], recording: Recording, site: Site, smallest_moves: Steps
) -> list[Finding]:
    """The findings, those marked ``marginal`` that half a step of their readings could turn.

    `smallest_moves` are those seen in vetting: a result farther from its limit than half of that is not looked at.
    """
    near: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.kind == "limit" and finding.verdict in _DECIDED and finding.margin is not None:
            near.setdefault(finding.about, []).append(finding)
    asked = [
        each for each in _in_steps(tasks, smallest_moves, site)
        if any(_within(finding, each.size) for finding in near.get(_about(each.task), ()))
    ]
    if not asked:
        return list(findings)
    steps = _observed({channel for each in asked for channel in each.channels}, recording)
    asked = list(_in_steps((each.task for each in asked), steps, site))
    if not asked:
        return list(findings)
    relaxed, tightened = (
        {finding.id: finding for finding in judge([each.shifted(by) for each in asked], (), recording, site).findings}
        for by in (1, -1)
    )
    sizes = {_about(each.task): each.size for each in asked}
    return [
        finding if finding.about not in sizes or finding.verdict not in _DECIDED
        else _marked(finding, sizes[finding.about], relaxed.get(finding.id), tightened.get(finding.id))
        for finding in findings
    ]


def _about(task: Task) -> str:
    return f"{task.table.id}/{task.rule.id}/{task.base_name}"


def _within(finding: Finding, size: Decimal) -> bool:
    return finding.margin is not None and abs(Decimal(repr(finding.margin.value))) <= size


def _in_steps(tasks: Iterable[Task], steps: Steps, site: Site) -> Iterator[_HalfStep]:
    for task in tasks:
        sources = task.sources or (() if task.source is None else (task.source,))
        halves = [_half(task, source, steps, site) for source in sources]
        size = max((half for half in halves if half is not None), default=Decimal(0))
        if size > 0 and (task.low is None or task.high is None or 2 * size < task.high - task.low):
            channels = tuple((source.stream, channel) for source in sources for channel in source.formula.inputs)
            yield _HalfStep(task, channels, size)


def _half(task: Task, source: SeriesSource, steps: Steps, site: Site) -> Decimal | None:
    """How far the values of a source may move when each of its readings moves by half a step; None where not known.

    A root of a sum of squares moves by at most the root of the sum of the squares of the moves (Cauchy and Schwarz);
    a mean over shorter readings by no more than these; an unbalance of three voltages, in percent, by at most twice
    the move of one over their level.
    """
    formula, line = source.formula, site.supply.line_to_line
    moves = {channel: step for channel in formula.inputs if (step := steps.get((source.stream, channel))) is not None}
    if not moves:
        return None
    if isinstance(formula, Recorded):
        size = Fraction(moves[formula.channel]).limit_denominator(1_000_000)
    elif isinstance(formula, RootSumSquare) and all(isinstance(part, (Recorded, PercentOfNominal))
                                                    for part in formula.parts):
        parts = [moves.get(part.channel, 0.0) * float(factor(_moved_unit(part), formula.part_unit))
                 for part in formula.parts if isinstance(part, (Recorded, PercentOfNominal))]
        size = Fraction(100 * math.hypot(*parts) / float(formula.base)).limit_denominator(1_000_000)
    elif isinstance(formula, Unbalance) and line:
        volts = max(move * float(factor(channel.unit, "V")) for channel, move in moves.items())
        size = Fraction(200 * volts / float(line)).limit_denominator(1_000_000)
    else:
        return None
    half = size * scale_for(task, source) / 2
    return Decimal(half.numerator) / Decimal(half.denominator)


def _moved_unit(part: Recorded | PercentOfNominal) -> str:
    """The unit in which a move of the recorded order counts; percent of the fundamental at nominal voltage."""
    return part.unit if isinstance(part, PercentOfNominal) else part.channel.unit


def _observed(asked: set[tuple[int, Channel]], recording: Recording) -> dict[tuple[int, Channel], float]:
    """The steps that channels show over the whole recording."""
    steps: dict[tuple[int, Channel], float] = {}
    for number, stream in enumerate(recording.streams):
        channels = sorted((channel for at, channel in asked if at == number), key=str)
        parts: dict[Channel, list[NDArray[Any]]] = {channel: [] for channel in channels}
        for block in stream.blocks(channels) if channels else ():
            for channel, readings in parts.items():
                readings.append(block.values[channel].copy())
        for channel, readings in parts.items():
            step = observed_step(np.concatenate(readings)) if readings else None
            if step is not None:
                steps[number, channel] = step
    return steps


def _marked(finding: Finding, size: Decimal, relaxed: Finding | None, tightened: Finding | None) -> Finding:
    """The finding, marked where half a step turns it; `relaxed` and `tightened` are those with the limit moved."""
    turned = tightened if finding.verdict is Verdict.PASS else relaxed
    if relaxed is None or tightened is None or turned is None or turned.verdict is finding.verdict:
        return finding
    if relaxed.intervals is None or tightened.intervals is None or not _within(finding, size):
        return finding
    unit = f" {finding.margin.unit}" if finding.margin is not None and finding.margin.unit != "1" else ""
    return finding.replaced(
        modifiers=tuple(sorted({*finding.modifiers, "marginal"})),
        uncertainty=Uncertainty(
            "simple", relaxed.intervals.outside, tightened.intervals.outside,
            f"{float(size):.6g}{unit} (half the step of the readings)",
        ),
    )
