"""A result beside an accepted one: whether the question is the same, and whether everything judged before was judged.

A baseline of another place or of other limits would make every fail a known one, and what is no longer judged cannot
fail at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.model.errors import GateError
from pqcheck.model.findings import Finding, Findings, Reason, in_order
from pqcheck.model.findings_words import GATE, VERDICT_WORDS
from pqcheck.model.reason_codes import sentence
from pqcheck.model.verdict import Verdict
from pqcheck.site.declared_facts import shortened
from pqcheck.site.site_values import Site
from pqcheck.workflows.compare_findings import Comparison, compare, identity_of, label_of, read_results

_JUDGED = (Verdict.PASS, Verdict.FAIL, Verdict.WAIVED)
_SAME_QUESTION = "compare with a baseline of the same question, or accept the difference with --baseline-differs"


class Held(Struct, frozen=True):
    """A result with what the baseline adds to it, and the comparison (None for what only the baseline holds)."""

    findings: Findings
    comparison: Comparison | None


def accepted_results(given: str | Path | Sequence[Findings]) -> tuple[Findings, ...]:
    """The results of a baseline, from a file or as they are."""
    return read_results(given) if isinstance(given, (str, Path)) else tuple(given)


def hold_against_baseline(
    results: Sequence[Findings], known: Sequence[Findings], sites: Sequence[Site], *, differs: bool, gone: bool
) -> list[Held]:
    """Every result beside the baseline of its scenario, and a result for each scenario that is no longer judged.

    `differs` accepts another question, `gone` that something is no longer judged. Raises `GateError` where the site,
    the scenario or the limit tables are others.
    """
    held: list[Held] = []
    left = list(known)
    for result, site in zip(results, sites, strict=True):
        earlier = _same_scenario(result, results, known)
        comparison = _compared(result, earlier, site.gate.get("tolerance") or Decimal(0))
        if earlier is not None:
            left.remove(earlier)
            if not differs:
                _check_question(earlier, result, comparison)
        added: list[Finding] = []
        if comparison.declared and not differs:
            added.append(gate_finding("declared-facts", "baseline-differs", what=shortened(comparison.declared)))
        if not gone:
            added += _gone(comparison, result)
        held.append(Held(with_added(result, added), comparison))
    for earlier in () if gone else left:
        missing = tuple(_gone_finding(finding, "the scenario was not judged") for finding in _judged(earlier))
        if missing:
            held.append(Held(Findings(in_order(missing), earlier.site, (), earlier.limit_tables), None))
    return held


def with_added(findings: Findings, added: Sequence[Finding]) -> Findings:
    """The findings with others, which take the place of those with their id."""
    if not added:
        return findings
    ids = {finding.id for finding in added}
    kept = [finding for finding in findings.findings if finding.id not in ids]
    return replace(findings, findings=in_order([*kept, *added]))


def gate_finding(rule: str, code: str, **fields: object) -> Finding:
    """A finding about the question of a gate as a whole: it keeps the result from being a pass."""
    reason = Reason(code, *sentence(code, **fields))
    return Finding(
        kind="limit", table=GATE, rule=rule, clause="", title=_TITLES[rule], quantity=None, phase=None, order=None,
        verdict=Verdict.INCONCLUSIVE, reason=reason,
    )  # fmt: skip


_TITLES = {
    "judged": "Anything was judged",
    "declared-facts": "The facts declared are those of the baseline",
    "at-least-criteria": "As many criteria were judged as the site file asks for",
    "operating-points": "Every operating point that the site file asks for was judged",
}


def _same_scenario(result: Findings, results: Sequence[Findings], known: Sequence[Findings]) -> Findings | None:
    """The result of the same scenario in the baseline; one against one is compared whatever the names."""
    if len(results) == len(known) == 1:
        return known[0]
    return next((earlier for earlier in known if label_of(earlier) == label_of(result)), None)


def _compared(result: Findings, earlier: Findings | None, tolerance: Decimal) -> Comparison:
    if earlier is not None:
        return compare(earlier, result, tolerance)
    comparison = compare(Findings((), result.site, (), result.limit_tables), result, tolerance)
    line = f"The baseline has no scenario {label_of(result)!r}: everything in it counts as new."
    return replace(comparison, remarks=(line,))


def _check_question(earlier: Findings, result: Findings, comparison: Comparison) -> None:
    before, after = identity_of(earlier), identity_of(result)
    for what, old, new in zip(("site", "scenario"), before, after, strict=True):
        if old != new:
            raise GateError(f"the baseline is of another {what}: {old or 'none'} became {new or 'none'}; "
                            f"{_SAME_QUESTION}")
    if comparison.rule_sets:
        raise GateError(f"the baseline was judged by other limit tables: {shortened(comparison.rule_sets)}; "
                        f"{_SAME_QUESTION}")


def _judged(findings: Findings) -> Iterator[Finding]:
    """What was judged: a question once, whatever its periods."""
    seen = set()
    for finding in findings.findings:
        if finding.kind == "limit" and finding.verdict in _JUDGED and finding.table != GATE:
            key = finding.fingerprint, finding.channel, finding.snapshot
            if key not in seen:
                seen.add(key)
                yield finding


def _gone(comparison: Comparison, result: Findings) -> Iterator[Finding]:
    points = {finding.snapshot.operating_point for finding in result.findings if finding.snapshot is not None}
    channels = {finding.channel for finding in result.findings if finding.kind == "limit"}
    out_of_scope = {
        (finding.table, finding.rule): finding.reason.text
        for finding in result.findings
        if finding.verdict is Verdict.NOT_APPLICABLE and finding.reason is not None
    }
    for change in comparison.changes:
        before = change.before
        if change.state != "gone" or before is None or before.kind != "limit" or before.verdict not in _JUDGED:
            continue
        scope = out_of_scope.get((before.table, before.rule))
        if scope is not None:
            why = f"the rule does not apply any more ({scope.rstrip('.')})"
        elif before.snapshot is not None and before.snapshot.operating_point not in points:
            why = f"the operating point {before.snapshot.operating_point!r} is not there"
        elif before.channel not in channels:
            why = "it is not in the recording, or was not asked for"
        else:
            why = "it was not asked for"
        yield _gone_finding(before, why)


def _gone_finding(before: Finding, why: str) -> Finding:
    statistic = None if before.statistic is None else replace(before.statistic, value=None)
    reason = Reason("gone", *sentence("gone", was=VERDICT_WORDS[before.verdict], why=why))
    return before.replaced(
        verdict=Verdict.INCONCLUSIVE, modifiers=(), reason=reason, statistic=statistic, margin=None, intervals=None,
        proven=False, windows=(), without_corrections=None, without_exclusions=None, waiver=None,
    )  # fmt: skip


def completeness(findings: Findings, asked: Mapping[str, Any]) -> Iterator[Finding]:
    """What ``[gate]`` asks for and was not judged: a number of criteria, operating points by name."""
    judged = [one for one in findings.findings if one.kind == "limit" and one.verdict in _JUDGED]
    least = asked.get("at_least_criteria")
    if least is not None and len(judged) < least:
        yield gate_finding("at-least-criteria", "too-few-criteria", judged=len(judged), asked=least)
    points = {one.snapshot.operating_point for one in judged if one.snapshot is not None}
    missing = [point for point in asked.get("operating_points", ()) if point not in points]
    if missing:
        yield gate_finding(
            "operating-points", "operating-points-missing", missing=", ".join(map(repr, missing)),
            held=", ".join(map(repr, sorted(points))) or "none",
        )  # fmt: skip
