"""Predicted findings: the rules judged again on the record with the additions, laid beside the measured findings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.findings import Finding, Reason, Statistic, Verdict
from pqcheck.judging.judge import judge
from pqcheck.judging.resolve import resolve
from pqcheck.judging.tasks import Task
from pqcheck.limit_tables import LimitTable
from pqcheck.loads.superpose import PREDICTED, Added, with_addition
from pqcheck.loads.superpose_block import VOLTAGES
from pqcheck.reasons import sentence
from pqcheck.recording import Recording
from pqcheck.site.model import Site

MARK = "+new-load"
"""Ends the channel of a prediction, so that its id differs from the measured one; `VARIANTS` add to it."""

VARIANTS = {
    "": "with the new load",
    "-arithmetic": "with the new load, harmonics added arithmetically (upper bound)",
    "-no-diversity": "with all additions running at once, harmonics added arithmetically (upper bound)",
    "-grown-demand": "with the new load, the maximum demand current grown by it",
}

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
    before = {place(one): one for one in measured if one.kind == "limit"}
    made = [_prediction(one, before.get(place(one)), variant) for one in findings]
    if variant:
        return [one for one in made if one.statistic is not None and one.statistic.value is not None]
    covered = {(one.table, one.rule) for one in findings}
    left = {
        (one.table, one.rule): one
        for one in before.values()
        if not (one.reason is not None and one.reason.code == "not-recorded")
        and (one.table, one.rule) not in covered
        and one.verdict is not Verdict.NOT_APPLICABLE
        and one.rule in _rules(tables)
    }
    return made + [_unpredicted(one, added) for one in left.values()]


def _rules(tables: Sequence[LimitTable]) -> set[str]:
    return {rule.id for table in tables for rule in table.rules}


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
    asked = set(PREDICTED if added.source is not None else PREDICTED - VOLTAGES)
    asked = asked & set(quantities) if quantities else asked
    if not asked:
        return []
    with_new = with_addition(recording, site, added) if with_new is None else with_new
    tasks, settled = resolve(tables, with_new, site, sorted(asked))
    if only is not None:
        wanted = {one[:5] for one in only}
        tasks = [one for one in tasks if one.source is not None and _question(one) in wanted]
        settled = []
    return list(judge(tasks, settled, with_new, site).findings)


def _question(task: Task) -> tuple[str, str, str | None, str | None, int | None]:
    """What a task asks, without the period: the first parts of the places of its findings."""
    return (task.table.id, task.rule.id, task.wanted.quantity, task.wanted.phase, task.wanted.order)


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
    if measured.quantity in VOLTAGES:
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
        statistic=None
        if statistic is None
        else Statistic(statistic.kind, statistic.percent, statistic.interval_s, None, statistic.unit),
    )
