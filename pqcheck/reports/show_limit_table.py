"""Limit tables as a person reads them: the list, one table, and what it asks at one site in the units of that site."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from functools import partial

from msgspec import Struct

from pqcheck.judge.site_facts import ask, governs
from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.limit_tables.event_rules import CurveStep, EventClass, EventDuration, EventRule
from pqcheck.limit_tables.existing_load_rules import LoadRule
from pqcheck.limit_tables.load_limit_table import count, default_rows
from pqcheck.limit_tables.nominals import nearest_nominal, nominal_row
from pqcheck.limit_tables.wording import (
    band_words,
    cited_words,
    condition_words,
    deciding_words,
    duration_words,
    factor_words,
    interruption_words,
    judged_words,
    load_rule_words,
    nominals_words,
    option_lines,
    orders_words,
    row_words,
    shown,
)
from pqcheck.limit_tables.written import plain, span_text
from pqcheck.reports.text import wrap
from pqcheck.site.site_values import Site

wrapped = partial(wrap, width=110)
_HUNDRED = Decimal(100)
_LINE = {"line_to_line": "line to line", "line_to_neutral": "line to neutral", None: ""}


def list_text(tables: Iterable[LimitTable]) -> str:
    """One line per table: id, number of rules, title; then how to go on."""
    known = list(tables)
    width = max(len(table.id) for table in known)
    lines = [f"{'id'.ljust(width)}  rules  title"]
    for table in known:
        rules = len(table.rules) + len(table.event_rules) + len(table.load_rules)
        base = f" (on {table.base})" if table.base else ""
        lines.append(f"{table.id.ljust(width)}  {rules:5d}  {table.title}{base}")
    counts = count(*known)
    lines += [
        "",
        f"{counts.tables} tables, {counts.rules} rules, {counts.rows} rows of limits.",
        "`pqcheck limits show ID` prints one, `pqcheck limits diff A B` what two have apart.",
    ]
    return "\n".join(lines) + "\n"


def table_text(table: LimitTable, site: Site | None = None) -> str:
    """The whole table; with a site only the rows in force there, in volts, amperes or percent."""
    parts = ["\n".join(_header(table, site))]
    parts += ["\n".join(_rule(table, rule, site)) for rule in table.rules]
    parts += ["\n".join(_event_rule(rule)) for rule in table.event_rules]
    parts += ["\n".join(_load_rule(rule)) for rule in table.load_rules]
    return "\n\n".join(parts) + "\n"


def _header(table: LimitTable, site: Site | None) -> Iterator[str]:
    yield f"{table.id}: {table.title}"
    if table.base is not None:
        yield f"An overlay of {table.base}; `pqcheck limits diff {table.base} {table.id}` prints what it changes."
    yield wrapped(f"Source: {table.source}")
    yield from (wrapped(f"  {name}: {text}", "", "    ") for name, text in table.sources.items())
    if table.effective_from or table.effective_to:
        yield f"In force from {table.effective_from or 'the beginning'} to {table.effective_to or 'further notice'}."
    if table.applies_if:
        yield wrapped(f"Governs where: {'; '.join(map(condition_words, table.applies_if))}.")
    for remark in table.remarks:
        where = "; ".join(map(condition_words, remark.where))
        yield wrapped(f"Where {where}: {remark.text}" if where else f"Remark: {remark.text}")
    yield wrapped(f"A voltage {interruption_words(table)}.")
    if table.nominals and site is None:
        yield wrapped(f"Nominal voltages: {nominals_words(table)}.")
    for name in used_options(table):
        values = " | ".join(table.options[name])
        meaning = table.option_meanings.get(name, "")
        yield wrapped(f"Option {name}: {values} (the first unless the site declares another). {meaning}")
    yield f"sha256 {table.sha256}"
    if site is not None:
        yield f"Limits for: {site.name}, {site.supply.designation}, {site.supply.connection}."


def used_options(table: LimitTable) -> list[str]:
    """The options that some condition of the table asks for."""
    facts = {condition.fact for condition in table.applies_if}
    for rule in table.rules:
        facts |= {condition.fact for condition in rule.applies_if}
        facts |= {condition.fact for row in rule.rows for condition in row.where}
    return [name for name in table.options if f"option:{name}" in facts]


def _rule(table: LimitTable, rule: Rule, site: Site | None) -> Iterator[str]:
    yield f"{rule.id}: {rule.title}"
    yield f"  clause {rule.clause}; confidence: {cited_words(rule.confidence, rule.sources)}"
    yield wrapped(judged_words(rule), "  ", "    ")
    if rule.applies_if:
        yield wrapped(f"applies if {'; '.join(map(condition_words, rule.applies_if))}", "  ", "    ")
    yield from (wrapped(line, "  ", "    ") for line in deciding_words(rule))
    if site is not None:
        yield from _at_site(table, rule, site)
    else:
        yield from _limits(table, rule)
    for text in (rule.convention, rule.note):
        if text:
            yield wrapped(text, "  ", "  ")


def _limits(table: LimitTable, rule: Rule) -> Iterator[str]:
    factor = factor_words(rule)
    earlier = same_limits(table, rule)
    if earlier is not None:
        yield f"  limits: the rows of {earlier.id}{'; ' + factor if factor else ''}"
        return
    if factor:
        yield f"  {factor}"
    rows = default_rows(rule)
    for line in row_lines(rows, rule):
        yield wrapped(line, "  ", "      ")
    yield from (wrapped(line, "  ", "      ") for line in option_lines(rule))


def same_limits(table: LimitTable, rule: Rule) -> Rule | None:
    """The first rule before `rule` with the same limits before its factor, when there are several rows."""
    own = [_bare(row) for row in rule.rows]
    for other in table.rules:
        if other is rule:
            return None
        alike = (other.quantity, other.reference, other.strict) == (rule.quantity, rule.reference, rule.strict)
        if alike and len(own) > 1 and [_bare(row) for row in other.rows] == own:
            return other
    return None


def _bare(row: LimitRow) -> tuple[object, ...]:
    return (row.low, row.high, row.orders, row.where, row.nominal, row.line, row.no_limit)


def row_lines(rows: Sequence[LimitRow], rule: Rule) -> Iterator[str]:
    """Rows under one selector on one line: ``Table 2, Isc/IL < 20: 3 to 9 odd 4; ...``."""
    groups: dict[tuple[object, ...], list[LimitRow]] = {}
    for row in rows:
        groups.setdefault((row.where, row.nominal), []).append(row)
    for members in groups.values():
        head = members[0].nominal or selector_label(members)
        marks = sorted({cited_words(row.confidence or "", row.sources) for row in members})
        texts = [_row_text(row, rule) for row in members]
        yield f"{head + ': ' if head else ''}{'; '.join(texts)} [{', '.join(marks)}]"


def selector_label(rows: Sequence[LimitRow]) -> str:
    """The part of the label that the rows under one selector have in common."""
    labels = [row.label or "" for row in rows]
    if len(rows) == 1 or len(set(labels)) == 1:
        return labels[0]
    heads = {label.split("; ")[0] for label in labels}
    return heads.pop() if len(heads) == 1 else ""


def _row_text(row: LimitRow, rule: Rule) -> str:
    words = row_words(row, rule)
    if row.orders is not None:
        return f"order {orders_words(row.orders)}: {words}"
    line = _LINE[row.line]
    return f"{words}{' ' + line if line else ''}"


def _at_site(table: LimitTable, rule: Rule, site: Site) -> Iterator[str]:
    at_site = limits_at(table, rule, site)
    if at_site.why_not is not None:
        yield wrapped(f"not in force here: {at_site.why_not}", "  ", "    ")
        return
    label = selector_label([limit.row for limit in at_site.limits])
    if label:
        yield wrapped(label, "  ", "    ")
    for limit in at_site.limits:
        yield wrapped(site_limit_words(limit), "  ", "      ")


def site_limit_words(limit: SiteLimit) -> str:
    """One limit in force at a site: orders or line, the number, the mark of confidence."""
    head = f"order {orders_words(limit.row.orders)}: " if limit.row.orders else ""
    line = _LINE[limit.line]
    return f"{head}{limit.words}{' ' + line if line else ''} [{limit.row.confidence}]"


def event_duration_words(duration: EventDuration | None) -> str:
    """``up to`` texts of event curves: ``20 ms``, ``0.5 cycles``."""
    if duration is None:
        return "any duration"
    return f"{plain(duration.value)} cycles" if duration.in_cycles else duration_words(duration.value)


def step_words(step: CurveStep) -> str:
    """One step of an event curve."""
    upto = "of any longer duration" if step.up_to is None else f"up to {event_duration_words(step.up_to)}"
    slope = ", straight over log time from the point before" if step.join == "log-time" else ""
    return f"{shown(step.residual)} % {upto}{slope} [{step.confidence}]"


def class_words(event_class: EventClass) -> str:
    """One class of events: ``A1: dip, residual [80, 90) %, from 10 ms up to 200 ms``."""
    times = []
    if event_class.shortest is not None:
        times.append(
            f"{'from' if event_class.shortest_closed else 'longer than'} {event_duration_words(event_class.shortest)}"
        )
    if event_class.longest is not None:
        times.append(
            f"{'up to' if event_class.longest_closed else 'shorter than'} {event_duration_words(event_class.longest)}"
        )
    residual = f"residual {span_text(event_class.residual)} %"
    return f"{event_class.name}: {event_class.kind}, {residual}, {' '.join(times)} [{event_class.confidence}]"


def count_words(rule: EventRule) -> str:
    """What a rule about counts counts: ``number of these events per year, at most 10``."""
    of = "of these events"
    what = {"number": f"number {of}", "minutes": f"minutes {of}", "longest": f"minutes of the longest {of}"}
    limit = "reported, not judged" if rule.at_most is None else f"at most {plain(rule.at_most)}"
    return f"{what[rule.measure]} per {rule.per}, {limit}"


def _event_rule(rule: EventRule) -> Iterator[str]:
    yield f"{rule.id}: {rule.title}"
    yield f"  clause {rule.clause}; confidence: {cited_words(rule.confidence, rule.sources)}"
    for name, steps in (("dips and interruptions, residual at least", rule.lower), ("swells, at most", rule.upper)):
        if steps:
            yield wrapped(f"{name}: {'; '.join(map(step_words, steps))}", "  ", "      ")
    if rule.kind == "events_at_most":
        yield f"  {count_words(rule)}"
    yield from (f"  {class_words(event_class)}" for event_class in rule.classes)
    if rule.note:
        yield wrapped(rule.note, "  ", "  ")


def _load_rule(rule: LoadRule) -> Iterator[str]:
    yield f"{rule.id}: {rule.title}"
    yield f"  clause {rule.clause}; confidence: {rule.confidence}"
    yield from (wrapped(line, "  ", "      ") for line in load_rule_words(rule))
    if rule.note:
        yield wrapped(rule.note, "  ", "  ")


class SiteLimit(Struct, frozen=True):
    """One row in force at the site. `words` is the limit with its unit, after the rule's factor."""

    row: LimitRow
    words: str
    line: str | None = None


class SiteLimits(Struct, frozen=True):
    """What a rule asks at a site. `why_not` is the sentence when it does not govern, or a fact is missing."""

    limits: tuple[SiteLimit, ...] = ()
    why_not: str | None = None


def limits_at(table: LimitTable, rule: Rule, site: Site) -> SiteLimits:
    """The rows of `rule` that hold at `site`, with their limits in the unit of the finding."""
    for answer in (governs(site, table), ask(site, rule.applies_if)):
        if not answer.holds:
            return SiteLimits(why_not=answer.text)
    missing = _missing_reference(rule, site)
    if missing is not None:
        return SiteLimits(why_not=f"{missing} is not declared in the site file")
    rows: Sequence[LimitRow] = rule.rows
    if any(row.nominal is not None for row in rows):
        designation = nominal_row(table, site.supply)
        rows = [row for row in rows if row.nominal == designation]
        if designation is None or not rows:
            near = nearest_nominal(table, site.supply)
            return SiteLimits(
                why_not=f"the table does not list {site.supply.designation} ({site.supply.connection}); "
                f"the nearest row is {near}"
            )
    limits: list[SiteLimit] = []
    for row in rows:
        answer = ask(site, row.where)
        if answer.holds is None:
            return SiteLimits(why_not=answer.text)
        if answer.holds:
            limits += _limits_of(row, rule, site)
    return SiteLimits(tuple(limits), None if limits else "the table has no row for this site")


def _missing_reference(rule: Rule, site: Site) -> str | None:
    pcc = site.pcc
    if rule.reference == "maximum_demand_current" and (pcc is None or not pcc.maximum_demand_current):
        return "the maximum demand current"
    if rule.reference == "rated_current" and (pcc is None or not pcc.rated_current):
        return "the rated current"
    if rule.reference == "nominal_frequency" and site.supply.frequency is None:
        return "the nominal frequency"
    return None


def _limits_of(row: LimitRow, rule: Rule, site: Site) -> list[SiteLimit]:
    if row.no_limit or row.hertz or row.derating:
        return [SiteLimit(row, row_words(row, rule), row.line)]
    words = []
    for line, base, unit in _bases(rule, site):
        low, high = (None if side is None else side * rule.factor * base for side in (row.low, row.high))
        words.append(SiteLimit(row, band_words(low, high, unit, rule.strict), line or row.line))
    return words


def _bases(rule: Rule, site: Site) -> list[tuple[str | None, Decimal, str]]:
    """(line, what one unit of the written limit is at this site, unit of the result)."""
    supply, pcc = site.supply, site.pcc
    if rule.reference == "nominal" and rule.quantity == "voltage":
        lines = (("line_to_neutral", supply.line_to_neutral), ("line_to_line", supply.line_to_line))
        neutral = supply.connection != "delta"
        return [
            (line, nominal / _HUNDRED, " V")
            for line, nominal in lines
            if nominal is not None and (neutral or line == "line_to_line")
        ]
    if rule.reference == "nominal_frequency" and supply.frequency is not None:
        return [(None, supply.frequency / _HUNDRED, " Hz")]
    if rule.quantity in ("current", "current_harmonic") and pcc is not None:
        demand = {"maximum_demand_current": pcc.maximum_demand_current, "rated_current": pcc.rated_current}
        amperes = demand.get(rule.reference)
        if amperes is not None:
            return [(None, amperes / _HUNDRED, " A")]
    unit = "" if rule.unit in ("", "1") else f" {rule.unit}"
    return [(None, Decimal(1), unit + (" of the nominal voltage" if rule.reference == "nominal" else ""))]
