"""SARIF 2.1.0, the exchange format of code analysis: one result per criterion, passes too.

Source: OASIS, Static Analysis Results Interchange Format (SARIF) Version 2.1.0. Code hosts show results of level error
and warning and nothing of the kind "open", so what was not judged is a warning: it must not look harmless.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import quote

from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import statement
from pqcheck.model.verdict import Verdict
from pqcheck.reports.point_results import OPEN, PointResult, body, cells_of, declared_by_sites, is_known, place_of
from pqcheck.reports.source_location import location
from pqcheck.version import __version__
from pqcheck.workflows.run_gate import GateResult

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
_SUPPRESSED = {"in force": "accepted", "pending": "underReview", "rejected": "rejected"}


def as_sarif(gated: GateResult, files: Sequence[str]) -> str:
    """The whole log; without clock, host or absolute path. `files` are paths as given on the command line."""
    cells = cells_of(gated)
    judged = [(cell, one) for cell in cells for one in cell.findings if one.kind in ("limit", "safety")]
    rules = sorted({_rule_id(one) for _, one in judged})
    index = {rule: number for number, rule in enumerate(rules)}
    clauses = {_rule_id(one): one.clause for _, one in judged if one.clause}
    results = [_result(cell, one, index, gated, files) for cell, one in judged]
    properties: dict[str, Any] = {"verdicts": {cell.name: cell.verdict.value for cell in cells}}
    statements = list(dict.fromkeys(filter(None, map(statement, gated.results))))
    declared = declared_by_sites(gated)
    if declared:
        properties["declaredBySiteFile"] = [line.strip("- ") for line in declared]
    if statements:
        properties["statement"] = " ".join(statements)
    run = {
        "tool": {"driver": {
            "name": "pqcheck", "version": __version__, "informationUri": "https://pypi.org/project/pqcheck-power/",
            "rules": [
                {"id": rule, "shortDescription": {"text": f"{rule}, {clauses[rule]}" if rule in clauses else rule}}
                for rule in rules
            ],
        }},
        "invocations": [{"executionSuccessful": True, "exitCode": int(gated.exit_status)}],
        "results": results,
        "properties": properties,
    }  # fmt: skip
    return _log(run)


def failed_run(sentence: str) -> str:
    """The log of a run that could not judge anything."""
    notification = {"level": "error", "message": {"text": sentence}}
    invocation = {
        "executionSuccessful": False, "exitCode": int(ExitStatus.COULD_NOT_RUN),
        "toolExecutionNotifications": [notification],
    }  # fmt: skip
    result = {"ruleId": "pqcheck/could-not-run", "level": "error", "message": {"text": sentence}}
    driver = {"name": "pqcheck", "version": __version__, "rules": [{"id": "pqcheck/could-not-run"}]}
    return _log({"tool": {"driver": driver}, "invocations": [invocation], "results": [result]})


def _log(run: dict[str, Any]) -> str:
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}
    return json.dumps(log, sort_keys=True, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _rule_id(finding: Finding) -> str:
    return f"{finding.table}/{finding.rule}"


def _result(
    cell: PointResult, finding: Finding, index: dict[str, int], gated: GateResult, files: Sequence[str]
) -> dict[str, Any]:
    rule = _rule_id(finding)
    kind, level = _kind_and_level(cell, finding, gated)
    path, row = location(finding, files)
    place: dict[str, Any] = {"logicalLocations": [{"fullyQualifiedName": finding.id}]}
    if path:
        place["physicalLocation"] = {"artifactLocation": {"uri": quote(path)}, "region": {"startLine": row}}
    result: dict[str, Any] = {
        "ruleId": rule, "ruleIndex": index[rule], "kind": kind, "level": level,
        "message": {"text": f"{place_of(finding)} [{cell.name}]: {body(cell, finding)}"},
        "locations": [place],
        "partialFingerprints": {"pqcheckQuestion/v1": f"{finding.fingerprint}/{finding.channel}/{cell.name}"},
        "properties": {"verdict": finding.verdict.value},
    }  # fmt: skip
    suppressions = list(_suppressions(finding))
    return result | ({"suppressions": suppressions} if suppressions else {})


def _kind_and_level(cell: PointResult, finding: Finding, gated: GateResult) -> tuple[str, str]:
    verdict = finding.verdict
    if verdict is Verdict.FAIL:
        return "fail", "note" if gated.fail_on == "new" and is_known(cell, finding) else "error"
    if verdict is Verdict.WAIVED:
        return "fail", "note"
    if verdict in OPEN:
        return "fail", "warning"
    return "pass" if verdict is Verdict.PASS else "notApplicable", "none"


def _suppressions(finding: Finding) -> Iterator[dict[str, str]]:
    """The waiver of a finding; one that is not in force any more suppresses nothing, and is not listed as if."""
    waiver = finding.waiver
    if waiver is not None and waiver["standing"] in _SUPPRESSED:
        yield {
            "kind": "external", "status": _SUPPRESSED[waiver["standing"]],
            "justification": f"{waiver['reason']} (owner {waiver['owner']}, expires {waiver['expires']})",
        }  # fmt: skip
