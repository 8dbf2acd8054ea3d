"""Wording shared by the text reports: the answer in one sentence, numbers as people write them."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.findings import Finding, Findings, Verdict, Window

VERDICT_WORDS = {
    Verdict.PASS: "PASS",
    Verdict.FAIL: "FAIL",
    Verdict.INCONCLUSIVE: "NOT SHOWN",
    Verdict.REFUSED: "REFUSED",
    Verdict.NOT_APPLICABLE: "not applicable",
    Verdict.WAIVED: "WAIVED",
}


def number(value: float | None, unit: str = "") -> str:
    """A reading with its unit, at most six digits; rounding is for the eye only."""
    if value is None:
        return "-"
    text = f"{value:.6g}"
    return f"{text} {unit}" if unit and unit != "1" else text


def limit_text(finding: Finding) -> str:
    """The band: ``207 to 253 V``, ``at most 8 %``."""
    limit = finding.limit
    if limit is None or (limit.low is None and limit.high is None):
        return "-"
    unit = "" if limit.unit == "1" else f" {limit.unit}"
    if limit.low is None:
        return f"at most {number(limit.high)}{unit}"
    if limit.high is None:
        return f"at least {number(limit.low)}{unit}"
    return f"{number(limit.low)} to {number(limit.high)}{unit}"


def clock(stamp: str) -> str:
    """An ISO stamp without the T and, on the minute, without seconds; the offset stays away from the eye."""
    date, _, rest = stamp.partition("T")
    time = rest[:8]
    return f"{date} {time[:5] if time.endswith(':00') else time}".strip()


def required(findings: Findings) -> list[Finding]:
    """Findings that take part in the verdict."""
    return [one for one in findings.findings if one.required]


def by_loss(findings: Sequence[Finding]) -> list[Finding]:
    """Worst first: danger signs, then the smallest margin as a share of the limit."""
    return sorted(findings, key=lambda one: (*_loss(one), one.id))


def worst_window(one: Finding, among: int) -> Window:
    """The first of the windows whose reading lies farthest beyond the limit, among the first ones; there is one."""
    from pqcheck.judging.windows import RunWindows

    limit = one.limit

    def beyond(value: float) -> float:
        if limit is None:
            return value
        high = value - limit.high if limit.high is not None else float("-inf")
        low = limit.low - value if limit.low is not None else float("-inf")
        return max(high, low)

    windows = one.windows
    if isinstance(windows, RunWindows):
        return windows.farthest(beyond, among)
    return max(windows[:among], key=lambda window: beyond(window.worst))


def worst_of(findings: Sequence[Finding]) -> Finding:
    """The first `by_loss`, of at least one."""
    least = min(map(_loss, findings))
    return min((one for one in findings if _loss(one) == least), key=lambda one: one.id)


def _loss(one: Finding) -> tuple[bool, float]:
    margin = one.margin
    percent = margin.percent_of_limit if margin is not None else None
    return one.kind != "safety", percent if percent is not None else float("inf")


def statement(findings: Findings) -> str:
    """What a result of a declared scenario is not; empty for a recording of a real place."""
    scenario = findings.site.get("scenario")
    if not scenario:
        return ""
    tables = " and ".join(f"{one['id']}" for one in findings.limit_tables)
    name = f" {scenario['name']!r}" if scenario.get("name") else ""
    purpose = f" ({scenario['purpose']})" if scenario.get("purpose") else ""
    return (
        f"Internal criterion{purpose}: the figures of {tables} applied to the declared scenario{name}; no statement "
        "that equipment or a site complies with a standard."
    )


def answer(findings: Findings) -> str:
    """The answer in one plain sentence, and for a design scenario what it is not."""
    return " ".join(part for part in (_answer(findings), statement(findings)) if part)


def _answer(findings: Findings) -> str:
    asked = required(findings)
    of: dict[Verdict, list[Finding]] = {verdict: [] for verdict in Verdict}
    for one in asked:
        of[one.verdict].append(one)
    total = len(asked)
    failed, open_, refused = of[Verdict.FAIL], of[Verdict.INCONCLUSIVE], of[Verdict.REFUSED]
    if not total:
        return "NOT SHOWN: no rule applies to this recording at this place, so nothing was judged."
    if failed:
        limit_fails = [one for one in failed if one.kind == "limit"]
        if not limit_fails:
            return f"DANGER SIGN: {len(failed)} seen in the recording; read the top of this output first."
        worst = worst_of(limit_fails)
        where = f" ({worst.channel}, {clock(worst.windows[0].worst_at)})" if worst.windows else f" ({worst.channel})"
        if worst.statistic is not None and worst.statistic.value is not None:
            value = number(worst.statistic.value, worst.statistic.unit)
            detail = f"; the furthest beyond its limit is {value} against {limit_text(worst)}{where}"
        else:
            detail = ""
        return f"FAIL: {len(limit_fails)} of {total} criteria are not met{detail}."
    if refused:
        rest = f", {len(open_)} could not be judged" if open_ else ""
        return f"REFUSED: the recording cannot be trusted for {len(refused)} of {total} criteria{rest}; none fails."
    if open_:
        return f"NOT SHOWN: nothing fails, but {len(open_)} of {total} criteria could not be judged."
    waived = of[Verdict.WAIVED]
    if waived:
        return f"WAIVED: {len(waived)} of {total} criteria fail under a valid waiver; all others pass."
    return f"PASS: all {total} criteria are met."
