"""What a load study predicted beside what was recorded once the load ran: the same criteria, no verdict changed."""

from __future__ import annotations

from msgspec import Struct

from pqcheck.loads.predict import MARK, value_of
from pqcheck.model.findings import Finding, Findings

_ROUNDING = 1e-3
"""A recorded value this share beyond the bound still counts as at it: instruments differ by more."""

Question = tuple[str, str, str | None, str | None, int | None]


class PredictedAndRecorded(Struct, frozen=True):
    """One criterion: the measured value without the load, predicted, its bound, and recorded with it."""

    criterion: str
    channel: str
    unit: str
    without: float | None
    predicted: float
    bound: float | None
    recorded: float
    predicted_verdict: str
    recorded_verdict: str
    beyond_bound: bool
    """The record shows more than the prediction said to be possible: something else changed, or was declared wrong."""


def predicted_and_recorded(before: Findings, after: Findings) -> list[PredictedAndRecorded]:
    """Rows for every prediction of `before` whose criterion `after` judged; those beyond their bound first."""
    expected, bounds = _worst(before, MARK), _worst(before, f"{MARK}-arithmetic")
    without, recorded = _worst(before), _worst(after)
    rows = []
    for question, finding in expected.items():
        real, value = value_of(recorded.get(question)), value_of(finding)
        if real is None or value is None:
            continue
        bound = value_of(bounds.get(question))
        edge = value if bound is None else bound
        rising = edge >= value if bound is not None and bound != value else _rises(finding)
        beyond = real > edge * (1 + _ROUNDING) if rising else real < edge * (1 - _ROUNDING)
        rows.append(
            PredictedAndRecorded(
                f"{finding.table} {finding.rule}", finding.channel.split("+")[0],
                finding.statistic.unit if finding.statistic is not None else "", value_of(without.get(question)),
                value, bound, real, finding.verdict.value, recorded[question].verdict.value, beyond,
            )
        )  # fmt: skip
    return sorted(rows, key=lambda row: (not row.beyond_bound, row.criterion, row.channel))


def _rises(finding: Finding) -> bool:
    """Whether more is worse: the reading lies nearer to an upper limit, or there is no lower one."""
    limit, value = finding.limit, value_of(finding)
    if limit is None or limit.low is None or value is None:
        return True
    return limit.high is not None and limit.high - value < value - limit.low


def _worst(findings: Findings, mark: str | None = None) -> dict[Question, Finding]:
    """The finding of each question with the least margin over its periods: measured, or predicted with this mark."""
    worst: dict[Question, Finding] = {}
    for finding in findings.findings:
        predicted = finding.kind == "prediction" and mark is not None and finding.channel.endswith(mark)
        if not (predicted or (mark is None and finding.kind == "limit")) or value_of(finding) is None:
            continue
        question = (finding.table, finding.rule, finding.quantity, finding.phase, finding.order)
        known = worst.get(question)
        if known is None or _margin(finding) < _margin(known):
            worst[question] = finding
    return worst


def _margin(finding: Finding) -> float:
    return float("inf") if finding.margin is None else finding.margin.value
