"""Does a limit table hold together? What the schema cannot say.

Unique ids, units that fit the quantity, low below high, intervals that divide the period, options and nominals that
are declared. The limits themselves (rows, orders, selectors, curves) are checked in `limit_tables.limit_checks`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from pqcheck.limit_tables.conditions import check_condition
from pqcheck.limit_tables.event_rules import check_event_rules
from pqcheck.limit_tables.existing_load_rules import check_load_rules
from pqcheck.limit_tables.limit_checks import check_limit
from pqcheck.limit_tables.written import number, refuse, refuse_twice, seconds
from pqcheck.model.errors import LimitTableError, nearest
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


def check_table(written: Written, where: str, places: Mapping[str, str] | None = None) -> None:
    """Raise `LimitTableError` for the first thing that does not hold together, with its place in the file.

    `places` says where a rule stands when it is not ``rules[i]``: the rules of an overlay.
    """
    try:
        _check(written, places or {})
    except LimitTableError as error:
        raise LimitTableError(f"{where}: {error}") from None


def _check(written: Written, places: Mapping[str, str]) -> None:
    _check_dates(written)
    _check_nominals(written)
    threshold = number(written.get("interruption_below_percent", 5))
    if not 0 <= threshold <= 100:
        refuse("interruption_below_percent", f"{threshold} is not a percentage from 0 to 100.")
    _check_conditions(written.get("applies_if", ()), "applies_if", written)
    for index, remark in enumerate(written.get("remarks", ())):
        _check_conditions(remark["where"], f"remarks[{index}].where", written)
    for name, limit in written.get("shared_limits", {}).items():
        if limit["kind"] == "shared":
            refuse(f"shared_limits.{name}.kind", "a shared limit cannot be shared again; write the limit itself.")
        check_limit(limit, f"shared_limits.{name}", written)
    seen: set[str] = set()
    for index, rule in enumerate(written.get("rules", ())):
        path = places.get(rule["id"], f"rules[{index}]")
        refuse_twice(rule["id"], seen, path)
        _check_rule(rule, path, written)
    check_event_rules(written.get("event_rules", ()), seen)
    check_load_rules(written.get("load_rules", ()), seen)


def _check_dates(written: Written) -> None:
    dates = {}
    for key in ("effective_from", "effective_to"):
        if key in written:
            try:
                dates[key] = date.fromisoformat(written[key])
            except ValueError:
                refuse(key, f"{written[key]!r} is not a date; write year-month-day.")
    if len(dates) == 2 and dates["effective_from"] > dates["effective_to"]:
        refuse("effective_to", f"{written['effective_to']} lies before effective_from, {written['effective_from']}.")


def _check_nominals(written: Written) -> None:
    seen: dict[object, str] = {}
    if written.get("only_these_nominals") and not written.get("nominals"):
        refuse("only_these_nominals", "it needs the table's nominal voltages under 'nominals'.")
    for index, row in enumerate(written.get("nominals", ())):
        keys: list[object] = [row["designation"]]
        keys += [
            (connection, number(row.get("line_to_line", 0)) or number(row["line_to_neutral"]))
            for connection in row["connections"]
        ]
        for key in keys:
            if key in seen:
                refuse(
                    f"nominals[{index}]",
                    f"{row['designation']!r} and {seen[key]!r} cannot be told apart by connection and voltage; "
                    "let each nominal stand once.",
                )
            seen[key] = row["designation"]


def _check_conditions(conditions: Sequence[Written], path: str, table: Written) -> None:
    for index, tested in enumerate(conditions):
        check_condition(tested, f"{path}[{index}]", table.get("options", {}))


def _check_rule(rule: Written, path: str, table: Written) -> None:
    name = rule["quantity"]
    if name not in QUANTITIES:
        refuse(f"{path}.quantity", f"there is no quantity {name!r}{nearest(name, QUANTITIES) or '.'}")
    quantity = QUANTITIES[name]
    for phase in rule.get("phases", ()):
        if phase not in quantity.phases:
            allowed = ", ".join(quantity.phases) or "none"
            refuse(f"{path}.phases", f"{name} has no phase {phase!r}; its phases are: {allowed}.")
    _check_reference(rule, path)
    _check_time(rule, path)
    _check_sum_order(rule, path)
    _check_conditions(rule.get("applies_if", ()), f"{path}.applies_if", table)
    if "factor" in rule and number(rule["factor"]["value"]) <= 0:
        refuse(f"{path}.factor.value", f"{rule['factor']['value']} is not a positive number.")
    if "coverage_percent" in rule and not 0 < number(rule["coverage_percent"]) <= 100:
        refuse(f"{path}.coverage_percent", f"{rule['coverage_percent']} is not a percentage above 0 up to 100.")
    limit = rule["limit"]
    if limit["kind"] == "shared":
        shared = table.get("shared_limits", {})
        if limit["name"] not in shared:
            refuse(
                f"{path}.limit.name",
                f"there is no shared limit {limit['name']!r}{nearest(limit['name'], shared) or '.'}",
            )
        limit = shared[limit["name"]]
    else:
        check_limit(limit, f"{path}.limit", table)
    _check_kind_fits(rule, limit, path)


def _check_reference(rule: Written, path: str) -> None:
    quantity = QUANTITIES[rule["quantity"]]
    if rule["reference"] == "none":
        if rule["unit"] != quantity.unit:
            refuse(
                f"{path}.unit",
                f"the unit {rule['unit']!r} does not fit {quantity.name}; its limits are written in {quantity.unit!r}.",
            )
    elif quantity.name not in _REFERENCES[rule["reference"]]:
        refuse(
            f"{path}.reference",
            f"{quantity.name} is not given in percent of {rule['reference'].replace('_', ' ')}; "
            f"expected: {', '.join(_references_of(quantity.name))}.",
        )


def _references_of(name: str) -> list[str]:
    return [*(reference for reference, names in _REFERENCES.items() if name in names), "none"]


def _check_time(rule: Written, path: str) -> None:
    interval = seconds(rule["interval"])
    if interval <= 0:
        refuse(f"{path}.interval", "an interval of no length cannot be judged.")
    period = _PERIOD_S.get(rule["period"])
    for key, texts in (("interval", (rule["interval"],)), ("also_intervals", rule.get("also_intervals", ()))):
        for text in texts:
            if period is not None and (seconds(text) <= 0 or period % seconds(text)):
                refuse(f"{path}.{key}", f"an interval of {text} does not divide the {rule['period']} into whole parts.")
    for text in rule.get("also_intervals", ()):
        if seconds(text) <= interval:
            refuse(f"{path}.also_intervals", f"{text} is not longer than the rule's interval, {rule['interval']}.")
    if rule.get("alignment", "back_to_back") != "back_to_back" and rule["period"] not in ("day", "week"):
        refuse(f"{path}.alignment", f"a {rule['period']} is not laid out {rule['alignment']}; only a day or a week is.")
    _check_statistic(rule, interval, path)


def _check_statistic(rule: Written, interval: Decimal, path: str) -> None:
    statistic = rule["statistic"]
    if "percent" in statistic and not 0 < number(statistic["percent"]) <= 100:
        refuse(f"{path}.statistic.percent", f"{statistic['percent']} is not a percentage above 0 up to 100.")
    if "duration" in statistic:
        run = seconds(statistic["duration"])
        if run <= 0 or run % interval:
            refuse(
                f"{path}.statistic.duration",
                f"{statistic['duration']} is not a whole number of intervals of {rule['interval']}.",
            )
    if "time_criterion" in rule and (statistic["kind"], rule["period"]) != ("all_within", "recording"):
        refuse(
            f"{path}.time_criterion",
            "a time criterion left to the site needs the statistic 'all_within' and the period 'recording'.",
        )


def _check_sum_order(rule: Written, path: str) -> None:
    is_sum = rule["quantity"] in _SUMS
    if not is_sum and "highest_order" in rule:
        refuse(f"{path}.highest_order", f"{rule['quantity']} is not a sum over orders; leave highest_order out.")
    elif is_sum and rule["limit"]["kind"] != "none" and not 2 <= rule.get("highest_order", 0) <= HIGHEST_ORDER:
        refuse(f"{path}.highest_order", f"{rule['quantity']} needs its highest order, from 2 to {HIGHEST_ORDER}.")


_ORDER_KINDS = ("by_order", "selected_by_order")


def _check_kind_fits(rule: Written, limit: Written, path: str) -> None:
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
        refuse(f"{path}.limit.kind", f"{kind!r} does not suit {quantity.name}; it needs {expected}.")
