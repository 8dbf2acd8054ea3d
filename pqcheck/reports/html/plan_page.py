"""The measurement plan as a page to print: cautions first, then what to record, then boxes to tick."""

from __future__ import annotations

from pqcheck.plan.survey import SurveyPlan
from pqcheck.reports.html.html_page import document
from pqcheck.reports.html.markup import Markup, lines, table, tag
from pqcheck.reports.plan_text import (
    NEED_HEADERS,
    NOTE,
    SIZE_HEADERS,
    duration_words,
    loss_text,
    need_rows,
    size_rows,
)

STYLE = """
.boxes { list-style: none; padding-left: .2rem; }
.boxes li::before { content: "\\2610\\00A0\\00A0"; }
@media print { h2 { break-after: avoid; } li { break-inside: avoid; } }
"""


def plan_page(plan: SurveyPlan) -> str:
    """The whole page as HTML text."""
    named = ", ".join(name for name, _ in plan.tables)
    return document(f"Measurement plan: {named}", tag("div", *_parts(plan), class_="page"), STYLE)


def _parts(plan: SurveyPlan) -> list[Markup]:
    return [
        tag("h1", "Measurement plan"),
        tag(
            "p",
            "; ".join(f"{name}: {title}" for name, title in plan.tables) + f". Connection: {plan.connection}.",
            class_="under",
        ),
        tag("div", tag("h2", "Safety first"), lines(plan.cautions), class_="danger", role="note"),
        tag("h2", "Duration"),
        tag("p", duration_words(plan)),
        lines(plan.duration_why),
        tag("h2", "Record"),
        table(NEED_HEADERS, need_rows(plan), label="What to record"),
        tag("h2", "Size"),
        table(SIZE_HEADERS, size_rows(plan), label="Values and memory"),
        tag("p", NOTE),
        tag("h2", "Cheaper choices, and what they cost"),
        lines([loss_text(loss.choice, loss.lost, loss.remark) for loss in plan.losses]),
        tag("h2", "Facts to collect"),
        table(("fact", "from", "why"), [(fact.fact, fact.source, fact.why) for fact in plan.facts], label="Facts"),
        tag("h2", "Accuracy"),
        lines(plan.accuracy),
        tag("h2", "Field checklist"),
        *(part for when, items in plan.checklist for part in (tag("h3", when), lines(items, class_="boxes"))),
        tag("h2", "Spot checks"),
        table(
            ("time", "channel", "reading", "instrument", "who"),
            [("\u00a0", "", "", "", "") for _ in range(8)],
            label="Spot checks to fill in",
            row_heads=False,
        ),
    ]
