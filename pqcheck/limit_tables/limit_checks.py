"""Do the limits of a table hold together: rows, orders, factors, selectors, nominals, curves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pqcheck.limit_tables import Condition
from pqcheck.limit_tables.conditions import check_condition, gaps_and_overlaps
from pqcheck.limit_tables.table_from_json import factor_at, formula_at
from pqcheck.limit_tables.written import Problem, condition, number, orders, plain
from pqcheck.model.errors import nearest
from pqcheck.model.quantities import HIGHEST_ORDER

Written = Mapping[str, Any]
Selector = tuple[str, Sequence[Condition]]


def check_limit(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    """What does not hold together in one limit; a shared limit is checked where it is written."""
    check = _CHECKS.get(limit["kind"])
    if check is not None:
        yield from check(limit, path, table)


def _check_sides(written: Written, path: str) -> Iterator[Problem]:
    if "low" in written and "high" in written and number(written["low"]) >= number(written["high"]):
        yield Problem(path, f"low ({written['low']}) must lie below high ({written['high']}).")


def _check_band(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _check_sides(limit, path)


def _check_selected_band(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    for index, row in enumerate(limit["rows"]):
        yield from _check_sides(row, f"{path}.rows[{index}]")
    yield from _check_domain(limit, limit["rows"], path, table)


def _check_by_order(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _check_order_limits(limit["orders"], f"{path}.orders", limit)
    yield from _check_factors(limit, path, table)


def _check_selected_by_order(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    in_orders = [
        problem
        for index, row in enumerate(limit["rows"])
        for problem in _check_order_limits(row["orders"], f"{path}.rows[{index}].orders", limit)
    ]
    yield from in_orders
    yield from _check_factors(limit, path, table)
    if not in_orders:
        yield from _check_domain(limit, limit["rows"], path, table)


def _check_orders(written: Any, path: str) -> Iterator[Problem]:
    ends = (written["from"], written["to"]) if isinstance(written, Mapping) else written
    outside = [h for h in ends if not 1 <= h <= HIGHEST_ORDER]
    yield from (Problem(path, f"the order {h} lies outside 1 to {HIGHEST_ORDER}.") for h in outside)
    if isinstance(written, Mapping) and written["from"] > written["to"]:
        yield Problem(path, f"'from' ({written['from']}) must not lie above 'to' ({written['to']}).")
    elif not outside and not orders(written):
        yield Problem(path, "no order fits; widen 'from' and 'to', or leave 'only' out.")


def _check_distinct(entries: Sequence[Written], path: str) -> Iterator[Problem]:
    """Every order at most once in a list of entries."""
    seen: dict[int, int] = {}
    for index, entry in enumerate(entries):
        out_of_range = list(_check_orders(entry["orders"], f"{path}[{index}].orders"))
        yield from out_of_range
        for h in () if out_of_range else orders(entry["orders"]):
            if h in seen:
                text = f"the order {h} is already in {path}[{seen[h]}]; name it once."
                yield Problem(f"{path}[{index}].orders", text)
            seen[h] = index


def _check_order_limits(entries: Sequence[Written], path: str, limit: Written) -> Iterator[Problem]:
    in_orders = list(_check_distinct(entries, path))
    yield from in_orders
    for index, entry in enumerate(() if in_orders else entries):
        for h in orders(entry["orders"]) if "no_limit" not in entry else ():
            high = formula_at(entry["formula"], h) if "formula" in entry else number(entry["high"])
            if "factor_by_order" in limit and number(limit["factor_by_order"]["over"]) != 0:
                high *= factor_at(limit["factor_by_order"], h)
            if high <= 0:
                yield Problem(f"{path}[{index}]", f"the limit of order {h} comes to {plain(high)}; it must be above 0.")


def _check_factors(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _check_factor_list(limit.get("factors", ()), f"{path}.factors")
    if "factor_by_order" in limit and number(limit["factor_by_order"]["over"]) == 0:
        yield Problem(f"{path}.factor_by_order.over", "it must not be 0.")
    variants = limit.get("variants")
    if variants is None:
        return
    options = table.get("options", {})
    name = variants["option"]
    if name not in options:
        yield Problem(
            f"{path}.variants.option",
            f"the option {name!r} is not declared under 'options'{nearest(name, options) or '.'}",
        )
        return
    expected = options[name]["values"][1:]
    written = [row["is"] for row in variants["rows"]]
    if sorted(written) != sorted(expected):
        yield Problem(
            f"{path}.variants.rows",
            f"every value of the option {name!r} but its first needs one row: {', '.join(map(repr, expected))}.",
        )
    for index, row in enumerate(variants["rows"]):
        yield from _check_factor_list(row["factors"], f"{path}.variants.rows[{index}].factors")


def _check_factor_list(factors: Sequence[Written], path: str) -> Iterator[Problem]:
    yield from _check_distinct(factors, path)
    for index, factor in enumerate(factors):
        if number(factor["factor"]) <= 0:
            yield Problem(f"{path}[{index}].factor", f"{factor['factor']} is not a positive number.")


def _check_domain(limit: Written, rows: Sequence[Written], path: str, table: Written) -> Iterator[Problem]:
    """The selectors are sound, and cover the declared domain once, for every order by itself."""
    in_conditions = list(_check_selectors(limit, rows, path, table))
    yield from in_conditions
    if in_conditions:
        return
    domain = [condition(tested, {}) for tested in limit["over"]]
    for h, selectors in _selectors_by_order(rows, f"{path}.rows").items():
        for sentence in gaps_and_overlaps(domain, selectors):
            yield Problem(f"{path}.rows", sentence if h is None else f"order {h}: {sentence}")


def _check_selectors(limit: Written, rows: Sequence[Written], path: str, table: Written) -> Iterator[Problem]:
    options = table.get("options", {})
    for index, tested in enumerate(limit["over"]):
        yield from check_condition(tested, f"{path}.over[{index}]", options)
    facts = [tested["fact"] for tested in limit["over"]]
    if len(set(facts)) != len(facts):
        yield Problem(f"{path}.over", "a fact is there twice; name each once.")
    for number_, row in enumerate(rows):
        for place, conditions in _places(row, f"{path}.rows[{number_}]"):
            for index, tested in enumerate(conditions):
                where = f"{place}.where[{index}]"
                yield from check_condition(tested, where, options)
                if tested["fact"] not in facts:
                    yield Problem(f"{where}.fact", f"{tested['fact']} is not in the domain under 'over'; add it there.")


def _places(row: Written, path: str) -> Iterator[tuple[str, Sequence[Written]]]:
    """Where the conditions of a row stand: its own, and those of the further cases that lead to it."""
    yield path, row.get("where", ())
    for index, place in enumerate(row.get("also", ())):
        yield f"{path}.also[{index}]", place["where"]


def _selectors_by_order(rows: Sequence[Written], path: str) -> dict[int | None, list[Selector]]:
    """The selectors that cover each order; orders with the same selectors stand under the first of them."""
    by_order: dict[int | None, list[Selector]] = {}
    for index, row in enumerate(rows):
        covered: Iterable[int | None] = (None,)
        if "orders" in row:
            covered = [h for entry in row["orders"] for h in orders(entry["orders"])]
        selectors: list[Selector] = [
            (place, [condition(tested, {}) for tested in where]) for place, where in _places(row, f"{path}[{index}]")
        ]
        for h in covered:
            by_order.setdefault(h, []).extend(selectors)
    first: dict[tuple[str, ...], int | None] = {}
    for h, selectors in by_order.items():
        first.setdefault(tuple(place for place, _ in selectors), h)
    return {h: by_order[h] for h in first.values()}


def _check_by_nominal(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    known = {row["designation"]: row for row in table.get("nominals", ())}
    if not known:
        yield Problem(path, "volts by nominal need the table's nominal voltages under 'nominals'.")
        return
    by_line: dict[tuple[str, str], list[Written]] = {}
    for index, row in enumerate(limit["rows"]):
        name = row["nominal"]
        if name not in known:
            place = f"{path}.rows[{index}].nominal"
            yield Problem(place, f"{name!r} is not under 'nominals'{nearest(name, known) or '.'}")
            continue
        for line in ("line_to_line", "line_to_neutral"):
            if line in row and line not in known[name]:
                place = f"{path}.rows[{index}].{line}"
                yield Problem(place, f"the nominal {name!r} has no {line.replace('_', '-')} voltage.")
            yield from _check_sides(row.get(line, {}), f"{path}.rows[{index}].{line}")
            if line in row or "no_limit" in row:
                by_line.setdefault((name, line), []).append(row)
    over = limit.get("over", [])
    for (name, line), rows in by_line.items():
        if over:
            for place, text in _check_domain({"over": over}, rows, path, table):
                yield Problem(place, f"{name}, {line.replace('_', '-')}: {text}")
        elif len(rows) > 1 or "where" in rows[0]:
            text = f"{name!r} is there more than once; give each row its 'where', and 'over' the limit."
            yield Problem(f"{path}.rows", text)


def _check_curve(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _check_ascending([(point["hertz"], point["high"]) for point in limit["points"]], path, "hertz")


def _check_derating(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    points = [(number(point["at"]) + 1, point["factor"]) for point in limit["points"]]
    yield from _check_ascending(points, path, "at")


def _check_ascending(points: Sequence[tuple[Any, Any]], path: str, key: str) -> Iterator[Problem]:
    """Positions above 0 that rise, and values above 0."""
    before = Decimal(0)
    for index, (at, value) in enumerate(points):
        if number(at) <= before:
            yield Problem(f"{path}.points[{index}].{key}", "the points must rise from one to the next and lie above 0.")
        if number(value) <= 0:
            yield Problem(f"{path}.points[{index}]", f"{value} is not above 0.")
        before = number(at)


_CHECKS = {
    "band": _check_band,
    "selected_band": _check_selected_band,
    "by_order": _check_by_order,
    "selected_by_order": _check_selected_by_order,
    "by_nominal": _check_by_nominal,
    "curve": _check_curve,
    "derating": _check_derating,
}
