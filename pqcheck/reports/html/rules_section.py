"""Rules with edition, clause, confidence, checksum; method; exclusions and corrections; observations; closing parts."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.limit_tables import Rule
from pqcheck.model.clock import iso
from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings_words import WHOLE_TABLE, clock
from pqcheck.model.verdict import Verdict
from pqcheck.observe.observation import GRADES, Observation
from pqcheck.reports.html.judged_criteria import JudgedCriterion, verdict_mark
from pqcheck.reports.html.markup import Child, Markup, lines, paragraphs, table, tag, together
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.material import Material

_LINE = "____________________"


def rules_part(material: Material, criteria: Sequence[JudgedCriterion]) -> Markup:
    """What was applied and how it decides."""
    tables = {applied_table.id: applied_table for applied_table in material.tables}
    rows: list[tuple[Child, ...]] = []
    for entry in material.findings.limit_tables:
        loaded = tables.get(entry["id"])
        rows.append((entry["id"], loaded.title if loaded is not None else "-", entry["edition"],
                     loaded.source if loaded is not None else "-", tag("code", entry["sha256"])))  # fmt: skip
    applied: dict[tuple[str, str], str] = {}
    for criterion in criteria:
        if criterion.worst.rule == WHOLE_TABLE:
            continue
        applied.setdefault((criterion.worst.table, criterion.worst.rule), criterion.worst.clause)
    each = []
    for (table_id, rule_id), clause in applied.items():
        rule = _rule(material, table_id, rule_id)
        each.append((f"{table_id} {rule_id}", clause, rule.confidence if rule is not None else "table not at hand",
                     rule.note or rule.convention or "-" if rule is not None else "-"))  # fmt: skip
    return tag(
        "section",
        tag("h2", "Rules and method", id="rules"),
        table(("Table", "Title", "Edition", "Source", "sha256"), rows, label="Limit tables"),
        tag("details", tag("summary", f"The {len(each)} rules applied, with clause and confidence"),
            table(("Rule", "Clause", "Confidence in the value", "Note"), each, label="Rules applied"), open=True),
        tag("h3", "How verdicts are formed"),
        lines(_METHOD),
        aria_labelledby="rules",
    )  # fmt: skip


_METHOD = (
    "Counting, not interpolation: a rule on a share of values is decided by counting the intervals outside in whole "
    "numbers. The reading shown is the value of rank ceil(share x valid values), sorted by distance beyond the "
    "nearer limit.",
    "Proof: a fail is shown when more intervals are outside than are allowed, whatever is missing; a pass when the "
    "outside and the missing together are not more than allowed. Anything else is not shown.",
    "Decision rule for uncertainty: simple acceptance. Readings are compared unrounded; a result within the declared "
    "accuracy of the instrument, or one that half the step of its readings could turn, is marked marginal.",
    "Each phase is judged on its own and the worst decides; phases and periods are never averaged.",
    "Intervals declared excluded leave the count; intervals without a reading do not, and count as missing.",
    "A limit marked unverified was recalled from memory and not yet checked against the document.",
)


def _rule(material: Material, table_id: str, rule_id: str) -> Rule | None:
    for loaded in material.tables:
        if loaded.id == table_id:
            return next((rule for rule in loaded.rules if rule.id == rule_id), None)
    return None


def changes_part(material: Material, criteria: Sequence[JudgedCriterion]) -> Markup:
    """Exclusions, corrections and waivers with reason and author, and what the verdict is without them."""
    site = material.site
    zone = material.gathered.zone if material.gathered is not None else site.time_zone or "UTC"
    parts: list[Child] = [tag("h2", "Exclusions, corrections, exceptions", id="changes")]
    declarations = declared_lines(material.findings)
    if declarations:
        parts.append(tag("ul", *(tag("li", line.strip("- ")) for line in declarations)))
    if site.exclusions:
        parts.append(table(
            ("From", "To", "Reason", "Author", "Clause"),
            [(clock(iso(exclusion.from_us, zone)), clock(iso(exclusion.to_us, zone)), exclusion.reason,
              exclusion.author, exclusion.clause or "-")
             for exclusion in site.exclusions], label="Exclusions"))  # fmt: skip
    declared = material.findings.site.get("corrections", [])
    if declared:
        parts.append(table(
            ("Correction", "Settings", "Reason", "Author"),
            [(correction["kind"], ", ".join(f"{key} {value}" for key, value in correction.items()
                                     if key not in ("kind", "reason", "author")), correction["reason"],
              correction["author"])
             for correction in declared], label="Corrections"))  # fmt: skip
    rows = []
    for criterion in criteria:
        for finding in criterion.findings:
            for text, other in (("without the corrections", finding.without_corrections),
                                ("without the exclusions", finding.without_exclusions)):  # fmt: skip
                if other is not None:
                    period = clock(finding.period.start) if finding.period is not None else "-"
                    rows.append(
                        (finding.title, period, verdict_mark(finding.verdict), text, verdict_mark(Verdict(other)))
                    )
    if rows:
        heads = ("Criterion", "Period from", "Verdict", "Would be", "Then")
        parts += [tag("h3", "Where the verdict would be another"), table(heads, rows, label="Verdicts without")]
    waived = [finding for criterion in criteria for finding in criterion.findings if finding.waiver]
    if waived:
        parts += [tag("h3", "Exceptions"), table(
            ("Criterion", "Exception"),
            [(finding.title, ", ".join(f"{key} {value}" for key, value in sorted((finding.waiver or {}).items())))
             for finding in waived], label="Exceptions")]  # fmt: skip
    if len(parts) == 1:
        parts.append(tag("p", "None were declared; every reading was counted as it was recorded."))
    return tag("section", *parts, aria_labelledby="changes")


def observations_part(material: Material, drawn: Sequence[Drawn]) -> Markup:
    """Causes, graded and apart from every verdict."""
    there = {figure.id for figure in drawn}
    meaning = "; ".join(f"{grade}: {words}" for grade, words in GRADES.items())
    parts: list[Child] = [
        tag("h2", "Observations on causes", id="observations"),
        tag("p", f"Observations are no verdicts and change none. A measurement at one place cannot say whose fault "
                 f"something is. {meaning}."),
    ]  # fmt: skip
    parts += [_observation(observation, there) for observation in material.observations]
    if not material.observations:
        parts.append(tag("p", "Nothing was looked for that this recording could show."
                         if material.gathered is not None
                         else "They need the recording, which was not at hand."))  # fmt: skip
    return tag("section", *parts, aria_labelledby="observations")


def _observation(observation: Observation, there: set[str]) -> Markup:
    link: list[Child] = (
        [" ", tag("a", "See the plot", href=f"#{observation.figure}")] if observation.figure in there else []
    )
    return tag(
        "article",
        tag("h3", tag("span", observation.grade, class_=f"grade g-{observation.grade}"), " ", observation.title),
        tag("p", observation.text, *link),
        tag("p", tag("strong", "For it: "), " ".join(observation.evidence)) if observation.evidence else None,
        tag("p", tag("strong", "Against it: "), " ".join(observation.against)) if observation.against else None,
        id=f"o-{observation.id}",
    )  # fmt: skip


def closing_part(material: Material) -> Markup:
    """Recommendation and re-measurement, cautions, remarks, signatures."""
    report = material.site.report
    parts: list[Child] = [tag("h2", "Recommendation and repeat measurement", id="closing")]
    parts.append(paragraphs(report["recommendation"]) if report.get("recommendation") else None)
    parts.append(lines(_repeat(material)))
    if report.get("remarks"):
        parts += [tag("h3", "Remarks"), paragraphs(report["remarks"])]
    parts += [tag("h3", "Cautions"), lines(_CAUTIONS), tag("h3", "Signatures"), _signatures(material)]
    return tag("section", *parts, aria_labelledby="closing")


def _repeat(material: Material) -> list[str]:
    advice = dict.fromkeys(
        finding.reason.advice
        for finding in material.findings.findings
        if finding.kind == "limit" and finding.reason is not None
        and finding.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED)
    )  # fmt: skip
    always = (
        "After any change to the supply or the installation, record again at the same place, with the same channels "
        "and interval, over a comparable week; pqcheck compare puts both side by side."
    )
    return [*list(advice)[:12], always]


_CAUTIONS = (
    "A measuring point under voltage is dangerous. Opening, connecting and disconnecting are for people licensed or "
    "authorised to do so, under the local code and the rules of the operator.",
    "This report states what a recording shows at one place and time. It is no permission, no certificate for "
    "equipment and no finding of fault.",
    "Limits were encoded from published figures; where a contract, tariff or regulation applies, its current text "
    "decides.",
)


def _signatures(material: Material) -> Markup:
    report = material.site.report
    rows = [
        (words, report.get(key, _LINE), _LINE, report.get("date", _LINE) if key == "evaluated_by" else _LINE)
        for key, words in (("measured_by", "Measured by"), ("evaluated_by", "Evaluated by"),
                           ("reviewed_by", "Reviewed by"))
    ]  # fmt: skip
    return together(
        [
            table(("Role", "Name", "Signature", "Date"), rows, label="Signatures"),
            tag("p", f"Licence: {report.get('licence', _LINE)}"),
        ]
    )
