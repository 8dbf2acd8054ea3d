"""The answer of a load study: may the load go in, under which conditions, and what is not known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from pqcheck.loads.counted_on import relieving
from pqcheck.loads.declared import addition_va
from pqcheck.loads.predict import place
from pqcheck.loads.requirements import Requirement, requirement, strictest
from pqcheck.loads.study_values import VariantRow
from pqcheck.model.findings import Finding
from pqcheck.model.reason_codes import CATALOGUE
from pqcheck.model.verdict import Verdict

if TYPE_CHECKING:
    from pqcheck.loads.study import LoadStudy

MOST_UNKNOWN = 6
MOST_NEEDED = 3
OPENED_BY_BOUND = ("phase-angles-unknown", "neutral-not-declared")
NEARLY = 1.05
"""Two estimates of the size that may go in are alike within this ratio."""


class Answer(Struct, frozen=True):
    """The verdict over all predictions, in one sentence, with its conditions and what is not known."""

    verdict: Verdict
    sentence: str
    conditions: tuple[str, ...]
    unknown: tuple[str, ...]


def answer_of(study: LoadStudy) -> Answer | None:
    """The answer; None for a study without new loads."""
    if not study.loads:
        return None
    questions, failing, open_ = _questions(study)
    kilovolt_amperes = addition_va(study.loads) / 1000
    whole = f"the addition of {kilovolt_amperes:.4g} kVA"
    if failing:
        worst = min(failing, key=_share)
        text = f"with {whole} {_count(failing, 'criterion')} predicted to fail, {_words(worst)} first"
        verdict = Verdict.FAIL
    elif open_:
        text = f"with {whole} none of {len(questions)} predictions fails, and {len(open_)} of them are open"
        verdict = Verdict.INCONCLUSIVE
    elif questions:
        tightest = min(questions, key=_share)
        text = (
            f"as far as this study reaches: with {whole} all {len(questions)} predictions pass and so do their bounds, "
            f"the tightest {_words(tightest)}"
        )
        verdict = Verdict.PASS
    else:
        text = "no limit table and no rating was declared, so nothing was predicted"
        verdict = Verdict.INCONCLUSIVE
    return Answer(verdict, f"{text}.", tuple(_conditions(study, verdict)), tuple(_unknown(study, open_)))


def _questions(study: LoadStudy) -> tuple[list[Finding], list[Finding], list[Finding]]:
    """What the answer rests on (predictions, and determinations with the new load), what fails of it, what is open."""
    questions = [
        finding for finding in study.findings.findings
        if (
            finding.kind == "prediction" and finding.verdict is not Verdict.NOT_APPLICABLE
            and not finding.channel.endswith("-arithmetic")
        ) or (finding.kind == "limit" and finding.rule.startswith("existing-load") and finding.required)
    ]  # fmt: skip
    failing = [finding for finding in questions if finding.verdict is Verdict.FAIL]
    open_ = [finding for finding in questions if finding.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED)]
    return questions, failing, open_


def variant_row(name: str, study: LoadStudy) -> VariantRow:
    """A study of one alternative as a row of the table that compares them."""
    questions, failing, open_ = _questions(study)
    answer = answer_of(study)
    verdict = Verdict.INCONCLUSIVE if answer is None else answer.verdict
    judged = [finding for finding in questions if _bound_share(finding, study) != float("inf")]
    opened = [finding for finding in open_ if finding in judged]
    deciding = min(failing or opened or judged, key=lambda finding: _bound_share(finding, study), default=None)
    if deciding is None:
        return VariantRow(name, verdict.value, 0, 0, "nothing was predicted", None, "")
    needed = "; ".join(each.words for each in _needed(study, failing or open_))
    share = _bound_share(deciding, study)
    margin = None if share == float("inf") else share
    return VariantRow(name, verdict.value, len(failing), len(open_), _words(deciding), margin, needed)


def _needed(study: LoadStudy, findings: Sequence[Finding]) -> list[Requirement]:
    """What it would take, the most demanding first."""
    known = study.findings.findings
    return strictest(requirement(finding, known, study.loads, study.capacity) for finding in findings)[:MOST_NEEDED]


def _at_worst(finding: Finding, study: LoadStudy) -> str:
    """The criterion in words, with its bound where the prediction alone would pass."""
    if finding.reason is None or finding.reason.code not in OPENED_BY_BOUND:
        return _words(finding)
    bounds = (each for each in study.findings.findings if each.channel == f"{finding.channel}-arithmetic")
    bound = next((each for each in bounds if place(each) == place(finding)), None)
    return _words(finding) if bound is None else _words(bound, "at worst ")


def _bound_share(finding: Finding, study: LoadStudy) -> float:
    """Percent of the limit that the bound of a prediction leaves."""
    bounds = [
        each for each in study.findings.findings
        if each.kind == "prediction" and each.channel.endswith("-arithmetic") and place(each) == place(finding)
    ]  # fmt: skip
    return min(map(_share, [finding, *bounds]))


def _count(findings: Sequence[Finding], noun: str) -> str:
    return f"1 {noun} is" if len(findings) == 1 else f"{len(findings)} criteria are"


def _doubt_title(code: str) -> str:
    """The title of a code of vetting."""
    from pqcheck.vet.checks import CHECKS

    return next((check.codes[code] for check in CHECKS if code in check.codes), code)


def bounds_failing(count: int) -> str:
    """How many bounds fail beyond those that fail anyway."""
    return "1 more bound fails" if count == 1 else f"{count} more bounds fail"


def _share(finding: Finding) -> float:
    percent = None if finding.margin is None else finding.margin.percent_of_limit
    return float("inf") if percent is None else float(percent)


def _words(finding: Finding, which: str = "") -> str:
    title = finding.title.split(":")[0] if finding.table == "ratings" else f"{finding.table} {finding.rule}"
    grown = ", demand current grown" if finding.channel.endswith("-grown-demand") else ""
    text = f"{title} ({finding.channel.split('+')[0]}{grown}"
    if finding.statistic is not None and finding.statistic.value is not None and finding.limit is not None:
        unit = finding.statistic.unit
        sides = [side for side in (finding.limit.low, finding.limit.high) if side is not None]
        limits = " to ".join(f"{side:.4g}" for side in sides)
        text += f", {which}{finding.statistic.value:.4g} against {limits} {unit}".removesuffix(" 1").rstrip()
    return f"{text})"


def _conditions(study: LoadStudy, verdict: Verdict) -> Iterator[str]:
    _, failing, open_ = _questions(study)
    needed = _needed(study, failing or open_)
    rooms = [room for room in study.rooms if not room.at_least and room.key != "supply"]
    tightest = min(rooms, key=lambda room: room.share, default=None)
    # The search knows the size better than a straight line does, unless the span of an input asks for less.
    least = min((each.share for each in needed if each.subject in ("size", "feed-in")), default=1.0)
    if tightest is not None and tightest.share < 1 and tightest.share <= least * NEARLY:
        needed = [each for each in needed if each.subject not in ("size", "feed-in", "bank")]
        at_most = "at most " if tightest.open or tightest.about else ""
        yield (
            f"No more than {at_most}{tightest.apparent_va / 1000:.4g} kVA ({100 * tightest.share:.3g} % of what is "
            f"declared), where {tightest.title} is reached at worst"
        )
    for each in needed:
        yield f"To pass at worst it takes {each.words}"
    managed = [load for load in study.loads if load.managed]
    for load in managed:
        yield f"{load.name}: an automatic load management holds it at {load.managed} at most, whatever runs"
    for load in study.loads:
        if load.diversity < 1 and not load.managed:
            yield f"{load.name}: of all its pieces never more than {100 * load.diversity:.3g} % at once"
    scheduled = [load.name for load in study.loads if load.runs is not None]
    over = [entry.title for entry in study.capacity if entry.then_bounds and entry.then_bounds[1] > entry.limit]
    if scheduled and verdict is not Verdict.FAIL:
        because = f"; all at once, {over[0]} would be exceeded" if over else ""
        yield f"{', '.join(scheduled)}: only at the times declared{because}"
    if study.counted_on and verdict is not Verdict.FAIL:
        names = ", ".join(load.name for load in relieving(study.loads))
        more = f" and {len(study.counted_on) - 1} more" if len(study.counted_on) > 1 else ""
        yield f"{names}: in service whenever the rest runs; without it {study.counted_on[0]}{more} would fail at worst"
    if any(load.feeds_in for load in study.loads):
        yield "Nothing counts on what feeds in"


def _unknown(study: LoadStudy, open_: Sequence[Finding]) -> Iterator[str]:
    groups: dict[str, list[Finding]] = {}
    for finding in open_:
        if finding.reason is not None:
            groups.setdefault(finding.reason.code, []).append(finding)
    for code, findings in list(groups.items())[:MOST_UNKNOWN]:
        reason = findings[0].reason
        assert reason is not None
        title = CATALOGUE[code].title if code in CATALOGUE else _doubt_title(code)
        such = f"{len(findings)} of the predictions, such as {_at_worst(findings[0], study)}"
        yield f"{title} ({such}): {reason.advice}".rstrip(".")
    if len(groups) > MOST_UNKNOWN:
        yield f"{len(groups) - MOST_UNKNOWN} more reasons stand with the predictions"
    if study.band and study.band[0].turned:
        first = study.band[0]
        yield f"Pin down first: {first.input} ({first.at}), over whose span {bounds_failing(first.turned)}"
    if study.source is None:
        yield "The impedance of the supply: voltages are not predicted"
    if study.neutral_open and "neutral-not-declared" not in groups:
        yield (
            "The impedance of the neutral: every prediction was made with none and with that of a phase conductor; "
            "declare [source_impedance] neutral_resistance and neutral_reactance"
        )
    for load in study.loads:
        if load.spectrum.source.startswith("none declared") and load.bank is None:
            yield f"{load.name}: no spectrum is declared, and it counts as free of harmonics"
