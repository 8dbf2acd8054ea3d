"""Events by class on the page: a row for each class that holds one, by how many phases showed them."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.limit_tables.event_rules import EventClass
from pqcheck.model.findings import Finding
from pqcheck.reports.html.markup import Markup, table, tag
from pqcheck.reports.plots.material import Material
from pqcheck.reports.show_limit_table import class_words

_HEADS = ("Class", "Residual and duration", "One phase", "Two phases", "Three phases", "All")


def event_classes(material: Material) -> list[Markup]:
    """One table for each finding with classes of which at least one holds an event."""
    return [
        tag(
            "article", tag("h3", finding.title.split(": ")[0]),
            tag("p", f"{finding.table}, {finding.clause}: how many events fell into each class. Classes set no limit."),
            table(_HEADS, _rows(finding, _classes_of(finding, material)), label=f"Events by class: {finding.table}"),
        )
        for finding in material.findings.findings if any(cell.count for cell in finding.cells)
    ]  # fmt: skip


def _classes_of(finding: Finding, material: Material) -> dict[str, EventClass]:
    rules = (rule for table in material.tables if table.id == finding.table for rule in table.event_rules)
    return {cell.name: cell for rule in rules if rule.id == finding.rule for cell in rule.classes}


def _rows(finding: Finding, classes: dict[str, EventClass]) -> Sequence[Sequence[str]]:
    words = {name: class_words(cell).split(": ", 1)[1].rsplit(" [", 1)[0] for name, cell in classes.items()}
    return [
        [
            cell.name, words.get(cell.name, "-"),
            *map(str, (cell.one_phase, cell.two_phases, cell.three_phases, cell.count)),
        ]
        for cell in finding.cells if cell.count
    ]  # fmt: skip
