"""Event curves and classes against their published points; what is refused."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pqcheck.judge.event_columns import EventColumns
from pqcheck.judge.event_counts import class_numbers
from pqcheck.judge.place_events import place_events
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.derating import derating_factor, derating_words
from pqcheck.limit_tables.event_rules import CurveStep, EventClass, EventRule, edge_at
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import LimitTableError
from pqcheck.model.recording import Event

SIXTY = Decimal(60)
FIFTY = Decimal(50)


def ride_through(rule: EventRule, kind: str, duration: Decimal, residual: Decimal, frequency: Decimal) -> str:
    placed = place_events(rule, EventColumns([Event(0, "an", kind, duration, residual)]), frequency)
    return ("inside", "outside", "beyond", "open")[placed.outcome[0]]


def classify(
    rule: EventRule, kind: str, duration: Decimal, residual: Decimal, frequency: Decimal
) -> EventClass | None:
    (number,) = class_numbers(rule, EventColumns([Event(0, "an", kind, duration, residual)]), frequency)
    return rule.classes[number] if number >= 0 else None


def event_rule(table: str, rule_id: str) -> EventRule:
    return next(rule for rule in load_table(table).event_rules if rule.id == rule_id)


def outcome(rule: EventRule, kind: str, duration: str, residual: str, frequency: Decimal = SIXTY) -> str:
    return ride_through(rule, kind, Decimal(duration), Decimal(residual), frequency)


# ITI (CBEMA) curve of 2000: 0 % to 20 ms, 70 % to 0.5 s, 80 % to 10 s, 90 % steady; 120 % to 0.5 s, 110 % steady.
ITI = [
    ("interruption", "0.02", "0", "inside"),
    ("dip", "0.0201", "69.9", "outside"),
    ("dip", "0.0201", "70", "inside"),
    ("dip", "0.5", "70", "inside"),
    ("dip", "0.501", "70", "outside"),
    ("dip", "10", "80", "inside"),
    ("dip", "10.1", "89.9", "outside"),
    ("dip", "3600", "90", "inside"),
    ("swell", "0.0001", "500", "inside"),
    ("swell", "0.001", "200", "inside"),
    ("swell", "0.001", "200.1", "outside"),
    ("swell", "0.003", "140", "inside"),
    ("swell", "0.0031", "121", "outside"),
    ("swell", "0.5", "120", "inside"),
    ("swell", "0.6", "110", "inside"),
    ("swell", "0.6", "110.1", "outside"),
]


@pytest.mark.parametrize(("kind", "duration", "residual", "expected"), ITI)
def test_iti_curve(kind: str, duration: str, residual: str, expected: str) -> None:
    assert outcome(event_rule("iti-2000", "iti-curve"), kind, duration, residual) == expected


def test_iti_is_straight_over_log_time() -> None:
    """Between (1 ms, 200 %) and (3 ms, 140 %) the middle of log time, sqrt(3) ms, has the mean of both."""
    steps = event_rule("iti-2000", "iti-curve").upper
    found = edge_at(steps, Decimal("0.001") * Decimal(3).sqrt(), SIXTY)
    assert found is not None and abs(found[0] - 170) < Decimal("1e-9")


# SEMI F47-0706: 50 % for 0.2 s, 70 % for 0.5 s, 80 % for 1 s required; 80 % for 10 s, 90 % continuous recommended.
F47 = [
    ("required", "0.2", "50", "inside"),
    ("required", "0.2", "49.9", "outside"),
    ("required", "0.21", "50", "outside"),
    ("required", "0.5", "70", "inside"),
    ("required", "1", "80", "inside"),
    ("required", "1.01", "10", "beyond"),
    ("recommended", "0.016", "0", "inside"),
    ("recommended", "0.017", "0", "outside"),
    ("recommended", "10", "80", "inside"),
    ("recommended", "11", "89", "outside"),
    ("recommended", "11", "90", "inside"),
]


@pytest.mark.parametrize(("rule_id", "duration", "residual", "expected"), F47)
def test_semi_f47(rule_id: str, duration: str, residual: str, expected: str) -> None:
    assert outcome(event_rule("semi-f47-0706", rule_id), "dip", duration, residual) == expected
    assert outcome(event_rule("semi-f47-0706", rule_id), "swell", duration, "150") == "beyond"


# IEC 61000-4-11: class 2 0 % 1 cycle, 70 % 25/30 cycles; class 3 also 40 % 10/12 cycles, 80 % 250/300 cycles.
DIPS = [
    (2, "0.02", "0", FIFTY, "inside"),
    (2, "0.02", "0", SIXTY, "outside"),
    (2, "0.5", "70", FIFTY, "inside"),
    (2, "0.51", "95", FIFTY, "beyond"),
    (3, "0.2", "40", FIFTY, "inside"),
    (3, "0.2", "39.9", FIFTY, "outside"),
    (3, "5", "80", SIXTY, "inside"),
    (3, "5.1", "80", SIXTY, "beyond"),
]


@pytest.mark.parametrize("table", ["iec61000-4-11", "iec61000-4-34"])
@pytest.mark.parametrize(("number", "duration", "residual", "frequency", "expected"), DIPS)
def test_dip_levels(table: str, number: int, duration: str, residual: str, frequency: Decimal, expected: str) -> None:
    assert outcome(event_rule(table, f"dips-class-{number}"), "dip", duration, residual, frequency) == expected


# IEEE 1159 categories as printed in two texts; 30 cycles are 0.5 s at 60 Hz and 0.6 s at 50 Hz (derived).
CATEGORIES = [
    ("dip", "0.5", "50", SIXTY, "instantaneous sag"),
    ("dip", "0.55", "50", SIXTY, "momentary sag"),
    ("dip", "0.55", "50", FIFTY, "instantaneous sag"),
    ("dip", "3", "10", SIXTY, "momentary sag"),
    ("dip", "3.1", "10", SIXTY, "temporary sag"),
    ("dip", "61", "85", SIXTY, "undervoltage"),
    ("dip", "61", "50", SIXTY, None),
    ("dip", "0.5", "95", SIXTY, None),
    ("swell", "0.1", "180", SIXTY, "instantaneous swell"),
    ("swell", "2", "140", SIXTY, "momentary swell"),
    ("swell", "2", "141", SIXTY, None),
    ("swell", "70", "115", SIXTY, "overvoltage"),
    ("interruption", "2", "0", SIXTY, "momentary interruption"),
    ("interruption", "60", "9.9", SIXTY, "temporary interruption"),
    ("interruption", "61", "0", SIXTY, "sustained interruption"),
]


@pytest.mark.parametrize(("kind", "duration", "residual", "frequency", "name"), CATEGORIES)
def test_ieee_1159(kind: str, duration: str, residual: str, frequency: Decimal, name: str | None) -> None:
    found = classify(event_rule("ieee1159-2019", "categories"), kind, Decimal(duration), Decimal(residual), frequency)
    assert (found.name if found else None) == name


# EN 50160:2010 Tables 2 and 3 (recalled): dips and swells by depth and duration; short interruptions up to 3 min.
GRID = [
    ("dips", "dip", "0.01", "89.9", "A1"),
    ("dips", "dip", "0.2", "80", "A1"),
    ("dips", "dip", "0.201", "79.9", "B2"),
    ("dips", "dip", "1", "70", "B3"),
    ("dips", "dip", "5", "69", "C4"),
    ("dips", "dip", "60", "40", "C5"),
    ("dips", "dip", "0.4", "5", "D2"),
    ("dips", "dip", "0.4", "4.9", "X2"),
    ("dips", "dip", "61", "50", None),
    ("swells", "swell", "0.5", "120", "S1"),
    ("swells", "swell", "5", "119.9", "T2"),
    ("swells", "swell", "6", "130", "S3"),
    ("swells", "swell", "1", "110", None),
    ("interruptions", "interruption", "180", "0", "short interruption"),
    ("interruptions", "interruption", "180.1", "4.9", "long interruption"),
    ("interruptions", "interruption", "10", "5", None),
]


@pytest.mark.parametrize("table", ["en50160-2010-lv", "en50160-2010-mv", "en50160-2010-hv"])
@pytest.mark.parametrize(("rule_id", "kind", "duration", "residual", "name"), GRID)
def test_en_50160_grids(table: str, rule_id: str, kind: str, duration: str, residual: str, name: str | None) -> None:
    found = classify(event_rule(table, rule_id), kind, Decimal(duration), Decimal(residual), FIFTY)
    assert (found.name if found else None) == name


# NEMA MG 1, 14.36: factors on the rating; 1.00 at 1 %, 0.95 at 2 %, 0.82 at 4 % in two texts.
@pytest.mark.parametrize(
    ("unbalance", "factor"), [("1.0", "1.00"), ("2.0", "0.95"), ("3.0", "0.89"), ("4.0", "0.82"), ("5.0", "0.76")]
)
def test_motor_derating_points(unbalance: str, factor: str) -> None:
    row = load_table("nema-mg1").rules[0].rows[0]
    assert dict(row.derating)[Decimal(unbalance)] == Decimal(factor)
    assert (row.derating_uncertainty, row.high) == (Decimal("0.01"), 5)
    assert load_table("nema-mg1").rules[0].statistic.kind == "report_only"


HOUSE: dict[str, Any] = {
    "format": "pqcheck-limit-table/1",
    "id": "events",
    "standard": "House",
    "edition": "1",
    "title": "House curve",
    "source": "invented for this test",
    "event_rules": [
        {
            "id": "curve",
            "title": "Curve",
            "clause": "1",
            "confidence": "memory",
            "kind": "ride_through",
            "lower": [{"residual": "50", "up_to": "200 ms"}, {"residual": "80"}],
        },
        {
            "id": "names",
            "title": "Names",
            "clause": "2",
            "confidence": "memory",
            "kind": "classes",
            "classes": [
                {"name": "a", "kind": "dip", "residual": "[10, 90)", "duration": {"up_to": "1 s"}},
                {"name": "b", "kind": "dip", "residual": "[10, 90)", "duration": {"above": "1 s"}},
            ],
        },
    ],
}


def load(tmp_path: Path, document: Any) -> Any:
    path = tmp_path / "events.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return load_table(str(path))


def test_a_curve_of_ones_own(tmp_path: Path) -> None:
    table = load(tmp_path, HOUSE)
    assert outcome(table.event_rules[0], "dip", "0.2", "50") == "inside"
    assert outcome(table.event_rules[0], "dip", "0.3", "50") == "outside"


@pytest.mark.parametrize(
    ("where", "change", "message"),
    [
        (
            (0, "lower", 1),
            {"residual": "80", "up_to": "100 ms"},
            r"lower\[1\]\.up_to: 100 ms is not longer than the step before",
        ),
        ((0, "lower", 0), {"residual": "50"}, r"lower\[0\]: a step without 'up_to' .* must be the last"),
        (
            (0, "lower", 0),
            {"residual": "50", "up_to": "200 ms", "join": "log-time"},
            r"lower\[0\]\.join: the first step",
        ),
        ((0, "lower", 0), {"residual": "-1", "up_to": "200 ms"}, r"lower\[0\]\.residual: -1 is below 0 %"),
        (
            (0, "lower", 0),
            {"residual": "50", "up_to": "200 msec"},
            r"lower\[0\]\.up_to: '200 msec' is not written as expected",
        ),
        (
            (1, "classes", 1),
            {"name": "b", "kind": "dip", "residual": "[20, 30)", "duration": {"from": "1 s"}},
            r"classes\[1\]: 'b' overlaps 'a'",
        ),
    ],
)
def test_event_rules_that_do_not_hold_together(
    tmp_path: Path, where: tuple[int, str, int], change: dict[str, Any], message: str
) -> None:
    document = copy.deepcopy(HOUSE)
    rule, key, index = where
    document["event_rules"][rule][key][index] = change
    with pytest.raises(LimitTableError, match=message):
        load(tmp_path, document)


# NEMA MG 1 between the points: 2.25 % lies halfway from 0.95 to 0.93; nothing is extrapolated beyond 5 %.
@pytest.mark.parametrize(
    ("unbalance", "factor"), [("0", "1"), ("0.7", "1"), ("2.25", "0.94"), ("4.5", "0.78"), ("5", "0.76")]
)
def test_motor_derating_between_the_points(unbalance: str, factor: str) -> None:
    row = load_table("nema-mg1").rules[0].rows[0]
    assert derating_factor(row, Decimal(unbalance)) == Decimal(factor)


def test_motor_derating_in_words() -> None:
    row = load_table("nema-mg1").rules[0].rows[0]
    assert (
        derating_words(row, Decimal("2.25"), "%") == "at 2.25 % the derating curve reads 0.94 of the rating, to +-0.01"
    )
    assert derating_factor(row, Decimal("5.01")) is None
    assert derating_words(row, Decimal("5.01"), "%") == (
        "5.01 % lies beyond the derating curve, which ends at 5 %: operation above 5 % is not recommended"
    )


# Generated for every step and every class of every shipped table: on the edge, just beyond it.

SMALL = Decimal("1e-6")


def event_rules() -> Iterator[tuple[str, EventRule, Decimal]]:
    for table_id in table_ids():
        for rule in load_table(table_id).event_rules:
            for frequency in (FIFTY, SIXTY):
                yield f"{table_id}/{rule.id} at {frequency} Hz", rule, frequency


def test_every_step_on_its_edge(subtests: pytest.Subtests) -> None:
    count = 0
    for name, rule, frequency in event_rules():
        for side in ("lower", "upper"):
            for index, step in enumerate(getattr(rule, side)):
                count += 1
                with subtests.test(f"{name}, {side} {index}"):
                    check_step(rule, side, index, step, frequency)
    assert count >= 58


def check_step(rule: EventRule, side: str, index: int, step: CurveStep, frequency: Decimal) -> None:
    kind, outward = ("dip", -1) if side == "lower" else ("swell", 1)
    steps = getattr(rule, side)
    before = steps[index - 1].up_to if index else None
    longest = step.up_to.seconds(frequency) if step.up_to else (before.seconds(frequency) if before else Decimal(1)) * 2
    assert ride_through(rule, kind, longest, step.residual, frequency) == "inside"
    beyond = step.residual + outward * SMALL
    if beyond >= 0:
        assert ride_through(rule, kind, longest, beyond, frequency) == "outside"
    if step.up_to is not None and index + 1 == len(steps):
        assert ride_through(rule, kind, longest + SMALL, step.residual, frequency) == "beyond"


def test_every_class_at_its_corners(subtests: pytest.Subtests) -> None:
    count = 0
    for name, rule, frequency in event_rules():
        for one in rule.classes:
            count += 1
            with subtests.test(f"{name}, {one.name}"):
                check_class(rule, one, frequency)
    assert count >= 682


def check_class(rule: EventRule, one: EventClass, frequency: Decimal) -> None:
    shortest = one.shortest.seconds(frequency) if one.shortest else Decimal(0)
    longest = one.longest.seconds(frequency) if one.longest else shortest * 10
    times = [shortest if one.shortest_closed else shortest + SMALL, longest if one.longest_closed else longest - SMALL]
    low, high = one.residual.low, one.residual.high
    assert low is not None
    depths = [low if one.residual.low_closed else low + SMALL]
    depths.append(low + 50 if high is None else high if one.residual.high_closed else high - SMALL)
    for duration in times:
        for residual in depths:
            found = classify(rule, one.kind, duration, residual, frequency)
            assert found is not None and found.name == one.name
    for duration, residual in [(times[0], depths[0] - 2 * SMALL), (times[1], depths[1] + 2 * SMALL)]:
        if high is not None or residual < low:
            found = classify(rule, one.kind, duration, residual, frequency)
            assert found is None or found.name != one.name
