"""Predicted findings: the rules judged again on the record with the additions, laid beside the measured findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import LimitTable
from pqcheck.loads.predictable import ORDER_VOLTAGES, PREDICTED, TOTALS, VOLTAGES
from pqcheck.loads.study_values import CriterionRow
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

MARK = "+new-load"
"""Ends the channel of a prediction, so that its id differs from the measured one; `VARIANTS` add to it."""

VARIANTS = {
    "": "with the new load",
    "-arithmetic": "with the new load, harmonics added arithmetically (upper bound)",
    "-no-diversity": "with all additions running at once, harmonics added arithmetically (upper bound)",
    "-grown-demand": "with the new load, the maximum demand current grown by it",
}

_WORST_FIRST = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.PASS)

Place = tuple[str, str, str | None, str | None, int | None, str | None]


def place(finding: Finding) -> Place:
    """What pairs a prediction with its measured finding."""
    start = finding.period.start if finding.period else None
    return (finding.table, finding.rule, finding.quantity, finding.phase, finding.order, start)


def predicted(
    tables: Sequence[LimitTable],
    recording: Recording,
    site: Site,
    added: Added,
    measured: Iterable[Finding],
    quantities: Sequence[str] = (),
    variant: str = "",
    with_new: Recording | None = None,
) -> list[Finding]:
    """Findings of kind prediction for every rule of the tables.

    `measured` are the findings without the additions: what was refused or open there is not passed here. `with_new` is
    the record with the additions where it is at hand already. Raises `SiteError` where the supply cannot deliver them.
    """
    findings = verdicts(tables, recording, site, added, quantities, with_new=with_new)
    before = by_place(measured)
    predictions = [_prediction(finding, before.get(place(finding)), variant) for finding in findings]
    if variant:
        return [prediction for prediction in predictions if value_of(prediction) is not None]
    covered = {(finding.table, finding.rule) for finding in findings}
    known = {rule.id for table in tables for rule in table.rules}
    left = {
        (finding.table, finding.rule): finding
        for finding in before.values()
        if not (finding.reason is not None and finding.reason.code == "not-recorded")
        and (finding.table, finding.rule) not in covered
        and finding.verdict is not Verdict.NOT_APPLICABLE
        and finding.rule in known
    }
    return predictions + [_unpredicted(finding, added) for finding in left.values()]


def bounded(
    main: Iterable[Finding], upper: Iterable[Finding], why: str = "phase-angles-unknown"
) -> tuple[list[Finding], list[Finding]]:
    """Predictions that pass only where their bound does, and bounds that fail only where the prediction does.

    What lies between, the prediction inside the limit and its bound not, is open: reason `why`.
    """
    mains, uppers = list(main), list(upper)
    at_most, expected = by_place(uppers), by_place(mains)

    predictions = []
    for finding in mains:
        bound = at_most.get(place(finding))
        if bound is not None and finding.verdict is Verdict.PASS and bound.verdict is not Verdict.PASS:
            finding = opened(finding, finding, bound, why)
        predictions.append(finding)
    bounds = []
    for bound in uppers:
        finding = expected.get(place(bound), bound)
        if bound.verdict is Verdict.FAIL and finding.verdict is not Verdict.FAIL:
            bound = opened(bound, finding, bound, why)
        bounds.append(bound)
    return predictions, bounds


def opened(finding: Finding, expected: Finding, bound: Finding, why: str) -> Finding:
    """The finding left open for the reason `why`, between what is `expected` and what is possible."""
    limit = bound.limit
    sides = [] if limit is None else [side for side in (limit.low, limit.high) if side is not None]
    unit = bound.statistic.unit if bound.statistic is not None else ""
    text, advice = sentence(
        why, value=_printed(value_of(expected), unit), bound=_printed(value_of(bound), unit),
        limit=" and ".join(_printed(float(side), unit) for side in sides),
    )  # fmt: skip
    return finding.replaced(verdict=Verdict.INCONCLUSIVE, reason=Reason(why, text, advice))


def _printed(value: float | None, unit: str) -> str:
    return "nothing" if value is None else f"{value:.4g} {unit}".removesuffix(" 1").rstrip()


def worst_of(*runs: Iterable[Finding]) -> list[Finding]:
    """Of several predictions of each criterion the worst: by verdict, then by margin."""
    worst: dict[Place, Finding] = {}
    for finding in (finding for run in runs for finding in run):
        known = worst.get(place(finding))
        if known is None or _severity(finding) < _severity(known):
            worst[place(finding)] = finding
    return list(worst.values())


def _severity(finding: Finding) -> tuple[int, float]:
    rank = _WORST_FIRST.index(finding.verdict) if finding.verdict in _WORST_FIRST else len(_WORST_FIRST)
    return rank, float("inf") if finding.margin is None else finding.margin.value


def unsupplied(findings: Iterable[Finding]) -> list[Finding]:
    """Predictions of an addition that the supply may not be able to deliver: nothing passes."""
    text, advice = sentence("supply-at-worst")
    reason = Reason("supply-at-worst", text, advice)
    return [
        finding.replaced(verdict=Verdict.INCONCLUSIVE, reason=reason) if finding.verdict is Verdict.PASS else finding
        for finding in findings
    ]


def without_orders(findings: Iterable[Finding], why: Mapping[str, Reason]) -> list[Finding]:
    """Findings of which none passes that holds orders which a new bank shapes and the record lacks.

    `why` are the reasons for totals of "current", "neutral" and "voltage", where there are any.
    """
    result = []
    for finding in findings:
        kind = "neutral" if finding.phase == "n" else "voltage" if finding.quantity in VOLTAGES else "current"
        if finding.verdict is Verdict.PASS and finding.quantity in TOTALS and kind in why:
            finding = finding.replaced(verdict=Verdict.INCONCLUSIVE, reason=why[kind])
        result.append(finding)
    return result


def reported_only(findings: Iterable[Finding], why: str) -> list[Finding]:
    """Predictions of a case that is not the one declared, for information: they decide nothing."""
    text, advice = sentence("no-limit", why=why)
    return [
        finding.replaced(verdict=Verdict.NOT_APPLICABLE, reason=Reason("no-limit", text, advice))
        for finding in findings
    ]


def by_place(findings: Iterable[Finding]) -> dict[Place, Finding]:
    """The findings about limits, measured or predicted, by place."""
    return {place(finding): finding for finding in findings if finding.kind in ("limit", "prediction")}


def value_of(finding: Finding | None) -> float | None:
    """The reading of a finding; None where it has none."""
    return None if finding is None or finding.statistic is None else finding.statistic.value


def verdicts(
    tables: Sequence[LimitTable],
    recording: Recording,
    site: Site,
    added: Added,
    quantities: Sequence[str] = (),
    only: frozenset[Place] | None = None,
    with_new: Recording | None = None,
) -> list[Finding]:
    """The findings of the record with the additions, as judging gives them, for what can be predicted.

    `only` narrows to criteria of these places (whatever their period), and to rules with a reading of their own.
    """
    asked = PREDICTED if added.source is not None else PREDICTED - VOLTAGES
    if added.source is not None and added.source.estimated:
        asked = asked - ORDER_VOLTAGES
    asked = asked & set(quantities) if quantities else asked
    if not asked:
        return []
    with_new = with_addition(recording, site, added) if with_new is None else with_new
    tasks, settled = resolve(tables, with_new, site, sorted(asked))
    if only is not None:
        wanted = {place[:5] for place in only}
        tasks = [
            task for task in tasks
            if task.source is not None
            and (task.table.id, task.rule.id, task.wanted.quantity, task.wanted.phase, task.wanted.order) in wanted
        ]  # fmt: skip
        settled = []
    return list(judge(tasks, settled, with_new, site).findings)


def _prediction(finding: Finding, measured: Finding | None, variant: str) -> Finding:
    verdict, reason = finding.verdict, finding.reason
    doubtful = measured is not None and measured.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
    if measured is not None and doubtful and (verdict is Verdict.PASS or measured.verdict is Verdict.REFUSED):
        verdict = measured.verdict
        if measured.reason is not None:
            text, advice = sentence(
                "as-measured", verdict=verdict.value, text=measured.reason.text, advice=measured.reason.advice
            )
            reason = Reason("as-measured", text, advice)
    return finding.replaced(
        kind="prediction",
        verdict=verdict,
        reason=reason,
        title=f"{finding.title}; prediction {VARIANTS[variant]}",
        channel=f"{finding.channel}{MARK}{variant}",
        modifiers=tuple(sorted({*finding.modifiers, "indicative"})),
        proven=False,
        windows=finding.windows if not variant else (),
    )


def _unpredicted(measured: Finding, added: Added) -> Finding:
    """A rule that a declaration cannot predict: it must not look passed."""
    if measured.quantity in ORDER_VOLTAGES and added.source is not None and added.source.estimated:
        why = "The impedance estimated from the record holds for the fundamental only, so harmonic voltages stay open"
    elif measured.quantity in PREDICTED and any(load.bank is not None for load in added.loads):
        why = (
            "What the capacitor bank makes of the harmonics that are there needs their orders, of current and voltage, "
            "and these were not recorded"
        )
    elif measured.quantity in VOLTAGES:
        why = "The impedance of the supply is neither declared nor shown by the record, so voltages cannot be predicted"
    else:
        name = (measured.quantity or "the quantity").replace("_", " ")
        why = f"What the new load does to {name} does not follow from its size, power factor and spectrum"
    text, advice = sentence("not-predicted", why=why)
    if measured.quantity in VOLTAGES:
        advice = "Declare [source_impedance], or [pcc] short_circuit_current."
    statistic = measured.statistic
    return Finding(
        kind="prediction",
        table=measured.table,
        rule=measured.rule,
        clause=measured.clause,
        title=f"{measured.rule}; prediction {VARIANTS['']}",
        quantity=measured.quantity,
        phase=None,
        order=None,
        verdict=Verdict.INCONCLUSIVE,
        channel=f"{measured.quantity}{MARK}",
        modifiers=("indicative",),
        reason=Reason("not-predicted", text, advice),
        statistic=None if statistic is None else replace(statistic, value=None),
    )


def rows_of(
    measured: Sequence[Finding], main: Sequence[Finding], arithmetic: Sequence[Finding], no_diversity: Sequence[Finding]
) -> list[CriterionRow]:
    """One row for each criterion that was predicted, as measured and as predicted, tightest prediction first."""
    before, upper, all_on = by_place(measured), by_place(arithmetic), by_place(no_diversity)
    rows = []
    for finding in main:
        if finding.verdict is Verdict.NOT_APPLICABLE or value_of(finding) is None:
            continue
        key = place(finding)
        margin = None if finding.margin is None else finding.margin.percent_of_limit
        row = _row(finding, before.get(key), upper.get(key), all_on.get(key))
        rows.append((float("inf") if margin is None else margin, row.key, row))
    return [row for _, _, row in sorted(rows, key=lambda entry: entry[:2])]


def _row(finding: Finding, before: Finding | None, upper: Finding | None, all_on: Finding | None) -> CriterionRow:
    limit, period = finding.limit, finding.period
    sides = []
    if limit is not None and limit.low is not None:
        sides.append(f"at least {limit.low:.6g}")
    if limit is not None and limit.high is not None:
        sides.append(f"at most {limit.high:.6g}")
    return CriterionRow(
        key="/".join("-" if part is None else str(part) for part in place(finding)),
        table=finding.table,
        rule=finding.rule,
        title=finding.title,
        channel=finding.channel.split("+")[0],
        period=f"{period.length} {period.start[:10]}" if period is not None else "",
        unit=finding.statistic.unit if finding.statistic is not None else "",
        measured=value_of(before),
        measured_verdict="" if before is None else before.verdict.value,
        predicted=value_of(finding),
        predicted_verdict=finding.verdict.value,
        limit=" and ".join(sides) or "-",
        arithmetic=value_of(upper),
        arithmetic_verdict="" if upper is None else upper.verdict.value,
        no_diversity=value_of(all_on),
        no_diversity_verdict="" if all_on is None else all_on.verdict.value,
    )
