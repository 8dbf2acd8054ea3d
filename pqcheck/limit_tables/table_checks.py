"""Does a limit table hold together? What the schema cannot say.

Unique ids, units that fit the quantity, low below high, intervals that divide the period, options and nominals that
are declared. The limits themselves (rows, orders, selectors, curves) are checked in `limit_tables.limit_checks`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from pqcheck.limit_tables.conditions import check_condition
from pqcheck.limit_tables.event_rules import check_event_rules
from pqcheck.limit_tables.existing_load_rules import check_load_rules
from pqcheck.limit_tables.limit_checks import check_limit
from pqcheck.limit_tables.written import Placed, Problem, id_problems, number, seconds
from pqcheck.model.errors import nearest
from pqcheck.model.quantities import HIGHEST_ORDER, QUANTITIES

Written = Mapping[str, Any]

_PERIOD_S = {"day": 86400, "week": 604800, "year": 31536000}
_SUMS = ("voltage_thd", "current_thd", "current_tdd", "current_trd")
_REFERENCES: Mapping[str, tuple[str, ...]] = {
    "nominal": ("voltage", "voltage_thd", "voltage_harmonic", "interharmonic_voltage", "signalling_voltage"),
    "nominal_frequency": ("frequency",),
    "fundamental": (
        "voltage_thd",
        "voltage_harmonic",
        "current_thd",
        "current_harmonic",
        "interharmonic_voltage",
        "signalling_voltage",
    ),
    "maximum_demand_current": ("current", "current_harmonic", "current_tdd"),
    "rated_current": ("current", "current_harmonic", "current_trd"),
}


def table_problems(written: Written, placed: Mapping[str, Placed]) -> Iterator[Problem]:
    """What does not hold together, with its place in the file; `placed` are its rules by kind (``rules`` and so on)."""
    yield from _check_dates(written)
    yield from _check_nominals(written)
    threshold = number(written.get("interruption_below_percent", 5))
    if not 0 <= threshold <= 100:
        yield Problem("interruption_below_percent", f"{threshold} is not a percentage from 0 to 100.")
    yield from _check_conditions(written.get("applies_if", ()), "applies_if", written)
    for index, remark in enumerate(written.get("remarks", ())):
        yield from _check_conditions(remark["where"], f"remarks[{index}].where", written)
    for name, limit in written.get("shared_limits", {}).items():
        if limit["kind"] == "shared":
            text = "a shared limit cannot be shared again; write the limit itself."
            yield Problem(f"shared_limits.{name}.kind", text)
        yield from check_limit(limit, f"shared_limits.{name}", written)
    seen: set[str] = set()
    for path, rule in placed["rules"]:
        yield from id_problems(rule["id"], seen, path)
        yield from _check_rule(rule, path, written)
    yield from check_event_rules(placed["event_rules"], seen)
    for kind in ("rules", "event_rules"):
        for path, rule in placed[kind]:
            yield from _check_sources(rule, path, written)
    yield from check_load_rules(placed["load_rules"], seen)


def _check_dates(written: Written) -> Iterator[Problem]:
    dates = {}
    for key in ("effective_from", "effective_to"):
        if key in written:
            try:
                dates[key] = date.fromisoformat(written[key])
            except ValueError:
                yield Problem(key, f"{written[key]!r} is not a date; write year-month-day.")
    if len(dates) == 2 and dates["effective_from"] > dates["effective_to"]:
        first, last = written["effective_from"], written["effective_to"]
        yield Problem("effective_to", f"{last} lies before effective_from, {first}.")


def _check_nominals(written: Written) -> Iterator[Problem]:
    seen: dict[object, str] = {}
    if written.get("only_these_nominals") and not written.get("nominals"):
        yield Problem("only_these_nominals", "it needs the table's nominal voltages under 'nominals'.")
    for index, row in enumerate(written.get("nominals", ())):
        keys: list[object] = [row["designation"]]
        keys += [
            (connection, number(row.get("line_to_line", 0)) or number(row["line_to_neutral"]))
            for connection in row["connections"]
        ]
        for key in keys:
            if key in seen:
                yield Problem(
                    f"nominals[{index}]",
                    f"{row['designation']!r} and {seen[key]!r} cannot be told apart by connection and voltage; "
                    "let each nominal stand once.",
                )
            seen[key] = row["designation"]


def _check_conditions(conditions: Sequence[Written], path: str, table: Written) -> Iterator[Problem]:
    for index, tested in enumerate(conditions):
        yield from check_condition(tested, f"{path}[{index}]", table.get("options", {}))


def _check_rule(rule: Written, path: str, table: Written) -> Iterator[Problem]:
    name = rule["quantity"]
    if name not in QUANTITIES:
        yield Problem(f"{path}.quantity", f"there is no quantity {name!r}{nearest(name, QUANTITIES) or '.'}")
        return
    quantity = QUANTITIES[name]
    for phase in rule.get("phases", ()):
        if phase not in quantity.phases:
            allowed = ", ".join(quantity.phases) or "none"
            yield Problem(f"{path}.phases", f"{name} has no phase {phase!r}; its phases are: {allowed}.")
    yield from _check_reference(rule, path)
    yield from _check_time(rule, path)
    yield from _check_sum_order(rule, path)
    yield from _check_conditions(rule.get("applies_if", ()), f"{path}.applies_if", table)
    if "factor" in rule and number(rule["factor"]["value"]) <= 0:
        yield Problem(f"{path}.factor.value", f"{rule['factor']['value']} is not a positive number.")
    if "coverage_percent" in rule and not 0 < number(rule["coverage_percent"]) <= 100:
        yield Problem(f"{path}.coverage_percent", f"{rule['coverage_percent']} is not a percentage above 0 up to 100.")
    limit = rule["limit"]
    if limit["kind"] == "shared":
        shared = table.get("shared_limits", {})
        if limit["name"] not in shared:
            yield Problem(
                f"{path}.limit.name",
                f"there is no shared limit {limit['name']!r}{nearest(limit['name'], shared) or '.'}",
            )
            return
        limit = shared[limit["name"]]
    else:
        yield from check_limit(limit, f"{path}.limit", table)
    yield from _check_kind_fits(rule, limit, path)


def _check_sources(rule: Written, path: str, table: Written) -> Iterator[Problem]:
    """Every id that a rule or one of its rows cites is one of the table's sources."""
    known, limit = table.get("sources", {}), rule.get("limit", {})
    cited = [(path, rule)]
    for key in ("rows", "orders"):
        cited += [(f"{path}.limit.{key}[{index}]", entry) for index, entry in enumerate(limit.get(key, ()))]
    for index, row in enumerate(limit.get("rows", ())):
        place = f"{path}.limit.rows[{index}].orders"
        cited += [(f"{place}[{number_}]", entry) for number_, entry in enumerate(row.get("orders", ()))]
    for place, entry in cited:
        for name in entry.get("sources", ()):
            if name not in known:
                yield Problem(f"{place}.sources", f"{name!r} is not under 'sources'{nearest(name, known) or '.'}")


def _check_reference(rule: Written, path: str) -> Iterator[Problem]:
    quantity = QUANTITIES[rule["quantity"]]
    if rule["reference"] == "none":
        if rule["unit"] != quantity.unit:
            yield Problem(
                f"{path}.unit",
                f"the unit {rule['unit']!r} does not fit {quantity.name}; its limits are written in {quantity.unit!r}.",
            )
    elif quantity.name not in _REFERENCES[rule["reference"]]:
        yield Problem(
            f"{path}.reference",
            f"{quantity.name} is not given in percent of {rule['reference'].replace('_', ' ')}; "
            f"expected: {', '.join(_references_of(quantity.name))}.",
        )


def _references_of(name: str) -> list[str]:
    return [*(reference for reference, names in _REFERENCES.items() if name in names), "none"]


def _check_time(rule: Written, path: str) -> Iterator[Problem]:
    interval = seconds(rule["interval"])
    if interval <= 0:
        yield Problem(f"{path}.interval", "an interval of no length cannot be judged.")
        return
    period = _PERIOD_S.get(rule["period"])
    for key, texts in (("interval", (rule["interval"],)), ("also_intervals", rule.get("also_intervals", ()))):
        for text in texts:
            if period is not None and (seconds(text) <= 0 or period % seconds(text)):
                sentence = f"an interval of {text} does not divide the {rule['period']} into whole parts."
                yield Problem(f"{path}.{key}", sentence)
    for text in rule.get("also_intervals", ()):
        if seconds(text) <= interval:
            sentence = f"{text} is not longer than the rule's interval, {rule['interval']}."
            yield Problem(f"{path}.also_intervals", sentence)
    if rule.get("alignment", "back_to_back") != "back_to_back" and rule["period"] not in ("day", "week"):
        sentence = f"a {rule['period']} is not laid out {rule['alignment']}; only a day or a week is."
        yield Problem(f"{path}.alignment", sentence)
    yield from _check_statistic(rule, interval, path)


def _check_statistic(rule: Written, interval: Decimal, path: str) -> Iterator[Problem]:
    statistic = rule["statistic"]
    if "percent" in statistic and not 0 < number(statistic["percent"]) <= 100:
        yield Problem(f"{path}.statistic.percent", f"{statistic['percent']} is not a percentage above 0 up to 100.")
    for key, text in _durations(rule):
        if seconds(text) * 1_000_000 % 1:
            yield Problem(f"{path}.{key}", f"{text} is no whole number of microseconds, the finest that is told apart.")
    if "duration" in statistic:
        run = seconds(statistic["duration"])
        if run <= 0 or run % interval:
            yield Problem(
                f"{path}.statistic.duration",
                f"{statistic['duration']} is not a whole number of intervals of {rule['interval']}.",
            )
    if "time_criterion" in rule and (statistic["kind"], rule["period"]) != ("all_within", "recording"):
        yield Problem(
            f"{path}.time_criterion",
            "a time criterion left to the site needs the statistic 'all_within' and the period 'recording'.",
        )


def _durations(rule: Written) -> Iterator[tuple[str, str]]:
    yield "interval", rule["interval"]
    yield from (("also_intervals", text) for text in rule.get("also_intervals", ()))
    if "duration" in rule["statistic"]:
        yield "statistic.duration", rule["statistic"]["duration"]
    if "time_criterion" in rule:
        yield "time_criterion.shortest_pass", rule["time_criterion"]["shortest_pass"]


def _check_sum_order(rule: Written, path: str) -> Iterator[Problem]:
    is_sum = rule["quantity"] in _SUMS
    if not is_sum and "highest_order" in rule:
        yield Problem(f"{path}.highest_order", f"{rule['quantity']} is not a sum over orders; leave highest_order out.")
    elif is_sum and rule["limit"]["kind"] != "none" and not 2 <= rule.get("highest_order", 0) <= HIGHEST_ORDER:
        text = f"{rule['quantity']} needs its highest order, from 2 to {HIGHEST_ORDER}."
        yield Problem(f"{path}.highest_order", text)


_ORDER_KINDS = ("by_order", "selected_by_order")


def _check_kind_fits(rule: Written, limit: Written, path: str) -> Iterator[Problem]:
    """Does the kind of limit suit the quantity and the statistic?"""
    kind, quantity = limit["kind"], QUANTITIES[rule["quantity"]]
    report_only = rule["statistic"]["kind"] == "report_only"
    expected = None
    if quantity.suffix == "order" and kind not in (*_ORDER_KINDS, "none"):
        expected = "limits by order"
    elif quantity.suffix == "order or hertz" and kind not in (*_ORDER_KINDS, "curve", "none"):
        expected = "a curve, or limits by order"
    elif not quantity.suffix and kind in (*_ORDER_KINDS, "curve"):
        expected = "a band: it has neither orders nor frequencies"
    elif kind == "by_nominal" and (quantity.name, rule["reference"]) != ("voltage", "none"):
        expected = "another kind: volts by nominal are for voltage with the reference 'none'"
    elif kind in ("none", "derating") and not report_only:
        expected = f"the statistic 'report_only' beside a limit of kind {kind!r}"
    elif "not_held" in rule and not report_only:
        expected = "the statistic 'report_only': the table does not hold the limit (not_held)"
    if expected is not None:
        yield Problem(f"{path}.limit.kind", f"{kind!r} does not suit {quantity.name}; it needs {expected}.")
