"""Do the limits of a table hold together: rows, orders, factors, selectors, nominals, curves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pqcheck.errors import nearest
from pqcheck.limit_tables import Condition
from pqcheck.limit_tables.build import factor_at, formula_at
from pqcheck.limit_tables.conditions import condition_problems
from pqcheck.limit_tables.selectors import gaps_and_overlaps
from pqcheck.limit_tables.values import condition, number, orders, plain
from pqcheck.quantities import HIGHEST_ORDER

Written = Mapping[str, Any]
Problem = tuple[str, str]
Selector = tuple[str, Sequence[Condition]]


def limit_problems(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    """What does not hold together in one limit: place and sentence. A shared limit is checked where it is written."""
    check = _CHECKS.get(limit["kind"])
    if check is not None:
        yield from check(limit, path, table)


def _sides(written: Written, path: str) -> Iterator[Problem]:
    if "low" in written and "high" in written and number(written["low"]) >= number(written["high"]):
        yield path, f"low ({written['low']}) must lie below high ({written['high']})."


def _band(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _sides(limit, path)


def _selected_band(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    for index, row in enumerate(limit["rows"]):
        yield from _sides(row, f"{path}.rows[{index}]")
    yield from _domain(limit, limit["rows"], path, table)


def _by_order(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _orders(limit["orders"], f"{path}.orders", limit)
    yield from _factors(limit, path, table)


def _selected_by_order(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    for index, row in enumerate(limit["rows"]):
        yield from _orders(row["orders"], f"{path}.rows[{index}].orders", limit)
    yield from _factors(limit, path, table)
    yield from _domain(limit, limit["rows"], path, table)


def _order_list(written: Any, path: str) -> Iterator[Problem]:
    if isinstance(written, Mapping) and written["from"] > written["to"]:
        yield path, f"'from' ({written['from']}) must not lie above 'to' ({written['to']})."
        return
    ends = (written["from"], written["to"]) if isinstance(written, Mapping) else written
    for h in ends:
        if not 1 <= h <= HIGHEST_ORDER:
            yield path, f"the order {h} lies outside 1 to {HIGHEST_ORDER}."
            return
    if not orders(written):
        yield path, "no order fits; widen 'from' and 'to', or leave 'only' out."


def _distinct(entries: Sequence[Written], path: str) -> Iterator[Problem]:
    """Every order at most once in a list of entries."""
    seen: dict[int, int] = {}
    for index, entry in enumerate(entries):
        found = list(_order_list(entry["orders"], f"{path}[{index}].orders"))
        yield from found
        if found:
            return
        for h in orders(entry["orders"]):
            if h in seen:
                yield f"{path}[{index}].orders", f"the order {h} is already in {path}[{seen[h]}]; name it once."
                return
            seen[h] = index


def _orders(entries: Sequence[Written], path: str, limit: Written) -> Iterator[Problem]:
    found = list(_distinct(entries, path))
    yield from found
    if found:
        return
    for index, entry in enumerate(entries):
        for h in orders(entry["orders"]):
            if "no_limit" in entry:
                continue
            high = formula_at(entry["formula"], h) if "formula" in entry else number(entry["high"])
            if "factor_by_order" in limit and number(limit["factor_by_order"]["over"]) != 0:
                high *= factor_at(limit["factor_by_order"], h)
            if high <= 0:
                yield f"{path}[{index}]", f"the limit of order {h} comes to {plain(high)}; it must be above 0."
                return


def _factors(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _factor_list(limit.get("factors", ()), f"{path}.factors")
    if "factor_by_order" in limit and number(limit["factor_by_order"]["over"]) == 0:
        yield f"{path}.factor_by_order.over", "it must not be 0."
    variants = limit.get("variants")
    if variants is None:
        return
    options = table.get("options", {})
    name = variants["option"]
    if name not in options:
        yield (
            f"{path}.variants.option",
            f"the option {name!r} is not declared under 'options'{nearest(name, options) or '.'}",
        )
        return
    expected = options[name]["values"][1:]
    written = [row["is"] for row in variants["rows"]]
    if sorted(written) != sorted(expected):
        yield (
            f"{path}.variants.rows",
            f"every value of the option {name!r} but its first needs one row: {', '.join(map(repr, expected))}.",
        )
    for index, row in enumerate(variants["rows"]):
        yield from _factor_list(row["factors"], f"{path}.variants.rows[{index}].factors")


def _factor_list(factors: Sequence[Written], path: str) -> Iterator[Problem]:
    yield from _distinct(factors, path)
    for index, factor in enumerate(factors):
        if number(factor["factor"]) <= 0:
            yield f"{path}[{index}].factor", f"{factor['factor']} is not a positive number."


def _domain(limit: Written, rows: Sequence[Written], path: str, table: Written) -> Iterator[Problem]:
    """The selectors are sound, and cover the declared domain once, for every order by itself."""
    options = table.get("options", {})
    found: list[Problem] = []
    for index, one in enumerate(limit["over"]):
        found += condition_problems(one, f"{path}.over[{index}]", options)
    facts = [one["fact"] for one in limit["over"]]
    if len(set(facts)) != len(facts):
        found.append((f"{path}.over", "a fact is there twice; name each once."))
    for place, conditions in _places(rows, f"{path}.rows"):
        for index, one in enumerate(conditions):
            where = f"{place}.where[{index}]"
            found += condition_problems(one, where, options)
            if one["fact"] not in facts:
                found.append((f"{where}.fact", f"{one['fact']} is not in the domain under 'over'; add it there."))
    yield from found
    if found:
        return
    domain = [condition(one, {}) for one in limit["over"]]
    for h, selectors in _selectors_by_order(rows, f"{path}.rows").items():
        for sentence in gaps_and_overlaps(domain, selectors):
            yield f"{path}.rows", sentence if h is None else f"order {h}: {sentence}"
            return


def _places(rows: Sequence[Written], path: str) -> Iterator[tuple[str, Sequence[Written]]]:
    for index, row in enumerate(rows):
        yield from _row_places(row, f"{path}[{index}]")


def _row_places(row: Written, path: str) -> Iterator[tuple[str, Sequence[Written]]]:
    yield path, row.get("where", ())
    for index, place in enumerate(row.get("also", ())):
        yield f"{path}.also[{index}]", place["where"]


def _selectors_by_order(rows: Sequence[Written], path: str) -> dict[int | None, list[Selector]]:
    """The selectors that cover each order; orders with the same selectors stand under the first of them."""
    found: dict[int | None, list[Selector]] = {}
    for index, row in enumerate(rows):
        covered: Iterable[int | None] = (None,)
        if "orders" in row:
            covered = [h for entry in row["orders"] for h in orders(entry["orders"])]
        selectors: list[Selector] = [
            (place, [condition(one, {}) for one in written]) for place, written in _row_places(row, f"{path}[{index}]")
        ]
        for h in covered:
            found.setdefault(h, []).extend(selectors)
    first: dict[tuple[str, ...], int | None] = {}
    for h, selectors in found.items():
        first.setdefault(tuple(place for place, _ in selectors), h)
    return {h: found[h] for h in first.values()}


def _by_nominal(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    known = {row["designation"]: row for row in table.get("nominals", ())}
    if not known:
        yield path, "volts by nominal need the table's nominal voltages under 'nominals'."
        return
    by_line: dict[tuple[str, str], list[Written]] = {}
    for index, row in enumerate(limit["rows"]):
        name = row["nominal"]
        if name not in known:
            yield f"{path}.rows[{index}].nominal", f"{name!r} is not under 'nominals'{nearest(name, known) or '.'}"
            return
        for line in ("line_to_line", "line_to_neutral"):
            if line in row and line not in known[name]:
                yield f"{path}.rows[{index}].{line}", f"the nominal {name!r} has no {line.replace('_', '-')} voltage."
            yield from _sides(row.get(line, {}), f"{path}.rows[{index}].{line}")
            if line in row or "no_limit" in row:
                by_line.setdefault((name, line), []).append(row)
    over = limit.get("over", [])
    for (name, line), rows in by_line.items():
        if over:
            problems = _domain({"over": over}, rows, path, table)
            yield from ((place, f"{name}, {line.replace('_', '-')}: {text}") for place, text in problems)
        elif len(rows) > 1 or "where" in rows[0]:
            yield f"{path}.rows", f"{name!r} is there more than once; give each row its 'where', and 'over' the limit."


def _curve(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    yield from _ascending([(point["hertz"], point["high"]) for point in limit["points"]], path, "hertz")


def _derating(limit: Written, path: str, table: Written) -> Iterator[Problem]:
    points = [(number(point["at"]) + 1, point["factor"]) for point in limit["points"]]
    yield from _ascending(points, path, "at")


def _ascending(points: Sequence[tuple[Any, Any]], path: str, key: str) -> Iterator[Problem]:
    """Positions above 0 that rise, and values above 0."""
    before = Decimal(0)
    for index, (at, value) in enumerate(points):
        if number(at) <= before:
            yield f"{path}.points[{index}].{key}", "the points must rise from one to the next and lie above 0."
            return
        if number(value) <= 0:
            yield f"{path}.points[{index}]", f"{value} is not above 0."
            return
        before = number(at)


_CHECKS = {
    "band": _band,
    "selected_band": _selected_band,
    "by_order": _by_order,
    "selected_by_order": _selected_by_order,
    "by_nominal": _by_nominal,
    "curve": _curve,
    "derating": _derating,
}
