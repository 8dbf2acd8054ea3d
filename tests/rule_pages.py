"""The pages about the shipped limit tables, made from the tables; `python -m tests.generated_pages` writes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator
from decimal import ROUND_FLOOR, Decimal

from pqcheck.limit_tables import CONFIDENCE, LimitTable, Rule
from pqcheck.limit_tables.event_rules import EventRule, edge_at
from pqcheck.limit_tables.existing_load_rules import LoadRule
from pqcheck.limit_tables.load_limit_table import default_rows, library_sentence, load, table_ids
from pqcheck.limit_tables.wording import (
    condition_words,
    duration_words,
    factor_words,
    judged_words,
    load_rule_words,
    option_lines,
    orders_words,
    shown,
)
from pqcheck.limit_tables.written import plain
from pqcheck.model.quantities import QUANTITIES
from pqcheck.reports.show_limit_table import (
    class_words,
    count_words,
    limits_at,
    row_lines,
    same_limits,
    site_limit_words,
    step_words,
    used_options,
)
from pqcheck.site.site_values import Generation, Pcc, Site, Supply

INDEX = "index.md"
ON_DEMAND = """\
`pqcheck limits show ID` prints a table with every rule and row, `--site FILE` what is in force at a site.
A page per table, with an example for each rule, is built on demand and at release
(`python -m tests.generated_pages --all FOLDER`); one stays here as a sample."""
MARKS = """\
The last columns count rows by how sure their numbers are. Where a table names its sources by id, every number that is
marked better than `memory` cites one (`pqcheck limits show ID` prints them); in the others the source is a text."""
_PERIOD_S = {"day": 86400, "week": 604800, "year": 31536000}
_AGGREGATE = {
    "rms": "Shorter values are combined by their root mean square.",
    "arithmetic": "Shorter values are combined by their mean.",
    "cubic": "Shorter values are combined by their cubic mean.",
    "none": "Values of another interval are not converted.",
}
_SPECIAL = {
    "flicker_plt": "Plt is the cubic mean of twelve Pst.",
    "voltage_thd": "THD is the root sum square of the orders 2 to {highest}.",
    "current_tdd": "TDD is the root sum square of the orders 2 to {highest} over the maximum demand current.",
    "current_trd": "TRD is everything but the fundamental, over the rated current.",
    "negative_sequence_unbalance": "Negative over positive sequence, from the three line-to-line voltages.",
    "voltage_deviation_unbalance": "Largest deviation from the mean of the three line-to-line voltages.",
}


def pages() -> dict[str, str]:
    """Every page by file name."""
    tables = [load(table_id) for table_id in table_ids()]
    return {f"{table.id}.md": page(table) for table in tables} | {INDEX: index(tables)}


def index(tables: list[LimitTable], linked: Container[str] | None = None) -> str:
    """The list of all tables; with links to the pages of those `linked`, to all pages by default."""

    def name(table_id: str) -> str:
        return f"[{table_id}]({table_id}.md)" if linked is None or table_id in linked else f"`{table_id}`"

    lines = ["# Limit tables", "", library_sentence(), "", *([] if linked is None else [ON_DEMAND, ""])]
    lines += [MARKS, "", f"| table | title | on | rules | {' | '.join(CONFIDENCE)} |", f"|---|---|---|---|{'---|' * 4}"]
    for table in tables:
        base = name(table.base) if table.base else ""
        rules = len(table.rules) + len(table.event_rules) + len(table.load_rules)
        counts = marks(table)
        numbers = " | ".join(str(counts[mark] or "") for mark in CONFIDENCE)
        lines.append(f"| {name(table.id)} | {table.title} | {base} | {rules} | {numbers} |")
    return "\n".join(lines) + "\n"


def marks(table: LimitTable) -> Counter[str]:
    """How many rows of a table (steps and classes of events, sources of a demand) carry each mark of confidence."""
    rows = [row.confidence or "" for rule in table.rules for row in default_rows(rule)]
    for events in table.event_rules:
        rows += [part.confidence for part in (*events.lower, *events.upper, *events.classes)]
    return Counter(rows + [source.confidence for load_rule in table.load_rules for source in load_rule.sources])


def page(table: LimitTable) -> str:
    """The page of one table."""
    lines = [f"# {table.title}", "", f"`{table.id}`: {table.standard}, {table.edition}. Generated; do not edit.", ""]
    lines += [f"Source: {table.source}", ""]
    if table.base:
        lines += [f"An overlay of [{table.base}]({table.base}.md): rules it does not touch are those of the base.", ""]
    if table.effective_from or table.effective_to:
        lines += [f"In force from {table.effective_from or '-'} to {table.effective_to or 'further notice'}.", ""]
    if table.applies_if:
        lines += ["The table governs where all of these hold:", ""]
        lines += [f"- {condition_words(condition)}" for condition in table.applies_if] + [""]
    options = used_options(table)
    if options:
        lines += ["Options a site may declare under `[limits.options]`, the first value being the default:", ""]
        for name in options:
            values = ", ".join(f"`{value}`" for value in table.options[name])
            lines.append(f"- `{name}`: {values}. {table.option_meanings.get(name, '')}")
        lines.append("")
    for rule in table.rules:
        lines += _rule(table, rule)
    for event_rule in table.event_rules:
        lines += _event_rule(event_rule)
    for load_rule in table.load_rules:
        lines += _load_rule(load_rule)
    return "\n".join(lines).rstrip("\n") + "\n"


def _rule(table: LimitTable, rule: Rule) -> Iterator[str]:
    yield from (f"## {rule.id}", "", f"{rule.title}.", "")
    yield from ("### What is judged", "", f"{judged_words(rule)}.", "")
    if rule.applies_if:
        yield from (f"Applies if: {'; '.join(map(condition_words, rule.applies_if))}.", "")
    yield from ("### How computed", "", " ".join(_computed(rule)), "")
    yield from ("### Limits", "", *_limits(table, rule), "")
    yield from ("### Clause", "", f"{table.standard} {table.edition}, {rule.clause}.", "")
    yield from ("### Example", "", _example(table, rule), "")
    yield from ("### Confidence", "", _confidence(rule), "")


def _computed(rule: Rule) -> Iterator[str]:
    yield _AGGREGATE[QUANTITIES[rule.quantity].aggregate]
    if rule.quantity in _SPECIAL:
        yield _SPECIAL[rule.quantity].format(highest=rule.highest_order)
    edge = "outside" if rule.strict else "inside"
    if rule.statistic.kind != "report_only" and not rule.indicative:
        yield f"A value equal to the limit is {edge}."
    if rule.time_criterion is not None:
        yield (
            f"Without a declared criterion for range {rule.time_criterion.range!r} a pass needs every value inside, "
            f"and a value outside makes the rule {rule.time_criterion.outside}; a recording shorter than "
            f"{duration_words(rule.time_criterion.shortest_pass_s)} never passes."
        )
    yield from (text for text in (rule.convention, rule.note) if text)


def _limits(table: LimitTable, rule: Rule) -> Iterator[str]:
    factor = factor_words(rule)
    if factor:
        yield from (f"{factor[0].upper()}{factor[1:]}.", "")
    earlier = same_limits(table, rule)
    if earlier is not None:
        yield f"The rows of [{earlier.id}](#{earlier.id.replace('.', '')})."
        return
    rows = default_rows(rule)
    yield from (f"- {line}" for line in row_lines(rows, rule))
    yield from (f"- {line}" for line in option_lines(rule))


def _example(table: LimitTable, rule: Rule) -> str:
    for site in example_sites():
        in_force = limits_at(table, rule, site)
        if in_force.limits:
            judged = [limit for limit in in_force.limits if not limit.row.no_limit] or list(in_force.limits)
            return f"{site.name}: {site_limit_words(judged[0])}. {_allowed(rule)}".rstrip()
    return "No example: the rule holds only under a declared option."


def _allowed(rule: Rule) -> str:
    seconds = _PERIOD_S.get(rule.period.length)
    if seconds is None or rule.statistic.kind != "share_within" or rule.indicative:
        return ""
    expected = int(seconds / rule.interval_s)
    share = (100 - rule.statistic.percent) / 100
    outside = int((share * expected).to_integral_value(ROUND_FLOOR))
    return f"Of the {expected} values of a {rule.period.length} at most {outside} may lie outside."


def example_sites() -> tuple[Site, ...]:
    """Invented sites of the examples, from low to high voltage."""
    pcc = Pcc(True, Decimal(12000), None, Decimal(400), "mean of 12 monthly maxima", None, Decimal(400))
    services = (
        ("Example service, 400 V wye, 50 Hz, Isc 12 kA, IL 400 A", "400 V", 400, 230, "wye", 50),
        ("Example service, 480Y/277 V, 60 Hz, Isc 12 kA, IL 400 A", "480Y/277 V", 480, 277, "wye", 60),
        ("Example service, 120/240 V, 60 Hz", "120/240 V", 240, 120, "split-phase", 60),
        ("Example service, 20 kV, 50 Hz", "20 kV", 20000, None, "delta", 50),
        ("Example service, 12.47 kV, 60 Hz", "12470 V", 12470, None, "delta", 60),
        ("Example service, 110 kV, 50 Hz", "110 kV", 110000, None, "delta", 50),
        ("Example service, 138 kV, 60 Hz", "138 kV", 138000, None, "delta", 60),
    )
    sites = []
    for name, text, line, neutral, connection, hertz in services:
        for place in ("service", "utilization"):
            supply = Supply(
                designation=text,
                line_to_line=Decimal(line),
                line_to_neutral=None if neutral is None else Decimal(neutral),
                connection=connection,
                frequency=Decimal(hertz),
                measured_at=place,
            )
            where = "" if place == "service" else ", at a utilization point"
            sites.append(Site(f"{name}{where}", None, supply, pcc, Generation(True)))
    return tuple(sites)


def _confidence(rule: Rule) -> str:
    rows = default_rows(rule) or rule.rows
    parts = [f"The rule: {rule.confidence}."]
    for mark in CONFIDENCE:
        marked = [row for row in rows if row.confidence == mark]
        if marked and len(marked) < len(rows):
            orders = sorted({h for row in marked for h in row.orders or ()})
            what = f" (order {orders_words(orders)})" if orders else ""
            parts.append(f"{len(marked)} of {len(rows)} rows{what}: {mark}.")
        elif marked:
            parts.append(f"All rows: {mark}.")
    if any(row.confidence == "memory" for row in rows):
        parts.append("A finding that rests on a value from memory carries the modifier `unverified_limit`.")
    return " ".join(parts)


def _event_rule(rule: EventRule) -> Iterator[str]:
    yield from (f"## {rule.id}", "", f"{rule.title}.", "")
    kind = {
        "ride_through": "Each event against the curve", "classes": "Each event is given a class; no verdict",
        "events_at_most": f"{count_words(rule)}".capitalize(),
    }[rule.kind]  # fmt: skip
    yield from ("### What is judged", "", f"{kind}: residual voltage and duration of dips, swells, interruptions.", "")
    note = f" {rule.note}" if rule.note else ""
    yield from (
        "### How computed",
        "",
        "Events are read from an event table; minima of a trend give a depth without a duration and cannot be placed."
        + note,
        "",
    )
    yield from ("### Limits", "")
    for name, steps in (("Dips and interruptions, residual at least", rule.lower), ("Swells, at most", rule.upper)):
        if steps:
            yield from (f"{name}:", "", *(f"- {step_words(step)}" for step in steps), "")
    if rule.classes:
        yield from (*(f"- {class_words(event_class)}" for event_class in rule.classes), "")
    yield from ("### Clause", "", f"{rule.clause}.", "", "### Example", "", _event_example(rule), "")
    yield from ("### Confidence", "", f"The rule: {rule.confidence}.", "")


def _event_example(rule: EventRule) -> str:
    if rule.classes:
        return f"{class_words(rule.classes[0]).split(' [')[0]}."
    curve_edge = edge_at(rule.lower, Decimal("0.3"), Decimal(60))
    if curve_edge is None:
        return "A dip of 0.3 s is longer than the curve reaches."
    edge = curve_edge[0]
    return f"A dip of 0.3 s is inside with a residual voltage of {shown(edge)} % and outside with {plain(edge - 1)} %."


def _load_rule(rule: LoadRule) -> Iterator[str]:
    yield from (f"## {rule.id}", "", f"{rule.title}.", "")
    yield from ("### What is judged", "", *(f"- {line.strip()}" for line in load_rule_words(rule)), "")
    note = f" {rule.note}" if rule.note else ""
    yield from (
        "### How computed",
        "",
        "Largest mean over the demand interval of the current of each phase, from the record or declared; choices that "
        "the document leaves open are declared by the site, and the result is shown each way where they differ." + note,
        "",
    )
    hundred = plain(rule.multiplier * 100)
    yield from ("### Limits", "", f"The declared rating of the {rule.rating}.", "")
    yield from ("### Clause", "", f"{rule.clause}.", "")
    yield from ("### Example", "", f"A maximum demand of 100 A counts {hundred} A; the new load comes on top.", "")
    yield from ("### Confidence", "", f"The rule: {rule.confidence}.", "")
