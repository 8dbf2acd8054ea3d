"""Findings in words: the answer in one sentence, readings, limits and times as people write them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from pqcheck.model.declared_away import declared_sentence
from pqcheck.model.findings import Finding, Findings, Limit, StrictLimit, Window
from pqcheck.model.verdict import ROLL_UP, Verdict

VERDICT_WORDS = {
    Verdict.PASS: "PASS",
    Verdict.FAIL: "FAIL",
    Verdict.INCONCLUSIVE: "NOT SHOWN",
    Verdict.REFUSED: "REFUSED",
    Verdict.NOT_APPLICABLE: "not applicable",
    Verdict.WAIVED: "WAIVED",
}

NOT_READ = "Not read: "
"""How the remark begins that every output shows first: what the question needs and was not read."""


GATE = "gate"
"""The table of findings about the question of a gate as a whole, which no limit table sets."""

WHOLE_TABLE = "-"
"""The rule of a finding about a whole table."""


def danger_signs(findings: Findings) -> list[Finding]:
    """The danger signs as people read them: one of those that say the same (the phases of one trouble)."""
    kept: dict[tuple[str, str], Finding] = {}
    for finding in findings.findings:
        if finding.kind == "safety":
            kept.setdefault((finding.title, finding.reason.text if finding.reason is not None else finding.id), finding)
    return list(kept.values())


def rank(verdict: Verdict) -> int:
    """The place of a verdict in the roll-up, the worst first; what is not applicable comes last."""
    return ROLL_UP.index(verdict) if verdict in ROLL_UP else len(ROLL_UP)


def number(value: float | None, unit: str = "") -> str:
    """A reading with its unit, at most six digits; rounding is for the eye only."""
    if value is None:
        return "-"
    text = f"{value:.6g}"
    return f"{text} {unit}" if unit and unit != "1" else text


def reading_text(finding: Finding) -> str:
    """The reading that decides, with its unit; ``-`` where nothing was read."""
    return "-" if finding.statistic is None else number(finding.statistic.value, finding.statistic.unit)


def has_reading(finding: Finding | None) -> bool:
    """Whether the finding was judged on a reading."""
    return finding is not None and finding.statistic is not None and finding.statistic.value is not None


def limit_text(finding: Finding) -> str:
    """The band: ``207 to 253 V``, ``at most 8 %``."""
    limit = finding.limit
    return "-" if limit is None or (limit.low is None and limit.high is None) else band_text(limit)


def against_limit(reading: str, finding: Finding) -> str:
    """``10.5 A against at most 10 A``; ``12 A, where below 12 A is asked for``."""
    if isinstance(finding.limit, StrictLimit):
        return f"{reading}, where {limit_text(finding)} is asked for"
    return f"{reading} against {limit_text(finding)}"


def band_text(limit: Limit, at_most: str = "at most") -> str:
    """A limit with at least one side, in its unit; ``below 12 A`` where a value on it lies outside."""
    unit = "" if limit.unit == "1" else f" {limit.unit}"
    if isinstance(limit, StrictLimit):
        sides = [f"{word} {number(edge)}" for word, edge in (("above", limit.low), ("below", limit.high))
                 if edge is not None]
        return " and ".join(sides) + unit
    if limit.low is None:
        return f"{at_most} {number(limit.high)}{unit}"
    if limit.high is None:
        return f"at least {number(limit.low)}{unit}"
    return f"{number(limit.low)} to {number(limit.high)}{unit}"


def beyond(limit: Limit | None, value: float) -> float:
    """How far a value lies beyond the nearer side of a limit; negative inside, the value itself without a limit."""
    if limit is None:
        return value
    high = value - limit.high if limit.high is not None else float("-inf")
    low = limit.low - value if limit.low is not None else float("-inf")
    return max(high, low)


def outside_text(finding: Finding) -> str:
    """``61 of 1008, 50 allowed``; of a rule about runs ``a run of 3, 6 allowed``."""
    counts = finding.intervals
    if counts is None:
        return "-"
    outside = f"a run of {counts.outside}" if about_runs(finding) else f"{counts.outside} of {counts.expected}"
    return f"{outside}, {counts.allowed} allowed"


def about_runs(finding: Finding) -> bool:
    """Whether the counts are intervals of the longest run outside, not of all that lie outside."""
    return finding.statistic is not None and finding.statistic.kind == "longest_run_at_most"


def first_few(names: Sequence[str], most: int = 3) -> str:
    """``a, b, c and 4 more``."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def margin_percent(finding: Finding) -> float | None:
    """The margin in percent of the limit, where there is one."""
    return finding.margin.percent_of_limit if finding.margin is not None else None


def uncertainty_text(finding: Finding) -> str:
    """How many intervals the instrument leaves open around the limit; empty where none could turn the verdict."""
    band, counts = finding.uncertainty, finding.intervals
    if band is None or counts is None:
        return ""
    return (
        f"{band.outside_high - band.outside_low} intervals lie within {band.expanded} of the limit: "
        f"{band.outside_low} to {band.outside_high} may lie outside, {counts.allowed} are allowed"
    )


def clock(stamp: str) -> str:
    """An ISO stamp without the T and, on the minute, without seconds; the offset stays away from the eye."""
    date, _, rest = stamp.partition("T")
    time = rest[:8]
    return f"{date} {time[:5] if time.endswith(':00') else time}".strip()


def required(findings: Findings) -> list[Finding]:
    """Findings that take part in the verdict."""
    return [finding for finding in findings.findings if finding.required]


def criteria(findings: Iterable[Finding]) -> list[Finding]:
    """What every output counts as a criterion: limit findings that take part in the verdict. Danger signs are no
    criteria and are counted apart."""
    return [finding for finding in findings if finding.required and finding.kind == "limit"]


def counts_by_verdict(asked: Iterable[Finding]) -> dict[Verdict, int]:
    """How many criteria have each verdict, worst first; they add up to the number of criteria."""
    counted = Counter(finding.verdict for finding in asked)
    return {verdict: counted[verdict] for verdict in ROLL_UP}


def signs_text(findings: Findings) -> str:
    """``1 danger sign``; empty without one."""
    signs = len(danger_signs(findings))
    return f"{signs} danger sign{'s' if signs > 1 else ''}" if signs else ""


def by_loss(findings: Sequence[Finding]) -> list[Finding]:
    """Worst first: danger signs in their order, then the smallest margin as a share of the limit."""
    return sorted(findings, key=lambda finding: (*_loss(finding), finding.id))


def worst_window(finding: Finding, among: int) -> Window:
    """The first of the windows whose reading lies farthest beyond the limit, among the first ones; there is one."""
    windows = finding.windows
    # Windows that are made only when they are read know their worst one without being made.
    farthest = getattr(windows, "farthest", None)
    if farthest is not None:
        window: Window = farthest(lambda value: beyond(finding.limit, value), among)
        return window
    return max(windows[:among], key=lambda window: beyond(finding.limit, window.worst))


FEW_WINDOWS = 5000
"""Windows looked through for the worst one; of more the first stands for them."""


def worst_at(finding: Finding) -> str:
    """When the reading lay farthest beyond the limit, an ISO stamp; there is a window."""
    return worst_window(finding, len(finding.windows) if len(finding.windows) < FEW_WINDOWS else 1).worst_at


def worst_of(findings: Sequence[Finding]) -> Finding:
    """The first `by_loss`, of at least one."""
    least = min(map(_loss, findings))
    return min((finding for finding in findings if _loss(finding) == least), key=lambda finding: finding.id)


def _loss(finding: Finding) -> tuple[bool, float]:
    if finding.kind == "safety":
        return False, 0.0
    percent = margin_percent(finding)
    return True, percent if percent is not None else float("inf")


def tables_text(results: Iterable[Findings]) -> str:
    """``Judged against A (checksum). No rule of B was judged.``: tables by id with the beginning of their checksums."""
    judged: dict[str, None] = {}
    others: dict[str, None] = {}
    for result in results:
        of = {finding.table for finding in result.findings if finding.required and finding.rule != WHOLE_TABLE}
        for table in result.limit_tables:
            (judged if table["id"] in of else others)[f"{table['id']} ({table['sha256'][:12]})"] = None
    unjudged = [name for name in others if name not in judged]
    parts = [f"Judged against {', '.join(judged)}."] if judged else []
    return " ".join([*parts, *([f"No rule of {', '.join(unjudged)} was judged."] if unjudged else [])])


def statement(findings: Findings) -> str:
    """What a result of a declared scenario is not; empty for a recording of a real place."""
    scenario = findings.site.get("scenario")
    if not scenario:
        return ""
    tables = " and ".join(f"{table['id']}" for table in findings.limit_tables)
    name = f" {scenario['name']!r}" if scenario.get("name") else ""
    purpose = f" ({scenario['purpose']})" if scenario.get("purpose") else ""
    return (
        f"Internal criterion{purpose}: the figures of {tables} applied to the declared scenario{name}; no statement "
        "that equipment or a site complies with a standard."
    )


def answer(findings: Findings) -> str:
    """The answer in a plain sentence, how many verdicts hang on what is declared, and for a scenario what it is not."""
    return " ".join(part for part in (_answer(findings), declared_sentence(findings), statement(findings)) if part)


def _answer(findings: Findings) -> str:
    asked = criteria(findings.findings)
    of: dict[Verdict, list[Finding]] = {verdict: [] for verdict in Verdict}
    for finding in asked:
        of[finding.verdict].append(finding)
    total = len(asked)
    failed, open_, refused = of[Verdict.FAIL], of[Verdict.INCONCLUSIVE], of[Verdict.REFUSED]
    beside = findings.counts[Verdict.NOT_APPLICABLE.value]
    also = f", {beside} {'is' if beside == 1 else 'are'} not applicable" if beside else ""
    signs = signs_text(findings)
    if signs and not failed:
        left = len(open_) + len(refused)
        none = f"none of {total} criteria fails{f', {left} could not be judged' if left else ''}" if total else \
            "no rule applies to it"
        return f"DANGER SIGN: {signs} in the recording, read the top of this output first; {none}{also}."
    if not total:
        return "NOT SHOWN: no rule applies to this recording at this place, so nothing was judged."
    if failed:
        worst = worst_of(failed)
        where = f" ({worst.channel}, {clock(worst_at(worst))})" if worst.windows else f" ({worst.channel})"
        detail = ""
        if has_reading(worst):
            detail = f"; the furthest beyond its limit is {against_limit(reading_text(worst), worst)}{where}"
        beside_signs = f", beside {signs}" if signs else ""
        are = "is" if len(failed) == 1 else "are"
        return f"FAIL: {len(failed)} of {total} criteria {are} not met{beside_signs}{also}{detail}."
    if refused:
        rest = f", {len(open_)} could not be judged" if open_ else ""
        of_all = f"{len(refused)} of {total} criteria{rest}{also}"
        return f"REFUSED: the recording cannot be trusted for {of_all}; none fails."
    if open_:
        tables = [finding.table for finding in open_ if finding.rule == WHOLE_TABLE]
        if len(tables) == len(open_):
            met = f"all {total - len(open_)} criteria that apply are met"
            return f"NOT SHOWN: {met}{also}, and no rule of {' and '.join(tables)} was judged."
        return f"NOT SHOWN: nothing fails, but {len(open_)} of {total} criteria could not be judged{also}."
    waived = of[Verdict.WAIVED]
    if waived:
        return f"WAIVED: {len(waived)} of {total} criteria fail under a valid waiver; all others pass{also}."
    return f"PASS: all {total} criteria are met{_excluded(of[Verdict.PASS])}{_by_list(of[Verdict.PASS])}{also}."


def _by_list(passed: Sequence[Finding]) -> str:
    """Passes that rest on a list of events of which nobody said that it is complete."""
    codes = {finding.reason.code for finding in passed if finding.reason is not None}
    listed = codes & {"events-listed", "events-gap"}
    why = "over which time they were monitored is not declared" if "events-listed" in codes else "the trend has holes"
    return f", those about events by the events listed ({why})" \
        if listed else ""


def _excluded(passed: Sequence[Finding]) -> str:
    """How much of a period passes leave out, where it is more than a tenth."""
    shares = [100 * finding.intervals.excluded / finding.intervals.expected for finding in passed
              if finding.intervals is not None and finding.intervals.expected]
    most = max(shares, default=0.0)
    return f", with up to {most:.0f} % of a period excluded" if most > 10 else ""
