"""Two results side by side: which verdicts and margins are new, worse, better, unchanged or gone. Changes no verdict.

Findings are matched by fingerprint (table, rule, quantity, phase, order), never by row or by time, so that the same
question is compared whenever it was recorded. Where a question has several periods, the worst of each side counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, get_args

from msgspec import Struct

from pqcheck.model.errors import GateError, PqcheckError
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_file import as_document, from_document
from pqcheck.model.findings_words import GATE
from pqcheck.model.small_files import parse_json, read_small
from pqcheck.model.verdict import Verdict, roll_up
from pqcheck.site.declared_facts import declared_facts, differences
from pqcheck.version import __version__

SET_FORMAT = "pqcheck-findings-set/1"
"""Several findings files in one document: one per scenario."""

State = Literal["new", "worse", "open", "better", "unchanged", "gone"]
"""Open: it failed or was refused before, and is not judged now, which is no better."""
STATES: tuple[State, ...] = get_args(State)
Key = tuple[str, str, str]
"""Fingerprint, channel, operating point."""

_RANK = {
    Verdict.PASS: 0,
    Verdict.NOT_APPLICABLE: 0,
    Verdict.WAIVED: 1,
    Verdict.INCONCLUSIVE: 2,
    Verdict.REFUSED: 3,
    Verdict.FAIL: 5,
}
_FAIL_BY_MARGIN = 4
_NOT_JUDGED = (Verdict.INCONCLUSIVE, Verdict.REFUSED)
_STATE_ORDER: dict[str, int] = {"new": 0, "worse": 1, "gone": 2, "open": 3, "better": 4, "unchanged": 5}


class FindingChange(Struct, frozen=True):
    """One question in both results.

    `before` and `after` are the worst finding of each side (None where the question was not asked). `loss` is the
    margin lost, in percent of the limit: positive is worse; None where one side has no margin.
    """

    state: State
    before: Finding | None
    after: Finding | None
    loss: Decimal | None

    @property
    def shown(self) -> Finding:
        """The finding that names the question."""
        finding = self.after if self.after is not None else self.before
        assert finding is not None
        return finding

    @property
    def red(self) -> bool:
        """A fail that is new or worse: what ``--fail-on new`` fails on."""
        failed = self.after is not None and self.after.verdict is Verdict.FAIL
        return failed and self.state in ("new", "worse")


class Comparison(Struct, frozen=True):
    """All questions of two results, largest loss of margin first."""

    changes: tuple[FindingChange, ...]
    rule_sets: tuple[str, ...] = ()
    """Sentences about limit tables that are not the same on both sides; empty when they are."""
    declared: tuple[str, ...] = ()
    """Sentences about declared facts that are not the same on both sides."""
    remarks: tuple[str, ...] = ()
    tolerance: Decimal = Decimal(0)

    def count(self, state: State) -> int:
        """How many questions are in a state."""
        return sum(change.state == state for change in self.changes)

    @property
    def moved(self) -> tuple[FindingChange, ...]:
        """Everything but what is unchanged."""
        return tuple(change for change in self.changes if change.state != "unchanged")

    @property
    def states(self) -> Mapping[Key, State]:
        """The state of every question that is still asked."""
        return {key_of(change.after): change.state for change in self.changes if change.after is not None}


def key_of(finding: Finding) -> Key:
    """What a finding is matched by."""
    point = finding.snapshot.operating_point if finding.snapshot is not None else ""
    return finding.fingerprint, finding.channel, point


def compare(before: Findings, after: Findings, tolerance: Decimal | float | int = 0) -> Comparison:
    """Compare two results of the same question.

    A fail is *new* when its counterpart did not fail (or there is none) or only lacked the margin asked for while the
    limit itself is not met now. A margin is *worse* or *better* when it moved by more than `tolerance` percent of the
    limit; what is not judged is never better. Findings about the recording itself and predictions are left out.
    """
    allowed = Decimal(str(tolerance))
    old, new = _worst_by_key(before), _worst_by_key(after)
    changes = [_change(old.get(key), new.get(key), allowed) for key in sorted({*old, *new})]
    changes.sort(key=_order)
    facts = differences(declared_facts(before.site), declared_facts(after.site))
    return Comparison(tuple(changes), _rule_sets(before, after), tuple(facts), _remarks(before, after), allowed)


def identity_of(findings: Findings) -> tuple[str, str]:
    """The names of the site and of the scenario."""
    scenario = findings.site.get("scenario") or {}
    name = scenario.get("name") if isinstance(scenario, Mapping) else None
    return str(findings.site.get("name") or ""), str(name or "")


def label_of(findings: Findings) -> str:
    """The name of a result: that of the scenario, else that of the site."""
    site, scenario = identity_of(findings)
    return scenario or site


def _worst_by_key(findings: Findings) -> dict[Key, Finding]:
    worst: dict[Key, Finding] = {}
    for finding in findings.findings:
        if finding.kind not in ("limit", "safety") or finding.table == GATE:
            continue
        key = key_of(finding)
        if key not in worst or _badness(finding) > _badness(worst[key]):
            worst[key] = finding
    return worst


def _badness(finding: Finding) -> tuple[int, Decimal]:
    margin = margin_percent(finding)
    return _rank(finding), Decimal("-Infinity") if margin is None else -margin


def _rank(finding: Finding) -> int:
    return _FAIL_BY_MARGIN if fails_by_margin(finding) else _RANK[finding.verdict]


def fails_by_margin(finding: Finding) -> bool:
    """Whether the limit itself is met, and only the margin asked for is not."""
    if finding.verdict is not Verdict.FAIL or finding.reason is None:
        return False
    if finding.waiver is None:
        return finding.reason.code == "margin"
    # The reason of a waiver that does not hold stands before that of the fail.
    return finding.intervals is not None and finding.intervals.outside <= finding.intervals.allowed


def margin_percent(finding: Finding | None) -> Decimal | None:
    """The margin in percent of the limit, as a decimal; None where there is none."""
    if finding is None or finding.margin is None or finding.margin.percent_of_limit is None:
        return None
    return Decimal(repr(finding.margin.percent_of_limit))


def _change(before: Finding | None, after: Finding | None, tolerance: Decimal) -> FindingChange:
    if after is None or before is None:
        return FindingChange("gone" if after is None else "new", before, after, None)
    loss = _loss(before, after)
    step = _rank(after) - _rank(before)
    asked = (before.verdict is not Verdict.NOT_APPLICABLE, after.verdict is not Verdict.NOT_APPLICABLE)
    state: State
    if asked == (True, False):
        state = "gone"
    elif asked == (False, True) or (step > 0 and after.verdict is Verdict.FAIL):
        state = "new"
    elif step > 0:
        state = "worse"
    elif step:
        state = "open" if after.verdict in _NOT_JUDGED else "better"
    elif loss is None or abs(loss) <= tolerance or (loss < 0 and after.verdict in _NOT_JUDGED):
        state = "unchanged"
    else:
        state = "worse" if loss > 0 else "better"
    return FindingChange(state, before, after, loss)


def _loss(before: Finding, after: Finding) -> Decimal | None:
    """The margin lost in percent of the limit; of the limit that was the nearer before, where the band is the same.

    A reading that moves from one side of a band to the other would else be measured once by each side.
    """
    old, new = margin_percent(before), margin_percent(after)
    if old is None or new is None:
        return None
    if before.limit == after.limit and before.margin is not None and after.margin is not None:
        base = _nearer(before) or _nearer(after)
        if base:
            return 100 * (Decimal(repr(before.margin.value)) - Decimal(repr(after.margin.value))) / base
    return old - new


def _nearer(finding: Finding) -> Decimal | None:
    """The size of the limit that a two-sided margin refers to; None for a margin of zero and one-sided limits."""
    margin, limit = finding.margin, finding.limit
    if margin is None or limit is None or limit.low is None or limit.high is None or not margin.percent_of_limit:
        return None
    return abs(100 * Decimal(repr(margin.value)) / Decimal(repr(margin.percent_of_limit)))


def _order(change: FindingChange) -> tuple[int, Decimal, int, str]:
    """Largest loss first; a verdict that changed without a margin stands at the end it belongs to."""
    if change.loss is not None:
        return 1, -change.loss, 0, change.shown.id
    first = change.state in ("new", "worse")
    return 0 if first else 2, Decimal(0), _STATE_ORDER[change.state], change.shown.id


def _rule_sets(before: Findings, after: Findings) -> tuple[str, ...]:
    old = {table["id"]: table["sha256"] for table in before.limit_tables}
    new = {table["id"]: table["sha256"] for table in after.limit_tables}
    lines = []
    for name in sorted({*old, *new}):
        if name not in new:
            lines.append(f"{name} was applied before and is not now")
        elif name not in old:
            lines.append(f"{name} is applied now and was not before")
        elif old[name] != new[name]:
            lines.append(f"{name} was changed: checksum {old[name][:12]} before, {new[name][:12]} now")
    return tuple(lines)


def _remarks(before: Findings, after: Findings) -> tuple[str, ...]:
    lines = []
    old, new = label_of(before), label_of(after)
    if old and new and old != new:
        lines.append(f"The two results have different names: {old!r} before, {new!r} now.")
    margins = [result.margin_percent for result in (before, after)]
    if margins[0] != margins[1]:
        was, now = ("none" if margin is None else f"{margin:.6g} %" for margin in margins)
        lines.append(f"The margin asked for is not the same: {was} before, {now} now.")
    return tuple(lines)


def read_results(path: str | Path, what: str = "baseline") -> tuple[Findings, ...]:
    """The results in a findings file, or in a set of them.

    Raises `GateError` when the file is missing, is not JSON, is of another format, or does not hold together; `what`
    names the file in the sentence.
    """
    file = Path(path)
    try:
        document = parse_json(read_small(file))
    except OSError as error:
        raise GateError(
            f"the {what} {path} cannot be read ({(error.strerror or str(error)).lower()}); write one with --out "
            "NAME.json from a run you accept"
        ) from None
    except ValueError:
        raise GateError(
            f"the {what} {path} is not JSON; write it again with --out NAME.json from a run you accept"
        ) from None
    entries: Any = [document]
    if isinstance(document, dict) and document.get("format") == SET_FORMAT:
        entries = document.get("results")
    if not isinstance(entries, list) or not entries:
        raise GateError(f"the {what} {path} holds no results; write it again with --out NAME.json")
    results = []
    for entry in entries:
        try:
            results.append(from_document(entry))
        except (PqcheckError, AttributeError) as error:
            raise GateError(f"the {what} {path} cannot be used: {error}") from None
    return tuple(results)


def as_set_text(results: Sequence[Findings]) -> str:
    """One result as its findings file; several as a set of findings files, worst verdict on top."""
    if len(results) == 1:
        return results[0].to_json()
    document = {
        "format": SET_FORMAT,
        "produced_by": {"name": "pqcheck", "version": __version__},
        "verdict": roll_up(result.verdict for result in results).value,
        "results": [as_document(result) for result in results],
    }
    return json.dumps(document, sort_keys=True, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
