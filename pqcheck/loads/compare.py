"""Measured findings and predictions side by side."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.findings import Finding, Verdict
from pqcheck.loads.predict import Place, place
from pqcheck.loads.values import Row


def rows_of(
    measured: Sequence[Finding], main: Sequence[Finding], arithmetic: Sequence[Finding], no_diversity: Sequence[Finding]
) -> list[Row]:
    """One row for each criterion that was predicted, tightest prediction first."""
    before = {place(one): one for one in measured if one.kind == "limit"}
    upper = {place(one): one for one in arithmetic}
    all_on = {place(one): one for one in no_diversity}
    rows = [
        _row(one, before.get(place(one)), upper.get(place(one)), all_on.get(place(one)))
        for one in main
        if one.verdict is not Verdict.NOT_APPLICABLE and one.statistic is not None and one.statistic.value is not None
    ]
    margins = {place(one): one.margin for one in main}

    def key(pair: tuple[Row, Place]) -> tuple[float, str]:
        margin = margins[pair[1]]
        percent = margin.percent_of_limit if margin is not None else None
        return (percent if percent is not None else float("inf"), pair[0].key)

    places = [
        place(one)
        for one in main
        if one.verdict is not Verdict.NOT_APPLICABLE and one.statistic is not None and one.statistic.value is not None
    ]
    return [row for row, _ in sorted(zip(rows, places, strict=True), key=key)]


def _row(one: Finding, before: Finding | None, upper: Finding | None, all_on: Finding | None) -> Row:
    key = "/".join("-" if part is None else str(part) for part in place(one))
    limit = one.limit
    parts = []
    if limit is not None and limit.low is not None:
        parts.append(f"at least {limit.low:.6g}")
    if limit is not None and limit.high is not None:
        parts.append(f"at most {limit.high:.6g}")
    unit = one.statistic.unit if one.statistic is not None else ""
    start = one.period.start if one.period is not None else ""
    return Row(
        key=key,
        table=one.table,
        rule=one.rule,
        title=one.title,
        channel=one.channel.split("+")[0],
        period=f"{one.period.length} {start[:10]}" if one.period is not None else "",
        unit=unit,
        measured=_value(before),
        measured_verdict="" if before is None else before.verdict.value,
        predicted=_value(one),
        predicted_verdict=one.verdict.value,
        limit=" and ".join(parts) or "-",
        arithmetic=_value(upper),
        arithmetic_verdict="" if upper is None else upper.verdict.value,
        no_diversity=_value(all_on),
        no_diversity_verdict="" if all_on is None else all_on.verdict.value,
    )


def _value(one: Finding | None) -> float | None:
    return None if one is None or one.statistic is None else one.statistic.value
