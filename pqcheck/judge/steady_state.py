"""A spectrum without a time axis, judged as a declared steady operating point.

Every interval of a rule's period is taken equal to the one spectrum, so each rule has one interval that is inside or
outside: shares, counts and runs all come out as if the state never changed. What is judged so is decided by
declaration, not proven (docs/gate.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import replace

from pqcheck.judge.compose_findings import percent_of
from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.model.findings import Finding, Reason, Snapshot, Statistic
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import Axis, Block, Channel, Recording, RowSpan, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

if TYPE_CHECKING:
    from pqcheck.vet.trust import Trust

_SECOND = 1_000_000
_DECIDED = (Verdict.PASS, Verdict.FAIL)
_Place = tuple[str | None, str | None, int | None]


def judge_steady(
    name: str,
    amplitudes: Mapping[Channel, Decimal],
    rows: Mapping[Channel, RowSpan],
    tables: Sequence[LimitTable],
    site: Site,
    quantities: Sequence[str] = (),
    on: date | None = None,
    trust: Sequence[Trust] = (),
) -> list[Finding]:
    """Findings of one operating point: rms amplitudes by channel, and where each stands.

    `site` is the site as judged (a virtual PCC already in place). Rules keep their own statistic in the findings;
    there is no period. `trust` are doubts about the spectrum, which refuse what rests on them.
    """
    recording = _recording(amplitudes)
    changed = [replace(table, rules=tuple(_steady(rule) for rule in table.rules)) for table in tables]
    rules = {(table.id, rule.id): rule for table in tables for rule in table.rules}
    tasks, settled = resolve(changed, recording, site, quantities, on)
    results = judge(tasks, settled, recording, site, trust=lambda: trust).findings
    spans: dict[_Place, RowSpan] = {(each.quantity, each.phase, each.order): span for each, span in rows.items()}
    return [_as_snapshot(each, rules[each.table, each.rule], name, spans) for each in results]


def _steady(rule: Rule) -> Rule:
    """The rule with one interval for its period. A constant state outside breaks any count and any run."""
    statistic = rule.statistic
    if statistic.kind in ("count_at_most", "longest_run_at_most"):
        statistic = RuleStatistic("all_within")
    criterion = rule.time_criterion
    if criterion is not None:
        criterion = replace(criterion, shortest_pass_s=Decimal(0))
    return replace(
        rule,
        interval_s=Decimal(1),
        also_intervals_s=(),
        period=RulePeriod("recording"),
        statistic=statistic,
        time_criterion=criterion,
    )


class _Nowhere:
    """There are no rows along a time axis; `rows` of the operating point say where each amplitude stands."""

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        return ()


def _recording(amplitudes: Mapping[Channel, Decimal]) -> Recording:
    """One interval of one second with these amplitudes."""
    axis = Axis(0, _SECOND, 1)
    values = {channel: np.array([float(value)]) for channel, value in amplitudes.items()}

    def blocks(wanted: Sequence[Channel] | None) -> Iterator[Block]:
        yield Block(axis, values if wanted is None else {channel: values[channel] for channel in wanted})

    return Recording((), (Stream(axis, tuple(values), blocks, _Nowhere()),))


def _as_snapshot(finding: Finding, rule: Rule, name: str, rows: Mapping[_Place, RowSpan]) -> Finding:
    """The finding with the rule's own statistic, without the stand-in period, and with the reason it rests on."""
    value = None if finding.statistic is None else finding.statistic.value
    unit = "" if finding.statistic is None else finding.statistic.unit
    span = rows.get((finding.quantity, finding.phase, finding.order))
    spans = () if span is None else (span,)
    reason = finding.reason
    if finding.verdict in _DECIDED:
        text, advice = sentence("steady-point", where=_where(name, spans), period=_period_word(rule))
        # What else there is to say (a bound, a proxy) comes first; it is the stronger remark.
        reason = (
            Reason("steady-point", text, advice)
            if reason is None
            else Reason(reason.code, f"{reason.text} {text}", reason.advice)
        )
    return finding.replaced(
        period=None,
        statistic=Statistic(rule.statistic.kind, percent_of(rule), float(rule.interval_s), value, unit),
        reason=reason,
        proven=False,
        windows=(),
        snapshot=Snapshot(name, spans),
    )


def _where(name: str, spans: Sequence[RowSpan]) -> str:
    place = f"{spans[0].file}, row {spans[0].first}" if spans else ""
    return ", ".join(part for part in (repr(name) if name else "", place) if part) or "as given"


def _period_word(rule: Rule) -> str:
    return "recording" if rule.period.length == "recording" else rule.period.length
