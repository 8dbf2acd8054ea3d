"""Where a limit table governs: conditions that exclude each other, rows and options that nothing reaches, overlays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pqcheck.limit_tables.conditions import NUMERIC_FACTS, TEXT_FACTS, cells, holds, representatives
from pqcheck.limit_tables.overlays import unmarked
from pqcheck.limit_tables.rules import Condition
from pqcheck.limit_tables.written import Placed, Problem, condition, number, orders, plain, span_text
from pqcheck.model.quantities import LINE_TO_NEUTRAL

Written = Mapping[str, Any]
Conditions = Sequence[tuple[str, Condition]]
"""Conditions with the place of each."""

_FREQUENCIES = (Decimal("16.7"), Decimal(50), Decimal(60))


def scope_doubts(table: Written, placed: Mapping[str, Placed]) -> Iterator[Problem]:
    """Doubts about where the table, its rules and their rows govern, and about what it declares and never uses."""
    whole = _conditions(table.get("applies_if", ()), "applies_if")
    yield from _condition_doubts(table.get("applies_if", ()), "applies_if", table)
    yield from _excluding((), whole, "the table")
    for index, remark in enumerate(table.get("remarks", ())):
        where = f"remarks[{index}].where"
        yield from _condition_doubts(remark["where"], where, table)
        yield from _excluding(whole, _conditions(remark["where"], where), "the remark")
    yield from _nominals_outside(table, whole)
    for kind in ("rules", "event_rules"):
        for path, rule in placed[kind]:
            place = f"{path}.applies_if"
            yield from _condition_doubts(rule.get("applies_if", ()), place, table)
            of_rule = _conditions(rule.get("applies_if", ()), place)
            yield from _excluding(whole, of_rule, "the rule")
            yield from _phase_doubts(rule, path, [each for _, each in (*whole, *of_rule)])
            if rule["confidence"] == "two sources" and len(rule.get("sources", ("", ""))) < 2:
                yield Problem(f"{path}.sources", "two sources are claimed and one is cited.")
            if "limit" in rule:
                yield from _row_doubts(rule, path, table, (*whole, *of_rule))
    yield from _unused(table)


def _nominals_outside(table: Written, governing: Conditions) -> Iterator[Problem]:
    """Nominal voltages that the table itself does not govern."""
    spans = [each.span for _, each in governing if each.fact == "nominal_voltage" and each.span is not None]
    for index, row in enumerate(table.get("nominals", ())):
        volts = [number(row[line]) for line in ("line_to_line", "line_to_neutral") if line in row]
        if not any(all(span.holds(value) for span in spans) for value in volts):
            text = f"the table does not govern {row['designation']!r}: applies_if excludes it."
            yield Problem(f"nominals[{index}]", text)


def _conditions(written: Sequence[Written], path: str) -> Conditions:
    return [(f"{path}[{index}]", condition(tested, {})) for index, tested in enumerate(written)]


def _condition_doubts(written: Sequence[Written], path: str, table: Written) -> Iterator[Problem]:
    """Doubts about each condition by itself."""
    for index, tested in enumerate(written):
        fact, place = tested["fact"], f"{path}[{index}]"
        known = TEXT_FACTS.get(fact, ())
        if "default" in tested and fact.startswith("option:"):
            first = table.get("options", {}).get(fact.removeprefix("option:"), {}).get("values", [""])[0]
            if tested["default"] != first:
                text = f"the default of an option is its first value, {first!r}; this one never counts."
                yield Problem(f"{place}.default", text)
        elif "default" in tested and known and tested["default"] not in known:
            text = f"{tested['default']!r} is no value of {fact}, which is {' or '.join(known)}."
            yield Problem(f"{place}.default", text)
        if fact in NUMERIC_FACTS:
            yield from _span_doubts(condition(tested, {}), place)
        elif known and set(known) == set(tested["is"]):
            yield Problem(f"{place}.is", f"this holds everywhere: it names every value of {fact}.")


def _span_doubts(tested: Condition, place: str) -> Iterator[Problem]:
    held = tested.span
    if held is None:
        return
    high = held.high
    if high is not None and high <= 0:
        yield Problem(f"{place}.in", f"no {tested.fact.replace('_', ' ')} lies in {span_text(held)}.")
    elif tested.fact == "nominal_voltage" and high is not None and high <= 48:
        yield Problem(f"{place}.in", f"{span_text(held)} is in volts; it looks like kilovolts.")
    elif tested.fact == "inverter_share" and held.low is not None and 0 < held.low < 1:
        yield Problem(f"{place}.in", f"{span_text(held)} looks like a fraction; the share is in percent.")
    elif tested.fact == "nominal_frequency" and not any(held.holds(hertz) for hertz in _FREQUENCIES):
        yield Problem(f"{place}.in", f"neither 50 nor 60 Hz lies in {span_text(held)}.")


def _excluding(outer: Conditions, inner: Conditions, what: str) -> Iterator[Problem]:
    """The first condition of `inner` that leaves nothing of what the conditions before it leave."""
    for index, (place, tested) in enumerate(inner):
        before = [(other, each) for other, each in (*outer, *inner[:index]) if each.fact == tested.fact]
        if before and not _together([each for _, each in before], tested):
            yield Problem(place, f"{what} never applies: this excludes {' and '.join(other for other, _ in before)}.")
            return


def _together(before: Sequence[Condition], tested: Condition) -> bool:
    """Whether some value of the fact fits all."""
    if tested.span is None:
        return any(all(value in each.values for each in before) for value in tested.values)
    spans = [each.span for each in before if each.span is not None]
    return any(all(each.holds(value) for each in spans) for value in representatives(tested.span, spans))


def _phase_doubts(rule: Written, path: str, governing: Sequence[Condition]) -> Iterator[Problem]:
    """Phases and unbalance that none of the connections has for which the rule is."""
    allowed = [set(each.values) for each in governing if each.fact == "connection"]
    connections = set.intersection(*allowed) if allowed else set()
    unbalance = rule.get("quantity", "").endswith("unbalance")
    if connections and unbalance and connections <= {"single-phase", "split-phase"}:
        text = f"a {' or '.join(sorted(connections))} service has no unbalance of three phases."
        yield Problem(f"{path}.quantity", text)
    phases = set(rule.get("phases", ()))
    if connections == {"delta"} and phases and phases <= {*LINE_TO_NEUTRAL, "ng"}:
        yield Problem(f"{path}.phases", "a delta service has no line-to-neutral voltages.")
    if connections and connections <= {"single-phase", "split-phase"} and phases and phases <= {"cn", "bc", "ca", "c"}:
        yield Problem(f"{path}.phases", f"a {' or '.join(sorted(connections))} service has no phase c.")


def _row_doubts(rule: Written, path: str, table: Written, governing: Conditions) -> Iterator[Problem]:
    """Rows that nothing reaches, and cases that the rule governs and no row covers."""
    limit, place, shared = rule["limit"], f"{path}.limit", rule["limit"]["kind"] == "shared"
    if shared:
        place = f"shared_limits.{limit['name']}"
        limit = table["shared_limits"][limit["name"]]
    if "over" not in limit:
        return
    domain = [condition(tested, {}) for tested in limit["over"]]
    selectors = [
        (where, [condition(tested, {}) for tested in written])
        for index, row in enumerate(limit["rows"])
        for where, written in _places(row, f"{place}.rows[{index}]")
    ]
    cases = list(cells(domain, [conditions for _, conditions in selectors]))
    for where, conditions in selectors:
        if not any(all(holds(each, case[each.fact]) for each in conditions) for case in cases):
            yield Problem(where, "this row never applies: it lies outside the domain under 'over'.")
        elif not shared:
            yield from _excluding(governing, [(where, each) for each in conditions], "the row")
    for axis in domain:
        alike = [each for _, each in governing if each.fact == axis.fact]
        for beyond in _beyond(axis, alike) if alike else ():
            text = f"the rule governs {axis.fact} = {beyond}, and no row covers it; widen 'over', or narrow the rule."
            yield Problem(f"{place}.over", text)
            break


def _places(row: Written, path: str) -> Iterator[tuple[str, Sequence[Written]]]:
    yield path, row.get("where", ())
    yield from ((f"{path}.also[{index}]", place["where"]) for index, place in enumerate(row.get("also", ())))


def _beyond(axis: Condition, governing: Sequence[Condition]) -> Iterator[str]:
    """Values that the conditions let through and the domain does not hold."""
    if axis.span is None:
        every = set.intersection(*(set(each.values) for each in governing))
        yield from sorted(every - set(axis.values))
        return
    spans = [each.span for each in governing if each.span is not None]
    for value in representatives(spans[0], [*spans[1:], axis.span]):
        if all(each.holds(value) for each in spans) and not axis.span.holds(value):
            yield plain(value)


def _unused(table: Written) -> Iterator[Problem]:
    """Options and shared limits that nothing asks for."""
    facts, names, varied = set(), set(), set()

    def walk(value: Any) -> None:
        if isinstance(value, Mapping):
            facts.add(value.get("fact"))
            varied.add(value.get("option"))
            if value.get("kind") == "shared":
                names.add(value.get("name"))
        for part in value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ():
            walk(part)

    walk(dict(table))
    for name in table.get("options", {}):
        if f"option:{name}" not in facts and name not in varied:
            yield Problem(f"options.{name}", "nothing in the table asks for this option; it decides nothing.")
    for name in table.get("shared_limits", {}):
        if name not in names:
            yield Problem(f"shared_limits.{name}", "no rule names this limit; it is never judged.")


def overlay_doubts(overlay: Written, base: Written) -> Iterator[Problem]:
    """Rules both changed and removed, changes of nothing, and numbers without a mark of their own."""
    rules = {rule["id"]: rule for rule in base.get("rules", ())}
    removed = overlay.get("removes", ())
    for key in ("changes", "order_changes"):
        for rule_id, change in overlay.get(key, {}).items():
            path = f"{key}.{rule_id}"
            if rule_id in removed:
                yield Problem(path, "this rule is under 'removes' too, and removed; keep one of both.")
            elif key == "order_changes":
                yield from _unmarked_orders(change, path)
            elif all(rules[rule_id].get(name) == value for name, value in change.items()):
                yield Problem(path, f"nothing is changed: {base['id']} has it so already.")
            elif unmarked(change):
                text = f"the new limit has no confidence of its own, and that of {base['id']} is about another number."
                yield Problem(f"{path}.limit", f"{text} It counts as 'memory' until one is written.")


def _unmarked_orders(entries: Sequence[Written], path: str) -> Iterator[Problem]:
    for index, entry in enumerate(entries):
        if "confidence" not in entry:
            named = ", ".join(map(str, orders(entry["orders"])[:3]))
            text = f"the new limit of order {named} has no confidence of its own"
            yield Problem(f"{path}[{index}]", f"{text}; it counts as 'memory' until one is written.")
