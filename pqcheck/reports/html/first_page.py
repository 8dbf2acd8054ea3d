"""The first page: for the customer. Danger signs, question, answer, when, what was reported, what next. No jargon."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from pqcheck.judge.instrument_uncertainty import uncertainty
from pqcheck.model.findings_words import danger_signs, required, statement
from pqcheck.model.verdict import Verdict
from pqcheck.reports.html.markup import Child, Markup, lines, paragraphs, tag, together
from pqcheck.reports.html.moments import worst_hour_part
from pqcheck.reports.html.reported_times import reported_part
from pqcheck.reports.plain import (
    PLACES,
    capital,
    count_words,
    date_words,
    listed,
    plain_reason,
    quantity_words,
    subject_words,
)
from pqcheck.reports.plain_answer import event_sentences, governing, headline, sentence_of, voltage_seen
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.material import Material
from pqcheck.reports.when_outside import when_lines

MOST_NUMBERS = 3
_MOST_OPEN = 6


def first_page(material: Material, worst_figure: Drawn | None) -> Markup:
    """Everything the customer reads."""
    return tag(
        "section",
        tag("h2", "The answer", id="answer"),
        _question(material),
        _answer(material),
        _when(material),
        _why(material),
        reported_part(material),
        worst_hour_part(material, worst_figure),
        _open(material),
        _not_examined(material),
        _next(material),
        tag("p", _uncertainty(material), class_="small"),
        class_="first", aria_labelledby="answer",
    )  # fmt: skip


def danger(material: Material) -> Markup:
    """Danger signs, above everything."""
    signs = danger_signs(material.findings)
    if not signs:
        return Markup("")
    parts: list[Child] = [tag("h2", "Danger sign: read this first")]
    for finding in signs:
        reason = finding.reason
        said: list[Child] = [reason.text, " ", tag("strong", reason.advice)] if reason is not None else []
        parts.append(tag("p", tag("strong", f"{finding.title}. "), *said))
    parts.append(
        tag(
            "p",
            "Do not open electrical equipment to look for the cause. Call the supplier or a licensed electrician; "
            "local codes and the people licensed to work on the installation decide what is done.",
        )
    )
    return tag("div", *parts, class_="danger", role="alert")


def _question(material: Material) -> Markup:
    report, site = material.site.report, material.site
    asked = report.get("question")
    if not asked:
        tables = listed(sorted({_table_name(material, table["id"]) for table in material.findings.limit_tables}))
        who = f"{site.name} stay within" if material.is_design else f"the supply of {site.name} keep to"
        asked = f"{'Does' if material.is_design else 'Did'} {who} the limits of {tables or 'the tables applied'}?"
    by = f" (asked by {report['asked_by']})" if report.get("asked_by") else ""
    return tag("p", tag("strong", "The question: "), f"{asked}{by}", class_="question")


def _table_name(material: Material, identity: str) -> str:
    for table in material.tables:
        if table.id == identity:
            return f"{table.standard} ({table.edition})"
    return identity


def _answer(material: Material) -> Markup:
    verdict = material.findings.verdict
    asked = required(material.findings)
    parts: list[Child] = [tag("p", headline(material.findings), class_=f"headline v-{verdict.value}")]
    internal = statement(material.findings)
    if internal:
        parts.append(tag("p", tag("strong", internal)))
    recorded = _recorded_words(material)
    if recorded:
        parts.append(tag("p", recorded))
    chosen = governing(asked)
    points = [sentence_of(finding, material) for finding in chosen[:MOST_NUMBERS]]
    if not any(finding.quantity == "voltage" for finding in chosen[:MOST_NUMBERS]):
        seen = voltage_seen(material)
        if seen:
            points = [seen, *points[: MOST_NUMBERS - 1]]
    points += event_sentences(asked)
    parts.append(lines(points, class_="numbers"))
    more = len(chosen) - MOST_NUMBERS
    if more > 0:
        parts.append(tag("p", f"{capital(count_words(more))} more kinds of limits are in the technical part."))
    return together(parts)


def _recorded_words(material: Material) -> str:
    files = [recording for recording in material.findings.recordings if recording.get("start") and recording.get("end")]
    # Beside a trend, the span of an event table says nothing of how long was recorded.
    files = [file for file in files if any(column["channel"] for column in file["columns"])] or files
    if not files:
        return "The spectrum of a design was judged; nothing was measured." if material.is_design else ""
    start = min(datetime.fromisoformat(file["start"]) for file in files)
    end = max(datetime.fromisoformat(file["end"]) for file in files)
    days = (end - start).total_seconds() / 86400
    number, unit = (days, "days") if days >= 1.5 else (days * 24, "hours")
    length = f"{number:.1f}".removesuffix(".0") + f" {unit}"
    place = PLACES.get(material.site.supply.measured_at, "at the measuring point")
    return f"The supply was recorded for {length}, from {date_words(start)} to {date_words(end, year=True)}, {place}."


def _when(material: Material) -> Markup:
    happened = when_lines(material.findings)
    if not happened:
        return Markup("")
    return together([tag("h3", "When it happened"), lines(happened)])


def _why(material: Material) -> Markup:
    """What is shown or likely about causes, in one sentence for each grade; nothing without an observation."""
    parts: list[Child] = []
    for grade, words in (("shown", "The recording shows"), ("likely", "Likely")):
        clauses = _for_all_phases(
            [each.plain for each in material.observations if each.grade == grade and each.plain]
        )
        if clauses:
            parts.append(tag("strong", f"{words}: "))
            parts.append(f"{'; '.join(clauses)}. ")
    if not parts:
        return Markup("")
    more = "A cause is no verdict; the technical part says what speaks for and against each."
    return together([tag("h3", "Why"), tag("p", *parts, more)])


def _for_all_phases(clauses: Sequence[str]) -> list[str]:
    """Clauses that differ in their phase only become one."""
    phases: dict[str, list[str]] = {}
    for clause in clauses:
        named = re.search(r"phase ([abc])\b", clause)
        phases.setdefault(re.sub(r"phase [abc]\b", "phase ?", clause, count=1), []).append(named[1] if named else "")
    return [
        clause.replace("phase ?", f"phase{'s' if len(held) > 1 else ''} {listed(held)}")
        for clause, held in phases.items()
    ]


def _open(material: Material) -> Markup:
    groups: dict[tuple[str, str], list[str]] = {}
    for finding in required(material.findings):
        if finding.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED):
            groups.setdefault(plain_reason(finding), []).append(subject_words(finding))
    if not groups:
        return Markup("")
    points = []
    for (why, settle), names in list(groups.items())[:_MOST_OPEN]:
        named = sorted(set(names), key=names.index)
        points.append(tag("span", f"{capital(listed(named))}: {why}. ", tag("em", settle)))
    if len(groups) > _MOST_OPEN:
        points.append(tag("span", f"{len(groups) - _MOST_OPEN} more points are in the technical part."))
    return together([tag("h3", "What could not be judged, and what would settle it"), lines(points)])


def _not_examined(material: Material) -> Markup:
    return together([tag("h3", "What was not examined"), lines(_unexamined(material))])


def _unexamined(material: Material) -> Iterator[str]:
    findings, site = material.findings, material.site
    if material.is_design:
        yield "Operating points, loads and networks other than those given."
        return
    asked = {finding.quantity for finding in findings.findings if finding.kind == "limit"}
    left_out = {rule.quantity for table in material.tables for rule in table.rules} - asked
    if left_out:
        yield f"Not part of the question: {listed(sorted({quantity_words(quantity) for quantity in left_out}))}."
    never = {
        quantity_words(finding.quantity)
        for finding in findings.findings
        if finding.reason is not None and finding.reason.code == "not-recorded"
    }
    if never:
        yield f"Not recorded: {listed(sorted(never))}."
    gathered = material.gathered
    if gathered is None or not gathered.events:
        yield "Very short dips and interruptions, of less than one step of the recorder: trends cannot show them."
    if gathered is not None and not gathered.phases("current"):
        yield "The current was not recorded, so this recording cannot say what causes a change of voltage."
    if site.supply.measured_at == "service":
        yield "The wiring and the equipment behind the measuring point."
    yield "The time before and after the recording."


def _next(material: Material) -> Markup:
    report = material.site.report
    parts: list[Child] = [tag("h3", "What happens next")]
    given = [report[key] for key in ("next_step", "recommendation") if report.get(key)]
    for text in given or [_default_next(material)]:
        parts.append(paragraphs(text))
    contact = f" Contact: {report['contact']}." if report.get("contact") else ""
    if not material.is_design:
        parts.append(tag("p", f"If you disagree with this result, you can ask for a second recording.{contact}"))
    elif contact:
        parts.append(tag("p", contact.strip()))
    return together(parts)


def _default_next(material: Material) -> str:
    verdict = material.findings.verdict
    if material.is_design:
        return "Whoever is responsible for the design decides. A measurement where it is installed stands on its own."
    if verdict is Verdict.FAIL:
        return (
            "Whoever is responsible for the supply at this place decides on the remedy and says by when. After the "
            "work, record again at the same place, so that before and after can be compared."
        )
    if verdict is Verdict.REFUSED:
        return "Correct what is named above and record again; until then this recording settles nothing more."
    if verdict is Verdict.INCONCLUSIVE:
        return "Do what is named above as settling it; until then the question stays open."
    return (
        "For the limits checked, nothing has to be done about the supply. If the trouble goes on, note the clock times "
        "and record again while it lasts, or have a licensed electrician look at the installation."
    )


def _uncertainty(material: Material) -> str:
    asked = required(material.findings)
    if material.is_design:
        return "Calculated values carry no accuracy of an instrument; how well the model fits, its authors must say."
    if any("marginal" in finding.modifiers for finding in asked):
        return (
            "One of the results lies so close to its limit that the accuracy of the recorder could have turned it; a "
            "second recording could come out the other way."
        )
    supply = material.site.supply
    nominal = supply.line_to_neutral or supply.line_to_line or Decimal(0)
    band = uncertainty(material.site.instrument, "voltage", nominal, nominal) if nominal else None
    if band is not None and any(finding.quantity == "voltage" for finding in asked):
        return (
            f"As declared, the recorder reads the voltage to within about {float(band):.2g} V, and no result lies that "
            "close to its limit."
        )
    return (
        "The accuracy of the recorder was not declared for these values; a reading very close to a limit could lie on "
        "either side."
    )
