"""Event and load rules that can be read and hardly be meant: fractions, open ends that are missing, empty classes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pqcheck.limit_tables.conditions import representatives
from pqcheck.limit_tables.event_rules import EventRule, event_rule
from pqcheck.limit_tables.written import Placed, Problem, number, plain, seconds

Written = Mapping[str, Any]
_SPANS_MIN = {"hour": 60, "day": 1440, "week": 10080, "30 days": 43200, "year": 525600}


def event_doubts(rules: Placed) -> Iterator[Problem]:
    """Doubts about ride-through curves, classes and counts."""
    for path, rule in rules:
        for edge in ("lower", "upper"):
            yield from _edge_doubts(rule, edge, f"{path}.{edge}")
        yield from _class_doubts(event_rule(rule, {}), f"{path}.classes")
        most = number(rule.get("at_most", 0))
        if most < 0:
            yield Problem(f"{path}.at_most", f"this can never pass: there are never fewer than {plain(most)} events.")
        elif rule.get("measure", "number") == "number" and most >= 10000:
            yield Problem(f"{path}.at_most", f"this can hardly fail: {plain(most)} events; is a point misplaced?")
        elif rule.get("measure", "number") == "number" and most % 1:
            yield Problem(f"{path}.at_most", f"events are counted whole, and {plain(most)} is no whole number.")
        elif rule.get("measure", "number") != "number" and most >= _SPANS_MIN.get(rule.get("per", ""), Decimal("inf")):
            text = f"this can never fail: no span ({rule['per']}) has more than {plain(most)} minutes."
            yield Problem(f"{path}.at_most", text)


def _fractions(path: str, highest: Decimal) -> Problem:
    return Problem(path, f"residuals up to {plain(highest)} look like fractions; they are written in percent.")


def _edge_doubts(rule: Written, edge: str, path: str) -> Iterator[Problem]:
    steps: Sequence[Written] = rule.get(edge, ())
    if not steps:
        return
    residuals = [number(step["residual"]) for step in steps]
    if 0 < max(residuals) <= 2:
        yield _fractions(path, max(residuals))
        return
    if "up_to" in steps[-1] and not rule.get("ends"):
        yield Problem(
            f"{path}[{len(steps) - 1}]",
            f"this asks nothing of events longer than {steps[-1]['up_to']}; add a last step without 'up_to', or write "
            "\"ends\": true where the document ends there.",
        )
    if edge == "lower" and max(residuals) == 0:
        yield Problem(path, "this can never fail: every residual is at least 0 %.")
    wrong = [value for value in residuals if (value > 100 if edge == "lower" else value < 100)]
    if wrong:
        side = "above" if edge == "lower" else "below"
        yield Problem(path, f"a {edge} edge of {plain(wrong[0])} % lies {side} 100 %, the undisturbed voltage.")
    for (index, before), after in zip(enumerate(residuals[:-1], start=1), residuals[1:], strict=True):
        if (after < before) if edge == "lower" else (after > before):
            text = f"longer events may go further ({plain(before)} %, then {plain(after)} %); are the steps in order?"
            yield Problem(f"{path}[{index}].residual", text)
            break


def _class_doubts(rule: EventRule, path: str) -> Iterator[Problem]:
    for index, cell in enumerate(rule.classes):
        place, low, high = f"{path}[{index}]", cell.residual.low, cell.residual.high
        if not representatives(cell.residual, []):
            yield Problem(f"{place}.residual", "the span holds no value; the first edge must lie below the second.")
        elif high is not None and 0 < high <= 2:
            yield _fractions(f"{place}.residual", high)
        elif cell.kind == "swell" and low is not None and low < 100:
            yield Problem(f"{place}.residual", f"no swell has a residual of {plain(low)} %; it is above 100 %.")
        elif cell.kind != "swell" and high is not None and high > 100:
            yield Problem(f"{place}.residual", f"no {cell.kind} has a residual of {plain(high)} %; it is below 100 %.")
        if not representatives(cell.durations(Decimal(50)), []):
            yield Problem(f"{place}.duration", "no event is so long and so short at once.")


def load_doubts(rules: Placed) -> Iterator[Problem]:
    """Doubts about multipliers and how long a demand is recorded."""
    for path, rule in rules:
        multiplier = number(rule["multiplier"]["value"])
        if multiplier > 5:
            text = f"{plain(multiplier)} times the maximum demand; 125 % is written 1.25."
            yield Problem(f"{path}.multiplier.value", text)
        for index, source in enumerate(rule["demand"]):
            if "continuous" in source and seconds(source["continuous"]) < 86400:
                text = f"{source['continuous']} hold no maximum demand; documents ask for weeks (30 d)."
                yield Problem(f"{path}.demand[{index}].continuous", text)
