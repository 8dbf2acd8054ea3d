"""IEEE 519-2014 and 2022 against the published figures, the expanded even orders and the worked vectors."""

from __future__ import annotations

from decimal import Decimal

import pytest

from pqcheck.limit_tables import LimitTable, load_table
from tests.limit_rows import high_at, row_at, rows_at, rule_of

EDITIONS = ("ieee519-2014", "ieee519-2022")
BANDS = ((2, 10), (11, 16), (17, 22), (23, 34), (35, 50))


@pytest.fixture(params=EDITIONS, name="table")
def both_editions(request: pytest.FixtureRequest) -> LimitTable:
    return load_table(request.param)


# IEEE Std 519-2014 clause 5.1, Table 1 (public extract), unchanged in 2022: individual %, THD %.
TABLE_1 = [
    ("230", "5.0", "8.0"),
    ("1000", "5.0", "8.0"),
    ("1000.001", "3.0", "5.0"),
    ("69000", "3.0", "5.0"),
    ("69000.001", "1.5", "2.5"),
    ("161000", "1.5", "2.5"),
    ("161000.001", "1.0", "1.5"),
    ("400000", "1.0", "1.5"),
]


@pytest.mark.parametrize(("volts", "individual", "thd"), TABLE_1)
def test_voltage_limits_and_their_edges(table: LimitTable, volts: str, individual: str, thd: str) -> None:
    for order in (2, 3, 49, 50):
        assert high_at(rule_of(table, "voltage-harmonics-week-95"), order, nominal_voltage=volts) == Decimal(individual)
    assert high_at(rule_of(table, "voltage-thd-week-95"), nominal_voltage=volts) == Decimal(thd)


# Effective ceilings of clause 5.1 and of the statistics paragraph: (rule, factor).
FACTORS = [
    ("voltage-harmonics-day-99", "1.5"),
    ("voltage-harmonics-week-95", "1"),
    ("voltage-thd-day-99", "1.5"),
    ("voltage-thd-week-95", "1"),
    ("current-harmonics-day-99", "2"),
    ("current-harmonics-week-99", "1.5"),
    ("current-harmonics-week-95", "1"),
    ("tdd-day-99", "2"),
    ("tdd-week-99", "1.5"),
    ("tdd-week-95", "1"),
]


@pytest.mark.parametrize(("rule_id", "factor"), FACTORS)
def test_the_statistics(table: LimitTable, rule_id: str, factor: str) -> None:
    rule = rule_of(table, rule_id)
    length, percent = ("day", "99") if "-day-" in rule_id else ("week", rule_id.rsplit("-", 1)[1])
    assert (rule.period.length, rule.statistic.kind, rule.statistic.percent) == (
        length,
        "share_within",
        Decimal(percent),
    )
    assert rule.interval_s == (3 if length == "day" else 600)
    assert rule.factor == Decimal(factor)
    assert rule.strict
    assert rule.reference == ("nominal" if rule_id.startswith("voltage") else "maximum_demand_current")


def test_there_is_no_weekly_99_for_voltage_and_nothing_else(table: LimitTable) -> None:
    assert {rule.id for rule in table.rules} == {rule_id for rule_id, _ in FACTORS}


# Tables 2 to 4: (volts, Isc/IL at the lower edge, individual by band, TDD). Table 2 as printed in four public texts,
# Table 3 in one, Table 4 re-banded in 2014 (row below 25 from memory).
TABLES_2_TO_4 = [
    ("480", "19.999", "4.0 2.0 1.5 0.6 0.3", "5.0"),
    ("480", "20", "7.0 3.5 2.5 1.0 0.5", "8.0"),
    ("480", "50", "10.0 4.5 4.0 1.5 0.7", "12.0"),
    ("480", "100", "12.0 5.5 5.0 2.0 1.0", "15.0"),
    ("480", "1000.001", "15.0 7.0 6.0 2.5 1.4", "20.0"),
    ("115000", "19.999", "2.0 1.0 0.75 0.3 0.15", "2.5"),
    ("115000", "20", "3.5 1.75 1.25 0.5 0.25", "4.0"),
    ("115000", "50", "5.0 2.25 2.0 0.75 0.35", "6.0"),
    ("115000", "100", "6.0 2.75 2.5 1.0 0.5", "7.5"),
    ("115000", "1000.001", "7.5 3.5 3.0 1.25 0.7", "10.0"),
    ("230000", "24.999", "1.0 0.5 0.38 0.15 0.1", "1.5"),
    ("230000", "25", "2.0 1.0 0.75 0.3 0.15", "2.5"),
    ("230000", "50", "3.0 1.5 1.15 0.45 0.22", "3.75"),
]


def facts(volts: str, ratio: str) -> dict[str, str]:
    return {"nominal_voltage": volts, "short_circuit_ratio": ratio, "generating_facility": "false"}


@pytest.mark.parametrize(("volts", "ratio", "odd", "tdd"), TABLES_2_TO_4)
def test_current_limits_of_odd_orders(table: LimitTable, volts: str, ratio: str, odd: str, tdd: str) -> None:
    rule = rule_of(table, "current-harmonics-week-95")
    for (first, last), limit in zip(BANDS, odd.split(), strict=True):
        for order in range(first, last + 1):
            if order % 2:
                assert high_at(rule, order, **facts(volts, ratio)) == Decimal(limit), order
    assert high_at(rule_of(table, "tdd-week-95"), **facts(volts, ratio)) == Decimal(tdd)


def test_table_3_is_half_of_table_2(table: LimitTable) -> None:
    rule = rule_of(table, "current-harmonics-week-95")
    for ratio in ("10", "30", "70", "500", "2000"):
        for order in range(2, 51):
            low, high = high_at(rule, order, **facts("480", ratio)), high_at(rule, order, **facts("115000", ratio))
            assert low is not None and high is not None and high * 2 == low


# Even orders expanded for Table 2 (derived; the 2014 row below 20 also stands in UL 1741 Table 45.2).
EVEN_BANDS = {
    "ieee519-2014": ((2, 10), (12, 16), (18, 22), (24, 34), (36, 50)),
    "ieee519-2022": ((2, 6), (8, 10), (12, 16), (18, 22), (24, 34), (36, 50)),
}
EVEN = [
    ("10", "1.0 0.5 0.375 0.15 0.075", "2.0 4.0 2.0 1.5 0.6 0.3"),
    ("30", "1.75 0.875 0.625 0.25 0.125", "3.5 7.0 3.5 2.5 1.0 0.5"),
    ("70", "2.5 1.125 1.0 0.375 0.175", "5.0 10.0 4.5 4.0 1.5 0.7"),
    ("500", "3.0 1.375 1.25 0.5 0.25", "6.0 12.0 5.5 5.0 2.0 1.0"),
    ("2000", "3.75 1.75 1.5 0.625 0.35", "7.5 15.0 7.0 6.0 2.5 1.4"),
]


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize(("ratio", "old", "new"), EVEN)
def test_even_orders_of_table_2(edition: str, ratio: str, old: str, new: str) -> None:
    rule = rule_of(load_table(edition), "current-harmonics-week-95")
    limits = (old if edition == "ieee519-2014" else new).split()
    for (first, last), limit in zip(EVEN_BANDS[edition], limits, strict=True):
        for order in range(first, last + 1, 2):
            assert high_at(rule, order, **facts("480", ratio)) == Decimal(limit), order


def test_edition_flip() -> None:
    """Worked vector T2 (derived): row below 20, h2 = 1.5 %, h8 = 3.0 % of IL. 2014 fails both, 2022 passes both."""
    limits = {
        edition: [
            high_at(rule_of(load_table(edition), "current-harmonics-week-95"), h, **facts("480", "15")) for h in (2, 8)
        ]
        for edition in EDITIONS
    }
    assert limits["ieee519-2014"] == [Decimal("1.0"), Decimal("1.0")]
    assert limits["ieee519-2022"] == [Decimal("2.0"), Decimal("4.0")]


# Worked vector T7 (derived): row edges. Exactly 1000 falls in no printed row: the stricter one.
@pytest.mark.parametrize(
    ("ratio", "tdd"), [("19.999", 5), ("20", 8), ("49.999", 8), ("50", 12), ("100", 15), ("1000", 15), ("1000.001", 20)]
)
def test_row_edges(table: LimitTable, ratio: str, tdd: int) -> None:
    row = row_at(rule_of(table, "tdd-week-95"), **facts("480", ratio))
    assert row.high == tdd
    assert ("stricter" in (row.label or "")) == (ratio == "1000")


# Worked vector T8 (derived): order edges in the row 20 < 50, odd limits; h = 51 is not assessed.
@pytest.mark.parametrize(
    ("order", "band"), [(10, 1), (11, 2), (16, 2), (17, 3), (22, 3), (23, 4), (34, 4), (35, 5), (50, 5)]
)
def test_order_edges(order: int, band: int) -> None:
    odd = [Decimal(text) for text in ["7.0", "3.5", "2.5", "1.0", "0.5"]]
    limit = high_at(rule_of(load_table("ieee519-2014"), "current-harmonics-week-95"), order, **facts("480", "30"))
    assert limit == odd[band - 1] * (1 if order % 2 else Decimal("0.25"))


def test_order_51_and_direct_current_are_not_assessed(table: LimitTable) -> None:
    for rule in table.rules:
        for row in rule.rows:
            assert row.orders is None or (min(row.orders) >= 2 and max(row.orders) <= 50)


def test_voltage_levels_of_the_current_tables(table: LimitTable) -> None:
    """120 V through 69 kV, above 69 kV through 161 kV, above 161 kV (two public texts for the inclusive edges)."""
    rule = rule_of(table, "tdd-week-95")
    limits = {
        volts: high_at(rule, **facts(volts, "30")) for volts in ("120", "69000", "69000.001", "161000", "161000.001")
    }
    assert limits == {"120": 8, "69000": 8, "69000.001": 4, "161000": 4, "161000.001": Decimal("2.5")}
    assert not rows_at(rule, **facts("119.9", "30"))


@pytest.mark.parametrize(("volts", "tdd"), [("480", "5"), ("115000", "2.5"), ("230000", "1.5")])
def test_a_generating_facility_is_held_to_the_lowest_row(table: LimitTable, volts: str, tdd: str) -> None:
    declared = {"nominal_voltage": volts, "generating_facility": "true", "short_circuit_ratio": "800"}
    assert high_at(rule_of(table, "tdd-week-95"), **declared) == Decimal(tdd)


def test_the_route_of_inverter_based_generation(table: LimitTable) -> None:
    for rule in table.rules:
        routed = [one for one in rule.applies_if if one.fact == "inverter_share"]
        assert bool(routed) == (rule.id.startswith(("current", "tdd")) and table.edition == "2022")
        for one in routed:
            assert one.span is not None and one.span.holds(Decimal("9.999")) and not one.span.holds(Decimal(10))
            assert "IEEE 1547" in one.reason and "IEEE 2800" in one.reason


def test_low_orders_suppressed() -> None:
    """Worked example E4 (2014, clause 5.5): h5 and h7 below 25 %; h11 2.0 -> 2.8, h17 1.5 -> 2.1, h23 0.6 -> 0.84."""
    table = load_table("ieee519-2014")
    rule = rule_of(table, "current-harmonics-week-95")
    chosen = {**facts("480", "10"), "option_suppressed_orders": "5,7"}
    limits = {order: high_at(rule, order, **chosen) for order in (5, 7, 11, 17, 23)}
    assert limits == {5: 1, 7: 1, 11: Decimal("2.8"), 17: Decimal("2.1"), 23: Decimal("0.84")}
    assert high_at(rule, 11, **facts("480", "10")) == 2, "off unless declared"
    assert all("suppressed" not in (row.label or "") for row in rule_of(table, "tdd-week-95").rows)


@pytest.mark.parametrize(
    ("held", "multiplier"),
    [("5,7", "1.4"), ("5,7,11,13", "1.7"), ("5,7,11,13,17,19", "2.0"), ("5,7,11,13,17,19,23,25", "2.2")],
)
def test_multipliers_of_table_5(table: LimitTable, held: str, multiplier: str) -> None:
    rule = rule_of(table, "current-harmonics-week-95")
    orders = [int(text) for text in held.split(",")]
    for order in range(2, 51):
        before = high_at(rule, order, **facts("480", "30"))
        after = high_at(rule, order, **facts("480", "30"), option_suppressed_orders=held)
        assert before is not None
        assert after == before * (Decimal("0.25") if order in orders else Decimal(multiplier)), order


def test_marks_of_confidence(table: LimitTable) -> None:
    """Current factors are from memory, so every current limit is; voltage limits below 1 kV rest on one source."""
    for rule in table.rules:
        marks = {row.confidence for row in rule.rows}
        if rule.id.startswith(("current", "tdd")):
            assert marks == {"memory"} and rule.factor_confidence == "memory"
    assert row_at(rule_of(table, "voltage-thd-week-95"), nominal_voltage="400").confidence == "one source"
    assert row_at(rule_of(table, "voltage-harmonics-week-95"), 5, nominal_voltage="400").confidence == "one source"


def test_scope(table: LimitTable) -> None:
    scope = {one.fact: one.values for one in table.applies_if}
    assert scope == {"is_pcc": ("true",), "measured_at": ("service",)}
