"""JUnit XML: one suite per scenario and operating point, one case per criterion, passes too.

A criterion that was refused or could not be judged is an error, never a skip: a skip is shown as harmless. Skipped are
rules that do not apply, and known failures where a baseline says so. What the schema in use allows for a suite but not
for a case (properties of a waiver) stands at the suite under the name of the case.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import statement
from pqcheck.model.verdict import Verdict
from pqcheck.reports.point_results import OPEN, PointResult, baseline_words, body, cells_of, is_known
from pqcheck.workflows.run_gate import GateResult


def as_junit(gated: GateResult) -> str:
    """The whole document; without clock, host or duration, so that the same findings give the same bytes.

    Under ``--fail-on new`` a fail that the baseline already has is skipped, not failed.
    """
    suites = [_suite(cell, gated.fail_on == "any") for cell in cells_of(gated)]
    totals = [sum(counts[place] for _, counts in suites) for place in range(4)]
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', f"<testsuites{_counted(totals, skipped=False)}>"]
    for text, _ in suites:
        lines += text
    return "\n".join([*lines, "</testsuites>"]) + "\n"


def error_document(name: str, sentence: str) -> str:
    """A document of one case, which is an error: that of a run that could not judge anything."""
    counts = _counted([1, 0, 1, 0], skipped=False)
    text = escape(_clean(sentence), quote=False)
    error = f"<error{_attributes(message=sentence, type='could-not-run')}>{text}</error>"
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f"<testsuites{counts}>",
        f" <testsuite{_attributes(name=name)}{_counted([1, 0, 1, 0], skipped=True)}>",
        f"  <testcase{_attributes(classname='pqcheck', name=name)}>",
        f"   {error}",
        "  </testcase>",
        " </testsuite>",
        "</testsuites>",
    ]
    return "\n".join(lines) + "\n"


def _suite(cell: PointResult, known_are_red: bool) -> tuple[list[str], list[int]]:
    cases: list[str] = []
    counts = [0, 0, 0, 0]
    findings = [finding for finding in cell.findings if finding.kind in ("limit", "safety")]
    for finding in findings:
        outcome = _outcome(cell, finding, known_are_red)
        counts[0] += 1
        name = _attributes(classname=f"{finding.table}.{finding.rule}", name=_case_name(finding))
        if outcome is None:
            cases.append(f"  <testcase{name}/>")
            continue
        tag, kind = outcome
        counts[("failure", "error", "skipped").index(tag) + 1] += 1
        message_text, detail = (
            body(cell, finding),
            f"{finding.title}. {finding.reason.advice}" if finding.reason is not None else finding.title,
        )
        # Not every schema in use has attributes for a skip.
        message = "" if tag == "skipped" else _attributes(message=message_text, type=kind)
        text = escape(_clean(f"{kind}: {message_text} {detail}" if tag == "skipped" else detail), quote=False)
        cases += [f"  <testcase{name}>", f"   <{tag}{message}>{text}</{tag}>", "  </testcase>"]
    head = f" <testsuite{_attributes(name=cell.name)}{_counted(counts, skipped=True)}>"
    return [head, *_properties(cell, findings), *cases, " </testsuite>"], counts


def _outcome(cell: PointResult, finding: Finding, known_are_red: bool) -> tuple[str, str] | None:
    """Tag and type of a case; None for a pass, which a waived fail is too."""
    code = finding.reason.code if finding.reason is not None else ""
    if finding.verdict is Verdict.FAIL:
        if not known_are_red and is_known(cell, finding):
            return "skipped", "known-failure"
        return "failure", code if code not in ("", "steady-point") else "limit"
    if finding.verdict in OPEN:
        return "error", code or finding.verdict.value
    if finding.verdict is Verdict.NOT_APPLICABLE:
        return "skipped", code or "not-applicable"
    return None


def _case_name(finding: Finding) -> str:
    at = ""
    if finding.period is not None:
        at = f" from {finding.period.start}"
    return f"{finding.channel}{at}"


def _properties(cell: PointResult, findings: Sequence[Finding]) -> list[str]:
    pairs = [("verdict", cell.verdict.value)]
    mark = statement(cell.result)
    if mark:
        pairs.append(("statement", mark))
    pairs += [("declared by the site file", line.strip("- ")) for line in declared_lines(cell.result)]
    pairs += [(f"limit table {table['id']}", table["sha256"]) for table in cell.result.limit_tables]
    pairs += [(f"file {recording['file']}", recording["sha256"]) for recording in cell.result.recordings]
    for finding in findings:
        case = f"{finding.table}.{finding.rule} {_case_name(finding)}"
        if finding.waiver is not None:
            waiver = finding.waiver
            text = f"{waiver['standing']}; expires {waiver['expires']}; owner {waiver['owner']}; {waiver['reason']}"
            pairs.append((f"waiver of {case}", text))
        words = baseline_words(cell, finding)
        change = cell.change(finding)
        if words and change is not None and change.state != "unchanged":
            pairs.append((f"baseline of {case}", words))
    lines = [f"   <property{_attributes(name=name, value=value)}/>" for name, value in pairs]
    return ["  <properties>", *lines, "  </properties>"]


def _counted(counts: Sequence[int], *, skipped: bool) -> str:
    tests, failures, errors, left = counts
    names = {"tests": str(tests), "failures": str(failures), "errors": str(errors)}
    return _attributes(**names, **({"skipped": str(left)} if skipped else {}))


def _attributes(**values: str) -> str:
    return "".join(f' {name}="{_quoted(value)}"' for name, value in values.items())


def _clean(text: str) -> str:
    """Without characters that XML 1.0 forbids."""
    return "".join(line for line in text if line in "\t\n\r" or (line >= " " and line not in "\ufffe\uffff"))


def _quoted(text: str) -> str:
    """Text of an attribute; line breaks would otherwise be read as blanks."""
    return escape(_clean(text)).replace("\n", "&#10;").replace("\r", "&#13;").replace("\t", "&#9;")
