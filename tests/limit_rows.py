"""Look up a limit in a loaded table by plain facts: a second, simpler reading than the one that judging uses."""

from __future__ import annotations

from decimal import Decimal

from pqcheck.limit_tables import Condition, LimitRow, LimitTable, Rule


def rule_of(table: LimitTable, rule_id: str) -> Rule:
    """The rule with this id."""
    found = [rule for rule in table.rules if rule.id == rule_id]
    assert len(found) == 1, [rule.id for rule in table.rules]
    return found[0]


def holds(condition: Condition, facts: dict[str, str]) -> bool:
    """Whether a condition holds for declared facts, defaults included."""
    value = facts.get(condition.fact, condition.default)
    assert value is not None, condition.fact
    if condition.span is None:
        return value in condition.values
    low, high, number = condition.span.low, condition.span.high, Decimal(value)
    above = low is None or number > low or (number == low and condition.span.low_closed)
    below = high is None or number < high or (number == high and condition.span.high_closed)
    return above and below


def rows_at(rule: Rule, order: int | None = None, line: str | None = None, **facts: str) -> list[LimitRow]:
    """The rows in force, at most one when the table holds together. `nominal` selects a row by designation."""
    nominal = facts.pop("nominal", None)
    named = {key.replace("option_", "option:"): value for key, value in facts.items()}
    return [
        row
        for row in rule.rows
        if (order is None or (row.orders is not None and order in row.orders))
        and (nominal is None or row.nominal == nominal)
        and (line is None or row.line == line)
        and all(holds(one, named) for one in row.where)
    ]


def row_at(rule: Rule, order: int | None = None, line: str | None = None, **facts: str) -> LimitRow:
    """The only row in force."""
    found = rows_at(rule, order, line, **facts)
    assert len(found) == 1, (rule.id, order, facts, found)
    return found[0]


def high_at(rule: Rule, order: int | None = None, **facts: str) -> Decimal | None:
    """The upper limit in force, before the rule's factor."""
    return row_at(rule, order, **facts).high
