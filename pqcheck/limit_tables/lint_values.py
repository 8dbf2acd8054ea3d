"""Numbers of a limit table that can be read and hardly be meant: fractions for percent, limits that nothing can break.

Every doubt is about a number that would be judged without an error and never, or always, give a fail.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from pqcheck.limit_tables.lint_events import event_doubts, load_doubts
from pqcheck.limit_tables.table_from_json import LINES, formula_at
from pqcheck.limit_tables.written import Placed, Problem, number, orders, plain, seconds
from pqcheck.model.quantities import MAY_BE_NEGATIVE

Written = Mapping[str, Any]

PERIOD_S = {"day": 86400, "week": 604800, "year": 31536000}
_FREQUENCIES = (Decimal("16.7"), Decimal(50), Decimal(60))
_DISTORTION = (
    "voltage_thd", "current_thd", "current_tdd", "current_trd", "voltage_harmonic", "current_harmonic",
    "interharmonic_voltage", "signalling_voltage", "negative_sequence_unbalance", "zero_sequence_unbalance",
    "voltage_deviation_unbalance", "flicker_pst", "flicker_plt",
)
"""Quantities that harm by being high, and are 0 on a clean supply."""

_RATIOS = {"wye": (Decimal("1.732"),), "split-phase": (Decimal(2), Decimal("1.732"))}
"""Line to line over line to neutral; a split-phase service may be two legs of a wye."""

_NEVER_ABOVE = {"flicker_pst": 10, "flicker_plt": 10, "power_factor": 1, "displacement_power_factor": 1}


class Side(NamedTuple):
    """One band of a rule as written: its place, both edges, and the volts or percent that are nominal, if known."""

    path: str
    low: Decimal | None
    high: Decimal | None
    nominal: Decimal | None = None
    order: int | None = None


def value_doubts(table: Written, placed: Mapping[str, Placed]) -> Iterator[Problem]:
    """Doubts about the numbers of every rule, event rule and load rule."""
    threshold = number(table.get("interruption_below_percent", 5))
    if 0 < threshold < 1:
        yield _fraction("interruption_below_percent", threshold)
    elif threshold >= 50:
        text = f"voltages below {plain(threshold)} % of nominal would count as no supply and never be judged."
        yield Problem("interruption_below_percent", text)
    for path, rule in placed["rules"]:
        yield from _statistic_doubts(rule, path)
        yield from _rule_doubts(rule, path)
        yield from _absolute_doubts(rule, path, table)
        for side in _sides(rule, path, table):
            yield from _side_doubts(rule, side)
            yield from _hidden_by_interruption(rule, side, threshold)
    yield from event_doubts(placed["event_rules"])
    yield from load_doubts(placed["load_rules"])
    yield from _nominal_doubts(table)


def _fraction(path: str, value: Decimal) -> Problem:
    return Problem(path, f"{plain(value)} looks like a fraction; it is written in percent, as {plain(value * 100)}.")


def _statistic_doubts(rule: Written, path: str) -> Iterator[Problem]:
    statistic = rule["statistic"]
    kind, period = statistic["kind"], PERIOD_S.get(rule["period"])
    percent = number(statistic.get("percent", 100))
    if percent <= 1 and (kind == "share_within" or percent < 1):
        yield _fraction(f"{path}.statistic.percent", percent)
    elif kind == "share_within" and percent < 50:
        text = f"more than half of the values may lie outside; is it {plain(100 - percent)}, the share inside?"
        yield Problem(f"{path}.statistic.percent", text)
    if period is None:
        return
    fewest = period / max(map(seconds, (rule["interval"], *rule.get("also_intervals", ()))))
    if kind == "count_at_most" and statistic["count"] >= fewest:
        text = f"this can never fail: {statistic['count']} may lie outside, and a {rule['period']} has {plain(fewest)}."
        yield Problem(f"{path}.statistic.count", text)
    elif kind == "count_at_most" and statistic["count"] * 2 > fewest:
        text = f"more than half of the {plain(fewest)} values of a {rule['period']} may lie outside."
        yield Problem(f"{path}.statistic.count", text)
    if kind == "longest_run_at_most" and seconds(statistic["duration"]) * 2 > period:
        text = f"a run of {statistic['duration']}, more than half of a {rule['period']}, may lie outside."
        if seconds(statistic["duration"]) >= period:
            text = f"this can never fail: no run within a {rule['period']} is longer than {statistic['duration']}."
        yield Problem(f"{path}.statistic.duration", text)


def _rule_doubts(rule: Written, path: str) -> Iterator[Problem]:
    coverage = number(rule.get("coverage_percent", 100))
    if coverage <= 1:
        yield _fraction(f"{path}.coverage_percent", coverage)
    elif coverage < 50:
        text = f"{plain(coverage)} % of the values would decide for all of them; is it {plain(100 - coverage)}?"
        yield Problem(f"{path}.coverage_percent", text)
    factor = number(rule.get("factor", {}).get("value", 1))
    if factor > 10:
        yield Problem(f"{path}.factor.value", f"every limit times {plain(factor)}; a factor of 150 % is written 1.5.")
    if 2 <= rule.get("highest_order", 50) < 10:
        text = f"the sum would end at order {rule['highest_order']}, below much of what it is about; is it 40 or 50?"
        yield Problem(f"{path}.highest_order", text)
    criterion = rule.get("time_criterion")
    if criterion and seconds(criterion["shortest_pass"]) < seconds(rule["interval"]):
        text = f"every recording is longer than {criterion['shortest_pass']}, less than one interval."
        yield Problem(f"{path}.time_criterion.shortest_pass", text)
    elif criterion and seconds(criterion["shortest_pass"]) > 366 * 86400:
        text = f"this can never pass: no recording of one place is as long as {criterion['shortest_pass']}."
        yield Problem(f"{path}.time_criterion.shortest_pass", text)
    if rule["quantity"] == "flicker_plt" and seconds(rule["interval"]) < 600:
        text = f"Plt is formed over 2 h, at most every 10 min; nothing records it every {rule['interval']}."
        yield Problem(f"{path}.interval", text)
    if rule["quantity"] == "flicker_pst" and seconds(rule["interval"]) < 60:
        text = f"Pst is formed over 10 min, at the least 1 min; nothing records it every {rule['interval']}."
        yield Problem(f"{path}.interval", text)


def _absolute_doubts(rule: Written, path: str, table: Written) -> Iterator[Problem]:
    """A band in volts far from every nominal voltage of the table; frequencies of a curve in kilohertz; formulas."""
    limit = rule["limit"]
    nominals = [number(row[line]) for row in table.get("nominals", ()) for line in LINES if line in row]
    if limit["kind"] == "band" and rule["quantity"] == "voltage" and rule["reference"] == "none" and nominals:
        for key in ("low", "high"):
            edge = _edge(limit, key)
            if edge is not None and edge > 2 and not any(each / 2 <= edge <= each * 3 / 2 for each in nominals):
                text = f"{plain(edge)} V lies outside 50 to 150 % of every nominal voltage of the table."
                yield Problem(f"{path}.limit.{key}", text)
    if limit["kind"] == "curve" and number(limit["points"][0]["hertz"]) < 10:
        hertz = plain(number(limit["points"][0]["hertz"]))
        yield Problem(f"{path}.limit.points[0].hertz", f"{hertz} looks like kilohertz; frequencies are in hertz.")
    for index, entry in enumerate(limit.get("orders", ())):
        if "formula" in entry and number(entry["formula"]["h0"]) <= 0:
            text = "with 0 or less the formula a * (h0 / h) + b is the same at every order, or rises."
            yield Problem(f"{path}.limit.orders[{index}].formula.h0", text)


def _sides(rule: Written, path: str, table: Written) -> Iterator[Side]:
    """Every band of a rule, whatever the kind of its limit."""
    limit, place = rule["limit"], f"{path}.limit"
    if limit["kind"] == "shared":
        place = f"shared_limits.{limit['name']}"
        limit = table["shared_limits"][limit["name"]]
    percent = Decimal(100) if rule["reference"] in ("nominal", "nominal_frequency") else None
    match limit["kind"]:
        case "band" | "selected_band":
            rows = [(place, limit)] if limit["kind"] == "band" else [
                (f"{place}.rows[{index}]", row) for index, row in enumerate(limit["rows"])
            ]
            for where, row in rows:
                yield Side(where, _edge(row, "low"), _edge(row, "high"), percent)
        case "by_nominal":
            known = {row["designation"]: row for row in table.get("nominals", ())}
            for index, row in enumerate(limit["rows"]):
                for line in ("line_to_line", "line_to_neutral"):
                    if line in row:
                        nominal = number(known[row["nominal"]][line])
                        where = f"{place}.rows[{index}].{line}"
                        yield Side(where, _edge(row[line], "low"), _edge(row[line], "high"), nominal)
        case "by_order":
            yield from _order_sides(limit["orders"], f"{place}.orders")
        case "selected_by_order":
            for index, row in enumerate(limit["rows"]):
                yield from _order_sides(row["orders"], f"{place}.rows[{index}].orders")
        case "curve":
            for index, point in enumerate(limit["points"]):
                yield Side(f"{place}.points[{index}]", None, _edge(point, "high"))


def _order_sides(entries: list[Written], place: str) -> Iterator[Side]:
    for index, entry in enumerate(entries):
        for h in orders(entry["orders"]) if "no_limit" not in entry else ():
            high = formula_at(entry["formula"], h) if "formula" in entry else number(entry["high"])
            yield Side(f"{place}[{index}]", None, high, None, h)


def _edge(written: Written, key: str) -> Decimal | None:
    return number(written[key]) if key in written else None


def _side_doubts(rule: Written, side: Side) -> Iterator[Problem]:
    """The first thing that is doubtful about one band."""
    name, factor = rule["quantity"], number(rule.get("factor", {}).get("value", 1))
    low, high = (None if edge is None else edge * factor for edge in (side.low, side.high))
    if set(rule.get("phases", ())) in ({"ng"}, {"n"}):
        if name == "voltage" and side.nominal is not None and low is not None and low > 0:
            yield Problem(f"{side.path}.low", "the neutral stands near 0 V to ground; its limit is its 'high'.")
        return
    for key, edge in (("low", low), ("high", high)):
        if edge is not None and edge < 0 and name not in MAY_BE_NEGATIVE:
            never = "can never fail" if key == "low" else "can never pass"
            yield Problem(f"{side.path}.{key}", f"{plain(edge)} {never}: {_name(name)} is never below 0.")
            return
    if name in _DISTORTION:
        yield from _distortion_doubts(rule, side, low, high)
    elif side.nominal is not None and name in ("voltage", "frequency"):
        yield from _nominal_band_doubts(rule, side, low, high, side.nominal)
    elif name == "frequency" and not any(_holds(low, high, hertz) for hertz in _FREQUENCIES):
        yield Problem(side.path, f"neither 50 nor 60 Hz is {_band(low, high)} Hz; these limits are absolute, in hertz.")
    elif name == "frequency" and ((low or 50) < 12 or (high or 50) > 120):
        yield Problem(side.path, f"no supply reaches {_band(low, high)} Hz at its outer edge; is a point misplaced?")
    elif name == "voltage" and rule["reference"] == "none" and any(edge and edge <= 2 for edge in (low, high)):
        text = f"{_band(low, high)} V looks like a share of nominal; the limits of this rule are in volts."
        yield Problem(side.path, text)
    elif name == "current" and rule["reference"] != "none" and high is not None and (high <= 2 or high > 1000):
        text = f"{plain(high)} % of {rule['reference'].replace('_', ' ')} can never fail; is a point misplaced?"
        yield _fraction(f"{side.path}.high", high) if high <= 2 else Problem(f"{side.path}.high", text)
    elif name in _NEVER_ABOVE:
        yield from (
            Problem(f"{side.path}.{key}", f"{plain(edge)} lies outside -1 to 1, where every {_name(name)} is.")
            for key, edge in (("low", low), ("high", high)) if edge is not None and abs(edge) > 1
        )
        if low is None and high is not None and 0 < high < 1:
            text = f"a load at a power factor of 1 fails; is {plain(high)} meant as 'low'?"
            yield Problem(f"{side.path}.high", text)
    elif low == 0 and high is None and name not in MAY_BE_NEGATIVE:
        yield Problem(f"{side.path}.low", f"0 can never fail: {_name(name)} is never below 0.")


def _distortion_doubts(rule: Written, side: Side, low: Decimal | None, high: Decimal | None) -> Iterator[Problem]:
    name, in_percent = rule["quantity"], rule.get("unit", "%") == "%"
    if low is not None and (low > 0 or high is None):
        text = f"a clean supply has no {_name(name)} and lies below {plain(low)}; the limit of it is its 'high'."
        yield Problem(f"{side.path}.low", text)
        return
    if high is None:
        return
    if high == 0:
        yield Problem(side.path, f"this can never pass: no reading of {_name(name)} is exactly 0.")
    elif side.order == 1 and rule["reference"] == "fundamental":
        yield Problem(f"{side.path}.orders", "order 1 is the fundamental itself, always 100 % of it.")
    elif in_percent and 0 < high < _least(side.order):
        yield _fraction(side.path, high)
    elif in_percent and name.startswith(("voltage", "negative", "zero")) and high >= 30:
        yield Problem(side.path, f"this can never fail: no supply has {plain(high)} % of {_name(name)}.")
    elif name.startswith("flicker") and high < Decimal("0.1"):
        yield Problem(side.path, f"{plain(high)} is below what any lamp on a supply shows; limits are about 1.")
    elif name in _NEVER_ABOVE and high >= _NEVER_ABOVE[name]:
        yield Problem(side.path, f"this can never fail: no flicker is as high as {plain(high)}; limits are about 1.")


def _least(order: int | None) -> Decimal:
    """Percent below which no document sets a limit; high and even orders have small ones."""
    if order is None:
        return Decimal("0.2")
    return Decimal("0.1") if order % 2 and order <= 13 else Decimal("0.01")


def _nominal_band_doubts(
    rule: Written, side: Side, low: Decimal | None, high: Decimal | None, nominal: Decimal
) -> Iterator[Problem]:
    in_percent = rule["reference"] != "none"
    unit = "% of nominal" if in_percent else f"V at a nominal of {plain(nominal)} V"
    in_hertz = in_percent and rule["quantity"] == "frequency"
    for key, edge in (("low", low), ("high", high)):
        if edge is None:
            continue
        if in_percent and 0 < edge <= 2:
            yield _fraction(f"{side.path}.{key}", edge)
            return
        if not nominal / 2 <= edge <= nominal * Decimal("1.5"):
            hint = " (hertz are written with reference 'none')" if in_hertz else ""
            text = f"{plain(edge)} {unit} lies outside 50 to 150 % of nominal, where such limits are{hint}."
            yield Problem(f"{side.path}.{key}", text)
            return
    if not _holds(low, high, nominal):
        yield Problem(side.path, f"a supply at exactly its nominal value fails: it is not {_band(low, high)} {unit}.")


def _hidden_by_interruption(rule: Written, side: Side, threshold: Decimal) -> Iterator[Problem]:
    if rule["quantity"] == "voltage" and side.nominal and side.low is not None and side.low > 0:
        percent = side.low * number(rule.get("factor", {}).get("value", 1)) / side.nominal * 100
        if percent <= threshold and percent >= 50:
            text = (
                f"the lower limit ({plain(round(percent, 2))} % of nominal) can never fail: whatever is below "
                f"{plain(threshold)} % counts as an interruption (interruption_below_percent)."
            )
            yield Problem(f"{side.path}.low", text)


def _nominal_doubts(table: Written) -> Iterator[Problem]:
    """Nominal voltages in kilovolts, and pairs that no wye or split-phase service has."""
    for index, row in enumerate(table.get("nominals", ())):
        volts = [number(row[line]) for line in ("line_to_line", "line_to_neutral") if line in row]
        if any(value < 50 for value in volts):
            text = f"{row['designation']!r}: nominal voltages are in volts; these look like kilovolts."
            yield Problem(f"nominals[{index}]", text)
        elif len(volts) == 2:
            for connection in row["connections"]:
                ratios = _RATIOS.get(connection, ())
                if ratios and all(abs(volts[0] / volts[1] / ratio - 1) > Decimal("0.03") for ratio in ratios):
                    text = (
                        f"{row['designation']!r}: {plain(volts[0])} V line to line and {plain(volts[1])} V line to "
                        f"neutral are no {connection} service; is one of them mistyped?"
                    )
                    yield Problem(f"nominals[{index}]", text)


def _holds(low: Decimal | None, high: Decimal | None, value: Decimal) -> bool:
    return (low is None or low <= value) and (high is None or value <= high)


def _band(low: Decimal | None, high: Decimal | None) -> str:
    if low is None or high is None:
        return f"at most {plain(high)}" if high is not None else f"at least {plain(low or Decimal(0))}"
    return f"{plain(low)} to {plain(high)}"


def _name(quantity: str) -> str:
    return quantity.replace("_", " ")
