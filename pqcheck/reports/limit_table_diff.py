"""What two limit tables have apart, as a person reads it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.limit_tables.load_limit_table import default_rows
from pqcheck.limit_tables.wording import (
    band_words,
    condition_words,
    deciding_words,
    factor_words,
    interruption_words,
    judged_words,
    load_rule_words,
    nominals_words,
    option_limits,
    orders_words,
    row_words,
    unit_words,
)
from pqcheck.reports.show_limit_table import selector_label, wrapped

_Place = tuple[object, ...]
_Limits = Mapping[_Place, Mapping[int | None, str]]


def diff_text(before: LimitTable, other: LimitTable) -> str:
    """Header, rules that only one has, and for the rules both have every limit that differs."""
    parts = [f"{before.id} against {other.id}"]
    parts += list(_header(before, other))
    mine = {rule.id: rule for rule in before.rules}
    others = {rule.id: rule for rule in other.rules}
    for names, known, table in ((mine, others, before), (others, mine, other)):
        alone = [rule_id for rule_id in names if rule_id not in known]
        if alone:
            parts.append(f"Only in {table.id}:")
            parts += [f"  {rule_id}: {judged_words(names[rule_id])}" for rule_id in alone]
    seen: dict[tuple[str, ...], str] = {}
    same = 0
    for rule_id, rule in mine.items():
        if rule_id not in others:
            continue
        lines = tuple(_rule(rule, others[rule_id]))
        if not lines:
            same += 1
        elif lines in seen:
            parts.append(f"{rule_id}: differs as {seen[lines]}")
        else:
            seen[lines] = rule_id
            parts.append(f"{rule_id}: {rule.title}")
            parts += [wrapped(line, "  ", "      ") for line in lines]
    events = {rule.id for rule in before.event_rules} ^ {rule.id for rule in other.event_rules}
    if events:
        parts.append(f"Event rules that only one has: {', '.join(sorted(events))}")
    parts += _load_rules(before, other)
    parts.append(f"{same} {'rule is' if same == 1 else 'rules are'} alike in both.")
    return "\n".join(parts) + "\n"


def _header(before: LimitTable, other: LimitTable) -> Iterator[str]:
    for name in ("standard", "edition", "effective_from", "effective_to"):
        mine, theirs = getattr(before, name), getattr(other, name)
        if mine != theirs:
            yield f"{name.replace('_', ' ')}: {mine or '-'} -> {theirs or '-'}"
    if interruption_words(before) != interruption_words(other):
        yield f"a voltage {interruption_words(before)} -> {interruption_words(other)}"
    mine, theirs = nominals_words(before), nominals_words(other)
    if mine != theirs:
        yield f"nominal voltages: {mine} -> {theirs}"
    for name in {**before.options, **other.options}:
        mine, theirs = (" | ".join(table.options.get(name, ("-",))) for table in (before, other))
        if mine != theirs:
            yield f"option {name}: {mine} -> {theirs}"
    mine, theirs = _conditions(before.applies_if), _conditions(other.applies_if)
    if mine != theirs:
        yield f"governs where: {mine} -> {theirs}"


def _conditions(conditions: tuple[object, ...]) -> str:
    return "; ".join(condition_words(condition) for condition in conditions) or "everywhere"  # type: ignore[arg-type]


def _rule(before: Rule, other: Rule) -> Iterator[str]:
    if judged_words(before) != judged_words(other):
        yield f"judged: {judged_words(before)} -> {judged_words(other)}"
    for name in ("reference", "unit", "strict", "factor", "not_held"):
        mine, theirs = getattr(before, name), getattr(other, name)
        if mine != theirs:
            before_words, other_words = ("-" if value is None else value for value in (mine, theirs))
            yield f"{name.replace('_', ' ')}: {before_words} -> {other_words}"
    mine_lines, their_lines = list(deciding_words(before)), list(deciding_words(other))
    yield from (f"no longer: {line}" for line in mine_lines if line not in their_lines)
    yield from (f"now: {line}" for line in their_lines if line not in mine_lines)
    mine, theirs = _conditions(before.applies_if), _conditions(other.applies_if)
    if mine != theirs:
        yield f"applies if: {mine} -> {theirs}"
    if (before.clause, before.confidence) != (other.clause, other.confidence):
        yield f"clause: {before.clause} ({before.confidence}) -> {other.clause} ({other.confidence})"
    lines = list(_limits(before, other))
    yield from lines
    yield from _under_options(before, other)


def _limits(first: Rule, other: Rule) -> Iterator[str]:
    same_unit = unit_words(first) == unit_words(other)
    mine, theirs = _by_place(first, same_unit), _by_place(other, same_unit)
    labels = {**_labels(other), **_labels(first)}
    lines: dict[str, list[str]] = {}
    orders: set[int] = set()
    for place in {**mine, **theirs}:
        before, after = mine.get(place, {}), theirs.get(place, {})
        changed = [h for h in {**before, **after} if before.get(h) != after.get(h)]
        if changed:
            orders |= {h for h in changed if h is not None}
            lines.setdefault(_changes(before, after, changed), []).append(labels.get(place, ""))
    if orders:
        yield _which_orders(sorted(orders))
    if lines and same_unit:
        factor = factor_words(first) if first.factor == other.factor else ""
        yield f"limits in{unit_words(first) or ' units of 1'}{', before the factor of the rule' if factor else ''}:"
    for text, names in lines.items():
        label = " / ".join(name for name in names if name)
        yield f"{label}{': ' if label else ''}{text}"


def _under_options(first: Rule, other: Rule) -> Iterator[str]:
    """The limits under declared options that differ."""
    mine, theirs = option_limits(first), option_limits(other)
    for key in {**mine, **theirs}:
        before, after = mine.get(key, {}), theirs.get(key, {})
        changed = [h for h in {**before, **after} if before.get(h) != after.get(h)]
        if changed:
            options, place = key
            yield f"{options}: {f'{place}: ' if place else ''}{_changes(before, after, changed)}"


def _changes(before: Mapping[int | None, str], after: Mapping[int | None, str], changed: list[int | None]) -> str:
    """``order 2 to 6 even: 1 -> 2; order 8, 10: 1 -> 4``."""
    groups: dict[tuple[str, str], list[int]] = {}
    for h in changed:
        members = groups.setdefault((before.get(h, "absent"), after.get(h, "absent")), [])
        if h is not None:
            members.append(h)
    return "; ".join(
        f"{f'order {orders_words(sorted(members))}: ' if members else ''}{old} -> {new}"
        for (old, new), members in groups.items()
    )


def _which_orders(orders: list[int]) -> str:
    kind = ""
    if all(h % 2 == 0 for h in orders):
        kind = "EVEN ORDERS ONLY: "
    elif all(h % 2 == 1 for h in orders):
        kind = "ODD ORDERS ONLY: "
    return f"{kind}the limits of order {orders_words(orders)} differ; all other orders are alike."


def _place(row: LimitRow) -> _Place:
    return (
        row.nominal,
        row.line,
        row.phases,
        tuple((condition.fact, condition.values, condition.span) for condition in row.where),
    )


def _by_place(rule: Rule, bare: bool) -> _Limits:
    """The limits under each selector, by order; `bare` without their unit."""
    words_by_place: dict[_Place, dict[int | None, str]] = {}
    for row in default_rows(rule):
        for h in row.orders or (None,):
            plain = bare and not (row.no_limit or row.hertz or row.derating)
            words = band_words(row.low, row.high, "", rule.strict) if plain else row_words(row, rule)
            words_by_place.setdefault(_place(row), {})[h] = words
    return words_by_place


def _labels(rule: Rule) -> dict[_Place, str]:
    groups: dict[_Place, list[LimitRow]] = {}
    for row in default_rows(rule):
        groups.setdefault(_place(row), []).append(row)
    return {
        place: ", ".join(part for part in (rows[0].nominal, (rows[0].line or "").replace("_", " ")) if part)
        or selector_label(rows)
        for place, rows in groups.items()
    }


def _load_rules(before: LimitTable, other: LimitTable) -> Iterator[str]:
    mine, theirs = ({rule.id: list(load_rule_words(rule)) for rule in table.load_rules} for table in (before, other))
    for rule_id in sorted(mine.keys() | theirs.keys()):
        if rule_id not in mine or rule_id not in theirs:
            yield f"Only in {before.id if rule_id in mine else other.id}: {rule_id}"
            continue
        gone = [line.strip() for line in mine[rule_id] if line not in theirs[rule_id]]
        new = [line.strip() for line in theirs[rule_id] if line not in mine[rule_id]]
        if gone or new:
            yield f"{rule_id}:"
            yield from (wrapped(f"only {before.id}: {line}", "  ", "      ") for line in gone)
            yield from (wrapped(f"only {other.id}: {line}", "  ", "      ") for line in new)
