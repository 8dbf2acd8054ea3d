"""From the written vocabulary of a limit table to the frozen values of `pqcheck.limit_tables`.

Everything that is a formula or a factor in the file is worked out here, in exact decimals, so that judging sees plain
numbers: one `LimitRow` for each set of orders with the same limit. The document has been checked before
(`limit_tables.table_checks`), or is one of the shipped tables, which the tests check.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import cache
from typing import Any, Literal, NamedTuple

from pqcheck.limit_tables.event_rules import event_rule
from pqcheck.limit_tables.existing_load_rules import load_rule
from pqcheck.limit_tables.rules import (
    Condition,
    LimitRow,
    LimitTable,
    Nominal,
    Remark,
    Rule,
    RulePeriod,
    RuleStatistic,
    TimeCriterion,
)
from pqcheck.limit_tables.written import condition, number, orders, seconds, span_text, weakest

Written = Mapping[str, Any]
Options = Mapping[str, tuple[str, ...]]
Line = Literal["line_to_line", "line_to_neutral"]
HUNDRED = Decimal(100)
LINES: tuple[Line, ...] = ("line_to_line", "line_to_neutral")


def table_from(written: Written, sha256: str, base: str | None = None) -> LimitTable:
    """The table that `written` describes (an overlay already merged into its base, `limit_tables.overlays`)."""
    options = {name: tuple(option["values"]) for name, option in written.get("options", {}).items()}
    shared = written.get("shared_limits", {})

    @cache
    def shared_rows(name: str, clause: str, mark: str) -> tuple[LimitRow, ...]:
        return tuple(expand_limit(shared[name], clause, mark, options))

    def rows(limit: Written, clause: str, mark: str) -> tuple[LimitRow, ...]:
        """The rows of a limit; of one that several rules name, expanded once for each clause and mark."""
        if limit["kind"] == "shared":
            return shared_rows(limit["name"], clause, mark)
        return tuple(expand_limit(limit, clause, mark, options))

    return LimitTable(
        id=written["id"],
        standard=written["standard"],
        edition=written["edition"],
        title=written["title"],
        source=written["source"],
        sha256=sha256,
        rules=tuple(_rule(rule, rows, options) for rule in written.get("rules", ())),
        applies_if=_conditions(written.get("applies_if", ()), options),
        interruption_below_percent=number(written.get("interruption_below_percent", 5)),
        interruption_closed=written.get("interruption_comparison") == "closed",
        base=base,
        effective_from=written.get("effective_from"),
        effective_to=written.get("effective_to"),
        nominals={row["designation"]: _nominal(row) for row in written.get("nominals", ())},
        only_these_nominals=written.get("only_these_nominals", False),
        options=options,
        option_meanings={name: option["meaning"] for name, option in written.get("options", {}).items()},
        sources=written.get("sources", {}),
        event_rules=tuple(event_rule(item, options) for item in written.get("event_rules", ())),
        load_rules=tuple(load_rule(item) for item in written.get("load_rules", ())),
        remarks=tuple(Remark(_conditions(item["where"], options), item["text"]) for item in written.get("remarks", ())),
    )


def _conditions(written: Sequence[Written], options: Options) -> tuple[Condition, ...]:
    return tuple(condition(item, options) for item in written)


def _nominal(row: Written) -> Nominal:
    line_to_line, line_to_neutral = (number(row[line]) if line in row else None for line in LINES)
    return Nominal(tuple(row["connections"]), line_to_line, line_to_neutral)


def _rule(written: Written, rows: Callable[[Written, str, str], tuple[LimitRow, ...]], options: Options) -> Rule:
    factor = written.get("factor", {})
    reference = written["reference"]
    confidence = weakest(written["confidence"], factor.get("confidence"))
    criterion = written.get("time_criterion")
    return Rule(
        id=written["id"],
        title=written["title"],
        clause=written["clause"],
        confidence=confidence,
        quantity=written["quantity"],
        phases=tuple(written.get("phases", ())),
        interval_s=seconds(written["interval"]),
        also_intervals_s=tuple(seconds(text) for text in written.get("also_intervals", ())),
        period=RulePeriod(written["period"], written.get("alignment", "back_to_back")),
        statistic=_statistic(written["statistic"]),
        reference=reference,
        unit=written["unit"] if reference == "none" else "%",
        strict=written["comparison"] == "strict",
        rows=rows(written["limit"], written["clause"], confidence),
        factor=number(factor.get("value", 1)),
        factor_confidence=factor.get("confidence"),
        highest_order=written.get("highest_order"),
        drop_flagged=written.get("flagged") == "drop",
        coverage_percent=number(written["coverage_percent"]) if "coverage_percent" in written else None,
        applies_if=_conditions(written.get("applies_if", ()), options),
        time_criterion=None
        if criterion is None
        else TimeCriterion(criterion["range"], criterion["outside"], seconds(criterion["shortest_pass"])),
        indicative=written.get("indicative", False),
        not_held=written.get("not_held"),
        convention=written.get("convention"),
        sources=tuple(written.get("sources", ())),
        best_evidence=written.get("best_evidence", ""),
        note=written.get("note"),
    )


def _statistic(written: Written) -> RuleStatistic:
    return RuleStatistic(
        kind=written["kind"],
        percent=number(written["percent"]) if "percent" in written else HUNDRED,
        count=int(written.get("count", 0)),
        duration_s=seconds(written["duration"]) if "duration" in written else Decimal(0),
    )


def expand_limit(limit: Written, clause: str, mark: str, options: Options) -> Iterator[LimitRow]:
    """The rows of a written limit, formulas and factors worked out.

    `clause` and `mark` are those of the rule: the clause stands where the limit names none of its own, and no row
    comes out with a better mark than the rule's.
    """
    floor = {
        **limit,
        "clause": limit.get("clause", clause),
        "confidence": weakest(limit.get("confidence"), mark),
    }
    return _EXPAND[limit["kind"]](floor, options)


def _text(key: str, *places: Written) -> str | None:
    return next((place[key] for place in places if key in place), None)


def _side(written: Written, side: str) -> Decimal | None:
    return number(written[side]) if side in written else None


def _band(limit: Written, options: Options) -> Iterator[LimitRow]:
    yield LimitRow(
        low=_side(limit, "low"),
        high=_side(limit, "high"),
        clause=limit["clause"],
        confidence=limit["confidence"],
        label=limit.get("label"),
    )


def _none(limit: Written, options: Options) -> Iterator[LimitRow]:
    yield LimitRow(no_limit=True, clause=limit["clause"], confidence=limit["confidence"], label=limit["reason"])


def _curve(limit: Written, options: Options) -> Iterator[LimitRow]:
    points = tuple((number(point["hertz"]), number(point["high"])) for point in limit["points"])
    yield LimitRow(hertz=points, clause=limit["clause"], confidence=limit["confidence"], label=limit.get("label"))


def _derating(limit: Written, options: Options) -> Iterator[LimitRow]:
    points = tuple((number(point["at"]), number(point["factor"])) for point in limit["points"])
    yield LimitRow(
        high=number(limit["high"]) if "high" in limit else None,
        derating=points,
        derating_uncertainty=number(limit["uncertainty"]),
        clause=limit["clause"],
        confidence=weakest(limit["confidence"], *(point.get("confidence") for point in limit["points"])),
        label=limit.get("label"),
    )


def _alternatives(row: Written, limit: Written, options: Options) -> Iterator[dict[str, Any]]:
    """Where the row governs, and the further cases (`also`) that lead to the same row."""
    for place in ({"where": row["where"]}, *row.get("also", ())):
        where = _conditions(place["where"], options)
        yield {
            "where": where,
            "clause": _text("clause", place, row, limit),
            "confidence": weakest(*(written.get("confidence") for written in (place, row, limit))),
            "label": _text("label", place, row) or ", ".join(condition_text(tested) for tested in where),
        }


def condition_text(tested: Condition) -> str:
    """A condition in words, for a row that carries no label of its own."""
    name = tested.fact.removeprefix("option:").replace("_", " ")
    return f"{name} {span_text(tested.span)}" if tested.span is not None else f"{name} {' or '.join(tested.values)}"


def _selected_band(limit: Written, options: Options) -> Iterator[LimitRow]:
    for row in limit["rows"]:
        for place in _alternatives(row, limit, options):
            yield LimitRow(
                low=_side(row, "low"),
                high=_side(row, "high"),
                where=place["where"],
                no_limit=row.get("no_limit", False),
                clause=place["clause"],
                confidence=place["confidence"],
                sources=tuple(row.get("sources", ())),
                label=place["label"],
            )


def _by_nominal(limit: Written, options: Options) -> Iterator[LimitRow]:
    for row in limit["rows"]:
        no_limit = row.get("no_limit", False)
        # A row without a limit stands once, whatever the lines.
        for line in (None,) if no_limit else tuple(line for line in LINES if line in row):
            sides = row if line is None else row[line]
            yield LimitRow(
                low=None if no_limit else _side(sides, "low"),
                high=None if no_limit else _side(sides, "high"),
                nominal=row["nominal"],
                line=line,
                where=_conditions(row.get("where", ()), options),
                no_limit=no_limit,
                clause=_text("clause", sides, row, limit),
                confidence=weakest(_text("confidence", sides, row), limit["confidence"]),
                sources=tuple(row.get("sources", ())),
                label=row.get("label"),
            )


class OrderLimit(NamedTuple):
    """The limit of one order. A plain tuple: thousands are formed while a table loads."""

    high: Decimal | None
    no_limit: bool
    clause: str | None
    confidence: str
    label: str | None
    sources: tuple[str, ...]


Grouped = list[tuple[OrderLimit, tuple[int, ...]]]
"""Limits with the orders that have them."""


def _by_order(limit: Written, options: Options) -> Iterator[LimitRow]:
    for where, grouped in _variants(limit["orders"], limit, options):
        yield from _order_rows(grouped, {"where": where, "clause": limit["clause"]}, limit["confidence"])


def _selected_by_order(limit: Written, options: Options) -> Iterator[LimitRow]:
    for row in limit["rows"]:
        sets = list(_variants(row["orders"], limit, options))
        for place in _alternatives(row, limit, options):
            for where, grouped in sets:
                merged = {**place, "where": place["where"] + where}
                yield from _order_rows(grouped, merged, place["confidence"])


def _variants(
    written: Sequence[Written], limit: Written, options: Options
) -> Iterator[tuple[tuple[Condition, ...], Grouped]]:
    """The limits of all orders; with variants, one set for each value of the option, under that condition."""
    base = _order_limits(written, limit)
    variants = limit.get("variants")
    if variants is None:
        yield (), _grouped(base)
        return
    fact = f"option:{variants['option']}"
    unchanged = {"is": options[variants["option"]][0], "factors": ()}
    for variant in (unchanged, *variants["rows"]):
        factors = _factors_by_order(variant["factors"])
        where = condition({"fact": fact, "is": [variant["is"]]}, options)
        # Many orders share both limit and factor.
        known: dict[tuple[OrderLimit, int], OrderLimit] = {}
        limits: dict[int, OrderLimit] = {}
        for h, order_limit in base.items():
            factor = factors.get(h)
            key = (order_limit, id(factor))
            if key not in known:
                known[key] = _multiplied(order_limit, factor)
            limits[h] = known[key]
        yield (where,), _grouped(limits)


def _grouped(limits: Mapping[int, OrderLimit]) -> Grouped:
    """Orders with the same limit, clause, mark and label together, by the first of them."""
    same: dict[OrderLimit, list[int]] = {}
    for h in sorted(limits):
        same.setdefault(limits[h], []).append(h)
    return [(order_limit, tuple(members)) for order_limit, members in same.items()]


def _order_limits(written: Sequence[Written], limit: Written) -> dict[int, OrderLimit]:
    """The limit of each order, after the factors of the limit."""
    limits: dict[int, OrderLimit] = {}
    factors = _factors_by_order(limit.get("factors", ()))
    by_order = limit.get("factor_by_order")
    for entry in written:
        high = number(entry["high"]) if "high" in entry else None
        sources = tuple(entry.get("sources", ()))
        marked = (entry.get("clause"), weakest(entry.get("confidence")), entry.get("label"), sources)
        for h in orders(entry["orders"]):
            if "formula" in entry:
                high = formula_at(entry["formula"], h)
            order_limit = _multiplied(OrderLimit(high, entry.get("no_limit", False), *marked), factors.get(h))
            if by_order is not None and order_limit.high is not None:
                mark = weakest(order_limit.confidence, by_order["confidence"])
                order_limit = order_limit._replace(high=order_limit.high * factor_at(by_order, h), confidence=mark)
            limits[h] = order_limit
    return limits


def _factors_by_order(factors: Sequence[Written]) -> dict[int, Written]:
    return {h: factor for factor in factors for h in orders(factor["orders"])}


def _multiplied(order_limit: OrderLimit, factor: Written | None) -> OrderLimit:
    if factor is None or order_limit.high is None:
        return order_limit
    return OrderLimit(
        order_limit.high * number(factor["factor"]),
        False,
        factor["clause"],
        weakest(order_limit.confidence, factor["confidence"]),
        factor.get("label", order_limit.label),
        order_limit.sources,
    )


def formula_at(formula: Written, h: int) -> Decimal:
    """a * (h0 / h) + b."""
    return number(formula["a"]) * number(formula["h0"]) / h + number(formula["b"])


def factor_at(written: Written, h: int) -> Decimal:
    """start + rise * (h - order) / over, for example k(h) = 1.3 + (0.7/45)(h-5) of IEC 61000-2-2."""
    return number(written["start"]) + number(written["rise"]) * (h - number(written["order"])) / number(written["over"])


def _order_rows(grouped: Grouped, place: Mapping[str, Any], confidence: str | None) -> Iterator[LimitRow]:
    """A row for each group of orders, under the selector of `place`."""
    for order_limit, members in grouped:
        label = "; ".join(text for text in (place.get("label"), order_limit.label) if text)
        yield LimitRow(
            high=order_limit.high,
            orders=members,
            where=place["where"],
            no_limit=order_limit.no_limit,
            clause=order_limit.clause or place.get("clause"),
            confidence=weakest(order_limit.confidence, confidence),
            sources=order_limit.sources,
            label=label or None,
        )


_EXPAND = {
    "band": _band,
    "none": _none,
    "curve": _curve,
    "derating": _derating,
    "selected_band": _selected_band,
    "by_nominal": _by_nominal,
    "by_order": _by_order,
    "selected_by_order": _selected_by_order,
}
