"""EN 50160, the IEC compatibility and planning levels, national rules and IEEE 1547 against their figures."""

from __future__ import annotations

from decimal import Decimal

import pytest

from pqcheck.judge.rules_that_apply import on_curve
from pqcheck.limit_tables import load_table
from tests.limit_rows import high_at, row_at, rows_at, rule_of

# EN 50160:2010 harmonic voltages in percent of the fundamental (recalled): low and medium voltage, high voltage.
EN_50160 = """
2 2.0 1.9
3 5.0 3.0
4 1.0 1.0
5 6.0 5.0
6 0.5 0.5
7 5.0 4.0
8 0.5 0.5
9 1.5 1.3
10 0.5 0.5
11 3.5 3.0
12 0.5 0.5
13 3.0 2.5
14 0.5 0.5
15 0.5 0.5
16 0.5 0.5
17 2.0 -
18 0.5 0.5
19 1.5 -
20 0.5 0.5
21 0.5 0.5
22 0.5 0.5
23 1.5 -
24 0.5 0.5
25 1.5 -
26 - -
50 - -
"""


@pytest.mark.parametrize("text", EN_50160.strip().splitlines())
def test_en_50160_harmonics(text: str) -> None:
    order, low, high = text.split()
    tables = {
        "2007-lv": low,
        "2010-lv": low,
        "2010-a1-lv": {"15": "1.0", "21": "0.75"}.get(order, low),
        "2007-mv": low,
        "2010-mv": low,
        "2010-hv": high,
    }
    for name, limit in tables.items():
        rule = rule_of(load_table(f"en50160-{name}"), "harmonics-week-95")
        row = row_at(rule, int(order))
        assert (row.no_limit, row.high) == ((True, None) if limit == "-" else (False, Decimal(limit))), name
        assert rule.reference == "fundamental" and not rule.strict


def test_en_50160_has_a_row_for_every_order() -> None:
    """No limit on purpose is not the same as missing: orders 2 to 50 all have a row."""
    for level in ("lv", "mv", "hv"):
        rule = rule_of(load_table(f"en50160-2010-{level}"), "harmonics-week-95")
        assert sorted(h for row in rule.rows for h in row.orders or ()) == list(range(2, 51))


# (table, rule, percent or None for all values, low, high): the main rows of EN 50160 (public summaries).
MAIN = [
    ("2010-lv", "voltage-week-95", "95", "90", "110"),
    ("2010-lv", "voltage-all", None, "85", "110"),
    ("2007-lv", "voltage-week-95", "95", "90", "110"),
    ("2007-lv", "voltage-all", None, "85", "110"),
    ("2010-mv", "voltage-week-99-high", "99", None, "110"),
    ("2010-mv", "voltage-week-99-low", "99", "90", None),
    ("2007-mv", "voltage-week-95", "95", "90", "110"),
    ("2010-lv", "frequency-year-99.5", "99.5", "49.5", "50.5"),
    ("2010-lv", "frequency-all", None, "47", "52"),
    ("2010-hv", "frequency-year-99.5", "99.5", "49.5", "50.5"),
    ("2010-lv", "frequency-island-week-95", "95", "49", "51"),
    ("2010-lv", "frequency-island-all", None, "42.5", "57.5"),
    ("2010-lv", "plt-week-95", "95", None, "1"),
    ("2010-mv", "unbalance-week-95", "95", None, "2"),
    ("2010-hv", "unbalance-week-95", "95", None, "2"),
    ("2010-lv", "thd-week-95", "95", None, "8"),
    ("2010-mv", "thd-week-95", "95", None, "8"),
]


@pytest.mark.parametrize(("name", "rule_id", "percent", "low", "high"), MAIN)
def test_en_50160_main_rows(name: str, rule_id: str, percent: str | None, low: str | None, high: str | None) -> None:
    rule = rule_of(load_table(f"en50160-{name}"), rule_id)
    assert rule.statistic.kind == ("share_within" if percent else "all_within")
    assert rule.statistic.percent == Decimal(percent or 100)
    row = row_at(rule)
    assert (row.low, row.high) == (None if low is None else Decimal(low), None if high is None else Decimal(high))


def test_mv_voltage_rules_of_both_editions() -> None:
    """From 2010 each side has its own 99 %, and all values a band; in 2007 only remote users and islands have one."""
    ids = [
        [rule.id for rule in load_table(f"en50160-{y}-mv").rules if rule.quantity == "voltage"] for y in (2007, 2010)
    ]
    assert ids == [["voltage-week-95", "voltage-all"], ["voltage-week-99-high", "voltage-week-99-low", "voltage-all"]]


@pytest.mark.parametrize(
    ("user", "network", "high"),
    [
        ("ordinary", "interconnected", "115"),
        ("remote", "interconnected", "110"),
        ("ordinary", "island", "110"),
        ("remote", "island", "110"),
    ],
)
def test_mv_all_values(user: str, network: str, high: str) -> None:
    """+-15 % for all values; +10/-15 % of a remote user or an island (recalled), which 2007 limits alone."""
    chosen = {"option_user": user, "option_network": network}
    row = row_at(rule_of(load_table("en50160-2010-mv"), "voltage-all"), **chosen)
    assert (row.low, row.high) == (85, Decimal(high))
    old = row_at(rule_of(load_table("en50160-2007-mv"), "voltage-all"), **chosen)
    assert old.no_limit if high == "115" else (old.low, old.high) == (85, 110)


def test_table_numbers_of_medium_and_high_voltage() -> None:
    clauses = {
        level: {rule.id: rule.clause for rule in (*table.rules, *table.event_rules)}
        for level in ("lv", "mv", "hv")
        for table in (load_table(f"en50160-2010-{level}"),)
    }
    numbers = [
        clauses[level][rule].partition("Table ")[2]
        for level in ("lv", "mv", "hv")
        for rule in ("harmonics-week-95", "dips", "swells")
    ]
    assert numbers == ["1", "2", "3", "4", "5", "6", "7", "8", "9"]


def test_hv_sets_no_limit_for_voltage_thd_and_signalling_on_purpose() -> None:
    table = load_table("en50160-2010-hv")
    for rule_id in ("voltage", "thd-week-95", "signalling-day-99", "interharmonics"):
        rule = rule_of(table, rule_id)
        assert rule.statistic.kind == "report_only" and all(row.no_limit for row in rule.rows)


def test_the_signalling_curve() -> None:
    """EN 50160 Figure 1 (recalled): 9 % to 0.5 kHz, then log-log to 5 % at 1 kHz and 1 % at 95 kHz."""
    rule = rule_of(load_table("en50160-2010-lv"), "signalling-day-99")
    assert (rule.interval_s, rule.period.length, rule.statistic.percent) == (3, "day", 99)
    points = rule.rows[0].hertz
    for hertz, limit in (("100", "9"), ("317", "9"), ("500", "9"), ("1000", "5"), ("10000", "5"), ("95000", "1")):
        assert on_curve(points, Decimal(hertz)) == Decimal(limit)
    # Halfway on both logarithms between (500, 9) and (1000, 5): sqrt(500 x 1000) Hz, sqrt(9 x 5) %.
    middle = on_curve(points, Decimal(500_000).sqrt())
    assert middle is not None and abs(middle - Decimal(45).sqrt()) < Decimal("1e-9")
    assert on_curve(points, Decimal(99)) is None and on_curve(points, Decimal(95001)) is None


@pytest.mark.parametrize(
    ("network", "expected"),
    [
        ("interconnected", {"frequency-year-99.5", "frequency-all"}),
        ("island", {"frequency-island-week-95", "frequency-island-all"}),
    ],
)
def test_an_island_has_its_own_frequency_limits(network: str, expected: set[str]) -> None:
    table = load_table("en50160-2010-lv")
    found = {
        rule.id
        for rule in table.rules
        if rule.quantity == "frequency"
        and all(network in one.values for one in rule.applies_if if one.fact == "option:network")
    }
    assert found == expected


# IEC 61000-2-2:2002, values of the formulas and of k (derived).
@pytest.mark.parametrize("table", ["iec61000-2-2-2002", "iec61000-2-12-2003"])
@pytest.mark.parametrize(
    ("order", "limit"),
    [
        (17, "2.000"),
        (19, "1.761"),
        (23, "1.408"),
        (25, "1.274"),
        (29, "1.061"),
        (31, "0.975"),
        (35, "0.833"),
        (37, "0.773"),
        (41, "0.671"),
        (43, "0.627"),
        (47, "0.551"),
        (49, "0.518"),
        (10, "0.500"),
        (12, "0.458"),
        (14, "0.429"),
        (16, "0.406"),
        (18, "0.389"),
        (20, "0.375"),
        (22, "0.364"),
        (24, "0.354"),
        (30, "0.333"),
        (40, "0.313"),
        (50, "0.300"),
        (5, "6"),
        (7, "5"),
        (11, "3.5"),
        (13, "3"),
        (3, "5"),
        (9, "1.5"),
        (15, "0.4"),
        (21, "0.3"),
        (27, "0.2"),
        (45, "0.2"),
        (2, "2"),
        (4, "1"),
        (6, "0.5"),
        (8, "0.5"),
    ],
)
def test_compatibility_levels(table: str, order: int, limit: str) -> None:
    high = high_at(rule_of(load_table(table), "harmonics-week-95"), order)
    assert high is not None and abs(high - Decimal(limit)) <= Decimal("0.0005")


@pytest.mark.parametrize(
    ("order", "k"),
    [
        (2, "1.2533"),
        (3, "1.2689"),
        (5, "1.3000"),
        (7, "1.3311"),
        (11, "1.3933"),
        (13, "1.4244"),
        (25, "1.6111"),
        (49, "1.9844"),
    ],
)
def test_the_very_short_time_factor(order: int, k: str) -> None:
    table = load_table("iec61000-2-2-2002")
    week, day = (high_at(rule_of(table, f"harmonics-{name}"), order) for name in ("week-95", "day-99"))
    assert week is not None and day is not None and round(day / week, 4) == Decimal(k)


def test_plt_is_0_8_here_and_1_there() -> None:
    """Worked vector V8 (derived): 11 x 0.5 and 1 x 1.8 give Plt 0.8437, a pass of EN 50160, a fail of IEC 61000-2-2."""
    plt = ((11 * 0.5**3 + 1.8**3) / 12) ** (1 / 3)
    assert round(plt, 4) == 0.8437
    assert high_at(rule_of(load_table("en50160-2010-lv"), "plt-week-95")) == 1
    assert high_at(rule_of(load_table("iec61000-2-2-2002"), "plt-week-95")) == Decimal("0.8")


# IEC 61000-2-4:2002 (recalled): classes 1, 2, 3; class 3 formula values derived.
CLASSES = """
5 3 6 8
7 3 5 7
11 3 3.5 5
13 3 3 4.5
17 2 2 4
19 1.761 1.761 3.526
23 1.408 1.408 2.826
25 1.274 1.274 2.560
49 0.518 0.518 1.061
3 3 5 6
9 1.5 1.5 2.5
15 0.3 0.4 2
21 0.2 0.3 1.75
45 0.2 0.2 1
2 2 2 3
4 1 1 1.5
10 0.5 0.5 1
50 0.3 0.3 1
"""


@pytest.mark.parametrize("text", CLASSES.strip().splitlines())
def test_industrial_classes(text: str) -> None:
    order, *limits = text.split()
    for number, limit in enumerate(limits, start=1):
        rule = rule_of(load_table(f"iec61000-2-4-2002-class{number}"), "harmonics-week-95")
        high = high_at(rule, int(order))
        assert high is not None and abs(high - Decimal(limit)) <= Decimal("0.0005")
        assert "convention" in (rule.convention or "")


def test_industrial_class_3_and_the_isolated_network() -> None:
    table = load_table("iec61000-2-4-2002-class3")
    voltage = row_at(rule_of(table, "voltage-week-95"))
    assert (voltage.low, voltage.high) == (85, 110)
    assert high_at(rule_of(table, "thd-week-95")) == 10 and high_at(rule_of(table, "unbalance-week-95")) == 3
    isolated = row_at(rule_of(table, "frequency-isolated-week-95"))
    assert (isolated.low, isolated.high) == (48, 52)


# IEC/TR 61000-3-6:2008 formula values (derived): MV, HV.
@pytest.mark.parametrize(
    ("order", "mv", "hv"),
    [
        (17, "1.700", "1.200"),
        (19, "1.500", "1.074"),
        (23, "1.204", "0.887"),
        (25, "1.092", "0.816"),
        (49, "0.459", "0.416"),
        (5, "5", "2"),
        (3, "4", "2"),
        (2, "1.8", "1.4"),
        (21, "0.2", "0.2"),
    ],
)
def test_planning_levels(order: int, mv: str, hv: str) -> None:
    for level, limit in (("mv", mv), ("hv", hv)):
        high = high_at(rule_of(load_table(f"iec61000-3-6-2008-{level}"), "harmonics-week-95"), order)
        assert high is not None and abs(high - Decimal(limit)) <= Decimal("0.0005")


def test_poland_carries_the_planning_levels_of_1996() -> None:
    """The Polish regulation of 2007 reproduces 2/2/1.5/1.5/1/1/0.7 for orders 5, 7, 11, 13, 17, 19, 23."""
    rules = [rule_of(load_table(name), "harmonics-week-95") for name in ("pl-2007-hv", "iec61000-3-6-1996-hv")]
    for order, limit in zip((5, 7, 11, 13, 17, 19, 23), ["2", "2", "1.5", "1.5", "1", "1", "0.7"], strict=True):
        assert [high_at(rule, order) for rule in rules] == [Decimal(limit)] * 2
    rest = rule_of(load_table("pl-2007-hv"), "harmonics-not-shown")
    assert not rows_at(rules[0], 25) and row_at(rest, 25).no_limit and rest.not_held, "not at hand is not free"
    covered = sorted(order for rule in (rules[0], rest) for row in rule.rows for order in row.orders or ())
    assert covered == list(range(2, 51))


def test_poland_changed_its_law_in_2023() -> None:
    """Dz.U. 2023 poz. 819, in force from 2023-05-13: frequency, voltage, flicker and unbalance as in 2007."""
    old, new = load_table("pl-2007-hv"), load_table("pl-2023-hv")
    assert (old.effective_to, new.effective_from) == ("2023-05-12", "2023-05-13")
    for table in (old, new):
        shown = {rule.id: (row.low, row.high) for rule in table.rules for row in rule.rows[:1]}
        assert shown["frequency-week-99.5"] == (99, 101) and shown["frequency-all"] == (94, 104)
        assert shown["plt-week-95"] == (None, Decimal("0.8")) and shown["unbalance-week-95"] == (None, 1)
    assert {rule.id for rule in old.rules if rule.not_held} == {"thd-week-95", "harmonics-not-shown"}
    assert {rule.id for rule in new.rules if rule.not_held} == {"thd-week-95", "harmonics-week-95"}


def test_poland_voltage_is_asymmetric_at_400_kv() -> None:
    """Worked example P6 (derived): 360 to 420 kV for 95 % of the week; +-10 % at 110 and 220 kV."""
    rule = rule_of(load_table("pl-2007-hv"), "voltage-week-95")
    bands = {kv: row_at(rule, nominal_voltage=str(kv * 1000)) for kv in (110, 220, 400)}
    assert [(row.low, row.high) for row in bands.values()] == [(90, 110), (90, 110), (90, 105)]
    assert [400 * side / 100 for side in (bands[400].low, bands[400].high) if side] == [360, 420]


def test_spain() -> None:
    """Worked example P1: 230 V +-7 % is 213.9 to 246.1 V; 95 % of the 10 min means of a week."""
    table = load_table("es-rd1955-2000-lv")
    row = row_at(rule_of(table, "voltage-week-95"))
    assert [230 * side / 100 for side in (row.low, row.high) if side] == [Decimal("213.9"), Decimal("246.1")]
    assert table.base == "en50160-2010-lv"
    # Article 100.5: an interruption is a voltage not above 10 % of the declared one.
    assert (table.interruption_below_percent, table.interruption_closed) == (10, True)
    law = rule_of(table, "voltage-statutory")
    assert law.time_criterion is not None and (law.statistic.kind, law.period.length) == ("all_within", "recording")
    assert (law.clause, row_at(law).low, row_at(law).high) == ("art. 104.3", 93, 107)


# Rules that EN 50160 has and for which these laws have their own, whose values are not at hand.
OWN = {
    "no-fol-lv": {"frequency-year-99.5", "frequency-all", "plt-week-95", "unbalance-week-95", "harmonics-week-95",
                  "thd-week-95"},
    "se-eifs-2023-3-lv": {"plt-week-95", "unbalance-week-95", "harmonics-week-95", "thd-week-95"},
    "nl-netcode-lv": {"harmonics-week-99.9"},
}  # fmt: skip


@pytest.mark.parametrize("name", OWN)
def test_a_rule_of_the_law_that_the_table_does_not_hold_is_reported(name: str) -> None:
    table = load_table(name)
    assert {rule.id for rule in table.rules if rule.not_held} == OWN[name]
    for rule in table.rules:
        if rule.not_held:
            assert rule.statistic.kind == "report_only" and "not in this table" in rule.not_held
            assert all(row.no_limit for row in rule.rows)


def test_norway_judges_one_minute_means() -> None:
    table = load_table("no-fol-lv")
    island = rule_of(table, "frequency-island-all")
    assert (island.statistic.kind, row_at(island).low, row_at(island).high) == ("all_within", 49, 51)
    rule = rule_of(table, "voltage-minute-all")
    assert (rule.interval_s, rule.statistic.kind, rule.rows[0].low, rule.rows[0].high) == (60, "all_within", 90, 110)
    assert [one.id for one in table.rules if one.quantity == "voltage"] == ["voltage-minute-all"]


def test_the_netherlands() -> None:
    """Netcode article 7.3: unbalance at most 3 % at all times, Plt at most 5, THD 12 % for 99.9 %, rolling Plt."""
    table = load_table("nl-netcode-lv")
    assert high_at(rule_of(table, "unbalance-all")) == 3 and high_at(rule_of(table, "plt-all")) == 5
    thd = rule_of(table, "thd-week-99.9")
    assert (thd.statistic.percent, thd.rows[0].high, thd.confidence) == (Decimal("99.9"), 12, "memory")
    assert rule_of(table, "plt-week-95").interval_s == 600
    assert high_at(rule_of(table, "harmonics-week-95"), 15) == 1
    assert high_at(rule_of(table, "harmonics-week-95"), 5) == 6, "orders that the overlay leaves alone stay"


def test_great_britain() -> None:
    """SI 2002/2665, regulation 27(3): 230 V +10/-6 % is 216.2 to 253.0 V; +-6 % below 132 kV, +-10 % from there."""
    row = row_at(rule_of(load_table("gb-esqc-lv"), "voltage-statutory"))
    assert [230 * side / 100 for side in (row.low, row.high) if side] == [Decimal("216.2"), 253]
    rule = rule_of(load_table("gb-esqc-hv"), "voltage-statutory")
    assert [row_at(rule, nominal_voltage=volts).high for volts in ("11000", "131999", "132000")] == [106, 106, 110]
    for name in ("gb-esqc-lv", "gb-esqc-hv"):
        (frequency,) = [one for one in load_table(name).rules if one.quantity == "frequency"]
        assert (frequency.statistic.kind, frequency.clause) == ("all_within", "regulation 27(3)(a)")
        assert (row_at(frequency).low, row_at(frequency).high) == (Decimal("49.5"), Decimal("50.5"))


def test_australia() -> None:
    """V1 % at least 216 V, V99 % at most 253 V; preferred median 225.4 to 243.8 V on 230 V, indicative."""
    table = load_table("au-as61000.3.100-2011")
    assert high_at(rule_of(table, "voltage-v99"), nominal="230 V") == 253
    assert row_at(rule_of(table, "voltage-v1"), nominal="400Y/230 V").low == 216
    median = [rule_of(table, f"voltage-median-{side}") for side in ("low", "high")]
    assert all(rule.indicative and rule.statistic.percent == 50 for rule in median)
    assert [230 * side / 100 for side in (median[0].rows[0].low, median[1].rows[0].high) if side] == [
        Decimal("225.4"), Decimal("243.8")]  # fmt: skip


def test_sweden_has_an_effective_date() -> None:
    assert load_table("se-eifs-2023-3-lv").effective_from == "2024-01-01"


# IEEE 1547-2018 Tables 26 and 27: odd bands from an earlier product-safety table, even orders from memory.
@pytest.mark.parametrize(
    ("order", "limit"),
    [
        (3, "4.0"),
        (9, "4.0"),
        (11, "2.0"),
        (15, "2.0"),
        (17, "1.5"),
        (21, "1.5"),
        (23, "0.6"),
        (33, "0.6"),
        (35, "0.3"),
        (49, "0.3"),
        (2, "1.0"),
        (4, "2.0"),
        (6, "3.0"),
        (8, "4.0"),
        (10, "4.0"),
        (12, "2.0"),
        (48, "0.3"),
    ],
)
def test_distributed_generation(order: int, limit: str) -> None:
    rule = rule_of(load_table("ieee1547-2018"), "current-harmonics")
    row = row_at(rule, order)
    assert (row.high, rule.reference) == (Decimal(limit), "rated_current")
    assert row.confidence == ("one source" if order % 2 else "memory")


def test_distributed_generation_in_total() -> None:
    table = load_table("ieee1547-2018")
    trd = rule_of(table, "trd")
    assert (trd.quantity, trd.rows[0].high, trd.reference) == ("current_trd", 5, "rated_current")
    assert row_at(rule_of(table, "current-harmonics"), 50).no_limit, "the tables stop below order 50"


@pytest.mark.parametrize(("volts", "limit"), [("20000", "1.8"), ("110000", "1.4"), ("400000", "0.8")])
def test_planning_levels_of_unbalance(volts: str, limit: str) -> None:
    assert high_at(rule_of(load_table("iec61000-3-13-2008"), "unbalance-week-95"), nominal_voltage=volts) == Decimal(
        limit
    )


@pytest.mark.parametrize(("volts", "pst", "plt"), [("20000", "0.9", "0.7"), ("110000", "0.8", "0.6")])
def test_planning_levels_of_flicker(volts: str, pst: str, plt: str) -> None:
    table = load_table("iec61000-3-7-2008")
    assert high_at(rule_of(table, "pst-week-95"), nominal_voltage=volts) == Decimal(pst)
    assert high_at(rule_of(table, "plt-week-95"), nominal_voltage=volts) == Decimal(plt)
