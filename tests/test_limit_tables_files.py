"""Finding, loading and refusing limit tables; overlays; what is read and what is imported."""

from __future__ import annotations

import copy
import hashlib
import json
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from pqcheck.limit_tables import CONFIDENCE, load_table
from pqcheck.limit_tables.load_limit_table import limits_folder, load, table_ids
from pqcheck.model.errors import LimitTableError
from tests.limit_rows import high_at, row_at, rule_of

FOLDER = Path(__file__).resolve().parent.parent / "limits"
SCHEMA = json.loads((FOLDER / "limit_table.schema.json").read_bytes())
PUBLISHED = ("ansi-c84.1-2016", "ansi-c84.1-2020", "ieee519-2014", "ieee519-2022", "en50160-2010-lv", "en50160-2010-mv")


def test_the_ids_of_the_contract_are_there() -> None:
    assert set(PUBLISHED) <= set(table_ids())


def test_the_schema_is_a_schema_and_never_says_one_of() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert "oneOf" not in json.dumps(SCHEMA)


def objects(schema: Any) -> list[dict[str, Any]]:
    found = [schema] if isinstance(schema, dict) and "properties" in schema and "type" in schema else []
    children = schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ()
    return found + [one for child in children for one in objects(child)]


def test_no_object_of_the_schema_takes_unknown_keys() -> None:
    assert all(one.get("additionalProperties") is False for one in objects(SCHEMA))


@pytest.mark.parametrize("table_id", table_ids())
def test_every_shipped_table_holds_together(table_id: str) -> None:
    written = json.loads((FOLDER / f"{table_id}.json").read_bytes())
    jsonschema.Draft202012Validator(SCHEMA).validate(written)
    table = load(table_id, check_shipped=True)
    assert table.id == table_id == written["id"]
    assert table.source and table.standard and table.edition
    assert table.rules or table.event_rules or table.load_rules
    for rule in table.rules:
        assert rule.clause and rule.confidence in CONFIDENCE
        assert all(row.clause and row.confidence in CONFIDENCE for row in rule.rows)
        assert all(one.reason.endswith(".") for one in rule.applies_if)


@pytest.mark.parametrize("table_id", table_ids())
def test_no_row_is_marked_better_than_what_it_rests_on(table_id: str) -> None:
    for rule in load(table_id).rules:
        for row in rule.rows:
            assert CONFIDENCE.index(row.confidence or "") >= CONFIDENCE.index(rule.confidence)
            if rule.factor_confidence:
                assert CONFIDENCE.index(row.confidence or "") >= CONFIDENCE.index(rule.factor_confidence)


def test_the_checksum_is_that_of_the_file() -> None:
    data = (FOLDER / "en50160-2010-lv.json").read_bytes()
    assert load("en50160-2010-lv").sha256 == hashlib.sha256(data).hexdigest()


def test_the_checksum_of_an_overlay_covers_its_base() -> None:
    data = (FOLDER / "en50160-2010-lv.json").read_bytes() + (FOLDER / "no-fol-lv.json").read_bytes()
    assert load("no-fol-lv").sha256 == hashlib.sha256(data).hexdigest()


def test_an_unknown_id_names_the_nearest() -> None:
    with pytest.raises(LimitTableError, match=r"no limit table 'ieee519-2015'.*did you mean 'ieee519-201"):
        load("ieee519-2015")


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(LimitTableError, match=r"nowhere/house\.json cannot be read \(No such file"):
        load("nowhere/house.json")


def test_only_the_table_asked_for_is_read() -> None:
    code = (
        "import sys\n"
        "opened = []\n"
        "sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == 'open' else None)\n"
        "from pqcheck.limit_tables import load_table\n"
        "load_table('es-rd1955-2000-lv')\n"
        "print(sorted(name.replace(chr(92), '/').rsplit('/', 1)[1] for name in opened if name.endswith('.json')))\n"
        "heavy = {'jsonschema', 'numpy', 'pandas', 'pint', 'pyarrow', 'tabulate', 'scipy'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=FOLDER.parent)
    assert done.stdout.splitlines() == ["['en50160-2010-lv.json', 'es-rd1955-2000-lv.json']", "[]"]


def test_a_folder_called_limits_counts_only_with_the_marker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import pqcheck.limit_tables.load_limit_table as files

    package = tmp_path / "pqcheck"
    (package / "limits").mkdir(parents=True)
    monkeypatch.setattr(files, "__file__", str(package / "limit_tables" / "files.py"))
    with pytest.raises(LimitTableError, match="install pqcheck again"):
        limits_folder()
    beside = tmp_path / "limits"
    beside.mkdir()
    (beside / files.MARKER).write_text("{}")
    assert limits_folder() == beside
    (package / "limits" / files.MARKER).write_text("{}")
    assert limits_folder() == package / "limits"


# A table and an overlay of one's own.

HOUSE: dict[str, Any] = {
    "format": "pqcheck-limit-table/1",
    "id": "house",
    "standard": "House rule 7",
    "edition": "2031",
    "title": "House rule 7, plant voltage",
    "source": "invented for this test",
    "options": {"line": {"values": ["old", "new"], "meaning": "which production line"}},
    "nominals": [{"designation": "400 V", "connections": ["wye"], "line_to_line": 400, "line_to_neutral": 230}],
    "rules": [
        {
            "id": "voltage",
            "title": "Voltage",
            "clause": "1",
            "confidence": "one source",
            "quantity": "voltage",
            "interval": "10 min",
            "period": "week",
            "statistic": {"kind": "share_within", "percent": "99"},
            "reference": "nominal",
            "comparison": "closed",
            "limit": {"kind": "band", "low": 95.5, "high": "106"},
        },
        {
            "id": "harmonics",
            "title": "Harmonics",
            "clause": "2",
            "confidence": "memory",
            "quantity": "voltage_harmonic",
            "interval": "3 s",
            "period": "day",
            "statistic": {"kind": "count_at_most", "count": 3},
            "reference": "fundamental",
            "comparison": "strict",
            "limit": {
                "kind": "by_order",
                "orders": [{"orders": [3, 5], "high": "2"}, {"orders": {"from": 7, "to": 9}, "high": "1"}],
            },
        },
        {
            "id": "selected",
            "title": "Voltage by level",
            "clause": "3",
            "confidence": "memory",
            "quantity": "voltage",
            "interval": "1 min",
            "period": "day",
            "statistic": {"kind": "longest_run_at_most", "duration": "5 min"},
            "reference": "nominal",
            "comparison": "closed",
            "limit": {
                "kind": "selected_band",
                "over": [{"fact": "nominal_voltage", "in": "(0, 1000]"}],
                "rows": [
                    {"where": [{"fact": "nominal_voltage", "in": "(0, 400)"}], "low": "90"},
                    {"where": [{"fact": "nominal_voltage", "in": "[400, 1000]"}], "low": "92"},
                ],
            },
        },
        {
            "id": "volts",
            "title": "Volts by nominal",
            "clause": "4",
            "confidence": "memory",
            "quantity": "voltage",
            "interval": "10 min",
            "period": "recording",
            "statistic": {"kind": "all_within"},
            "reference": "none",
            "unit": "V",
            "comparison": "closed",
            "limit": {
                "kind": "by_nominal",
                "rows": [{"nominal": "400 V", "line_to_neutral": {"low": 215, "high": 250}}],
            },
        },
    ],
}


def written(tmp_path: Path, document: Any, name: str = "house.json") -> str:
    path = tmp_path / name
    path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
    return str(path)


def test_what_editors_and_people_write_besides(tmp_path: Path) -> None:
    document = copy.deepcopy(HOUSE) | {"$schema": "limit_table.schema.json", "comment": "agreed in March"}
    document["rules"][0] |= {"comment": "see the minutes", "coverage_percent": "90%"}
    document["rules"][0]["statistic"]["percent"] = "99 %"
    voltage = rule_of(load(written(tmp_path, document)), "voltage")
    assert (voltage.statistic.percent, voltage.coverage_percent) == (99, 90)
    document["rules"][0]["limit"]["low"] = "95 %"
    with pytest.raises(LimitTableError, match=r"limit\.low: '95 %' is not written as expected"):
        load(written(tmp_path, document))


def test_what_names_a_table(tmp_path: Path) -> None:
    assert load_table(Path(written(tmp_path, HOUSE))).id == "house"
    for wrong in (None, HOUSE, 7):
        with pytest.raises(LimitTableError, match="is named by its id or path, and a"):
            load_table(wrong)  # type: ignore[arg-type]


def test_a_table_of_ones_own_works_by_path(tmp_path: Path) -> None:
    table = load(written(tmp_path, HOUSE))
    voltage = rule_of(table, "voltage").rows[0]
    assert (voltage.low, voltage.high) == (Decimal("95.5"), 106), "a JSON number is an exact decimal too"
    assert high_at(rule_of(table, "harmonics"), 8) == 1
    assert rule_of(table, "harmonics").strict
    assert row_at(rule_of(table, "selected"), nominal_voltage="399.9").low == 90
    assert rule_of(table, "selected").statistic.duration_s == 300


OVERLAY: dict[str, Any] = {
    **{key: HOUSE[key] for key in ("format", "standard", "edition", "title", "source")},
    "id": "stricter",
    "overlay_of": "house.json",
    "effective_from": "2031-01-01",
    "changes": {"voltage": {"limit": {"kind": "band", "low": "97"}, "confidence": "memory"}},
    "order_changes": {"harmonics": [{"orders": [8], "high": "0.5"}]},
    "removes": ["volts"],
    "adds": [{**HOUSE["rules"][0], "id": "voltage-all", "statistic": {"kind": "all_within"}}],
}


def test_an_overlay_of_ones_own(tmp_path: Path) -> None:
    written(tmp_path, HOUSE)
    table = load(written(tmp_path, OVERLAY, "stricter.json"))
    assert [rule.id for rule in table.rules] == ["voltage", "harmonics", "selected", "voltage-all"]
    assert (table.base, table.effective_from) == ("house", "2031-01-01")
    voltage = rule_of(table, "voltage")
    assert (voltage.rows[0].low, voltage.rows[0].high, voltage.rows[0].confidence) == (97, None, "memory")
    harmonics = rule_of(table, "harmonics")
    assert [high_at(harmonics, order) for order in (3, 7, 8, 9)] == [2, 1, Decimal("0.5"), 1]


def test_an_overlay_of_a_shipped_table(tmp_path: Path) -> None:
    overlay = {**OVERLAY, "overlay_of": "en50160-2010-lv", "removes": [], "order_changes": {}, "adds": [],
               "changes": {"voltage-week-95": {"limit": {"kind": "band", "low": "95", "high": "105"}}}}  # fmt: skip
    table = load(written(tmp_path, overlay))
    assert rule_of(table, "voltage-week-95").rows[0].low == 95
    assert rule_of(table, "voltage-all").rows[0].low == 85


Change = Callable[[dict[str, Any]], Any]


def rule(document: dict[str, Any], index: int) -> dict[str, Any]:
    found: dict[str, Any] = document["rules"][index]
    return found


BAD: list[tuple[str, Change, str]] = [
    (
        "unknown statistic",
        lambda d: rule(d, 0)["statistic"].update(kind="share_inside"),
        r"rules\[0\]\.statistic\.kind: 'share_inside' is not one of .*did you mean 'share_within'\?$",
    ),
    ("no clause", lambda d: rule(d, 1).pop("clause"), r"rules\[1\]: 'clause' is missing; add it\.$"),
    (
        "unit that does not fit",
        lambda d: rule(d, 3).update(unit="A"),
        r"rules\[3\]\.unit: the unit 'A' does not fit voltage; its limits are written in 'V'\.$",
    ),
    ("unit with a percentage", lambda d: rule(d, 0).update(unit="V"), r"rules\[0\]: the keys .* do not go together"),
    (
        "order 51",
        lambda d: rule(d, 1)["limit"]["orders"][0].update(orders=[51]),
        r"rules\[1\]\.limit\.orders\[0\]\.orders: the order 51 lies outside 1 to 50\.$",
    ),
    (
        "order 0",
        lambda d: rule(d, 1)["limit"]["orders"][1].update(orders={"from": 0, "to": 9}),
        r"rules\[1\]\.limit\.orders\[1\]\.orders: the order 0 lies outside 1 to 50\.$",
    ),
    (
        "order twice",
        lambda d: rule(d, 1)["limit"]["orders"][1].update(orders=[5]),
        r"rules\[1\]\.limit\.orders\[1\]\.orders: the order 5 is already in .*orders\[0\]",
    ),
    (
        "overlapping selectors",
        lambda d: rule(d, 2)["limit"]["rows"][0]["where"][0].update({"in": "(0, 400]"}),
        r"rules\[2\]\.limit\.rows: .*rows\[0\] and .*rows\[1\] both cover nominal_voltage = 400;",
    ),
    (
        "gap in selectors",
        lambda d: rule(d, 2)["limit"]["rows"][1]["where"][0].update({"in": "(400, 1000]"}),
        r"rules\[2\]\.limit\.rows: no row covers nominal_voltage = 400;",
    ),
    (
        "selector outside its domain",
        lambda d: rule(d, 2)["limit"]["over"][0].update(fact="short_circuit_ratio"),
        r"nominal_voltage is not in the domain under 'over'",
    ),
    (
        "low above high",
        lambda d: rule(d, 0)["limit"].update(low="107"),
        r"rules\[0\]\.limit: low \(107\) must lie below high \(106\)\.$",
    ),
    ("id twice", lambda d: rule(d, 1).update(id="voltage"), r"rules\[1\]\.id: the id 'voltage' is there twice"),
    (
        "interval that does not divide",
        lambda d: rule(d, 0).update(interval="11 min"),
        r"rules\[0\]\.interval: an interval of 11 min does not divide the week into whole parts\.$",
    ),
    (
        "interval in words",
        lambda d: rule(d, 0).update(interval="ten minutes"),
        r"rules\[0\]\.interval: 'ten minutes' is not written as expected: a duration such as 10 min",
    ),
    (
        "run that is no multiple",
        lambda d: rule(d, 2)["statistic"].update(duration="90 s"),
        r"rules\[2\]\.statistic\.duration: 90 s is not a whole number of intervals of 1 min\.$",
    ),
    ("percent above 100", lambda d: rule(d, 0)["statistic"].update(percent=101), r"statistic\.percent: 101 is not"),
    (
        "unknown quantity",
        lambda d: rule(d, 0).update(quantity="volts"),
        r"rules\[0\]\.quantity: there is no quantity 'volts'",
    ),
    (
        "reference that does not fit",
        lambda d: rule(d, 0).update(reference="fundamental"),
        r"rules\[0\]\.reference: voltage is not given in percent of fundamental; expected: nominal, none\.$",
    ),
    (
        "orders of a quantity without",
        lambda d: rule(d, 0).update(limit=rule(d, 1)["limit"]),
        r"rules\[0\]\.limit\.kind: 'by_order' does not suit voltage",
    ),
    (
        "band of a harmonic",
        lambda d: rule(d, 1).update(limit=rule(d, 0)["limit"]),
        r"rules\[1\]\.limit\.kind: 'band' does not suit voltage_harmonic; it needs limits by order\.$",
    ),
    (
        "unknown key",
        lambda d: rule(d, 0).update(clauze="1"),
        r"rules\[0\]: the key 'clauze' is not known here; did you mean 'clause'\?$",
    ),
    ("key of another kind", lambda d: rule(d, 0)["limit"].update(points=[]), r"rules\[0\]\.limit"),
    (
        "unknown confidence",
        lambda d: rule(d, 0).update(confidence="certain"),
        r"rules\[0\]\.confidence: 'certain' is not one of",
    ),
    (
        "unknown option",
        lambda d: rule(d, 0).update(applies_if=[{"fact": "option:lime", "is": ["old"], "reason": "No."}]),
        r"applies_if\[0\]\.fact: the option 'lime' is not declared under 'options'; did you mean 'line'\?$",
    ),
    (
        "unknown value of an option",
        lambda d: rule(d, 0).update(applies_if=[{"fact": "option:line", "is": ["odl"], "reason": "No."}]),
        r"applies_if\[0\]\.is: 'odl' is not a value of option:line",
    ),
    (
        "empty span",
        lambda d: rule(d, 2)["limit"]["over"][0].update({"in": "[5, 5)"}),
        r"the span \[5, 5\) holds no value",
    ),
    (
        "condition without a reason",
        lambda d: rule(d, 0).update(applies_if=[{"fact": "is_pcc", "is": ["true"]}]),
        r"rules\[0\]\.applies_if\[0\]: 'reason' is missing",
    ),
    (
        "unknown nominal",
        lambda d: rule(d, 3)["limit"]["rows"][0].update(nominal="410 V"),
        r"rules\[3\]\.limit\.rows\[0\]\.nominal: '410 V' is not under 'nominals'; did you mean '400 V'\?$",
    ),
    ("nominal without that line", lambda d: d["nominals"][0].pop("line_to_neutral"), r"has no line-to-neutral voltage"),
    (
        "time criterion of a share",
        lambda d: rule(d, 0).update(time_criterion={"range": "A", "outside": "fail", "shortest_pass": "7 d"}),
        r"rules\[0\]\.time_criterion: .*needs the statistic 'all_within' and the period 'recording'",
    ),
    (
        "dates the wrong way round",
        lambda d: d.update(effective_from="2031-02-01", effective_to="2031-01-01"),
        r"effective_to: 2031-01-01 lies before effective_from",
    ),
    (
        "date that does not exist",
        lambda d: d.update(effective_from="2031-02-30"),
        r"effective_from: '2031-02-30' is not a date",
    ),
    ("id with a blank", lambda d: d.update(id="my table"), r"id: 'my table' is not written as expected: small letters"),
    ("no rules", lambda d: d.pop("rules"), r"the table: one of .rules., .event_rules.*is needed"),
    ("a list", lambda d: [], r"the table: a list is not of the kind expected here: object"),
]


@pytest.mark.parametrize(
    ("change", "message"), [pytest.param(change, message, id=name) for name, change, message in BAD]
)
def test_bad_input_is_refused_with_its_place(tmp_path: Path, change: Change, message: str) -> None:
    document = copy.deepcopy(HOUSE)
    changed = change(document)
    with pytest.raises(LimitTableError, match=message) as refused:
        load(written(tmp_path, changed if changed == [] else document))
    text = str(refused.value)
    assert text.startswith("house.json: ") and text[-1] in ".?" and "\n" not in text and ".." not in text
    assert "{" not in text and "Decimal" not in text


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", '"NaN"', '"1e3"', "null", "true"])
def test_only_numbers_are_limits(tmp_path: Path, text: str) -> None:
    document = json.dumps(HOUSE).replace("95.5", text)
    with pytest.raises(LimitTableError, match=r"^house\.json: rules\[0\]\.limit\.low: "):
        load(written(tmp_path, document))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "this is not a JSON file"),
        ("", "this is not a JSON file"),
        ('{"id": "a", "id": "b"}', "the key 'id' is written twice"),
    ],
)
def test_files_that_are_no_json(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(LimitTableError, match=message):
        load(written(tmp_path, text))


BAD_OVERLAYS: list[tuple[str, dict[str, Any], str]] = [
    ("missing base", {"overlay_of": "en50160-2011-lv"}, r"no base table 'en50160-2011-lv'.*did you mean 'en50160-201"),
    ("missing file", {"overlay_of": "other.json"}, r"no base table 'other\.json'"),
    (
        "overlay of an overlay",
        {"overlay_of": "no-fol-lv", "changes": {}, "removes": [], "order_changes": {}},
        r"'no-fol-lv' is itself an overlay; name its base 'en50160-2010-lv' instead\.$",
    ),
    (
        "unknown rule",
        {"changes": {"voltages": {}}},
        r"changes: the base 'house' has no rule 'voltages'; did you mean 'voltage'\?$",
    ),
    ("unknown rule removed", {"removes": ["volt"]}, r"removes: the base 'house' has no rule 'volt'"),
    (
        "added id that exists",
        {"adds": [HOUSE["rules"][0]]},
        r"adds\[0\]\.id: the base 'house' has a rule 'voltage' already",
    ),
    ("id changed", {"changes": {"voltage": {"id": "other"}}}, r"changes\.voltage\.id: a rule keeps its id"),
    (
        "orders of a band",
        {"order_changes": {"voltage": [{"orders": [5], "high": 1}]}},
        r"only a rule whose limit is of kind 'by_order'",
    ),
    ("rules beside overlay_of", {"rules": HOUSE["rules"]}, r"the keys .* do not go together here"),
    (
        "change that does not hold",
        {"changes": {"voltage": {"limit": {"kind": "band", "low": 107, "high": 106}}}},
        r"changes\.voltage\.limit: low \(107\) must lie below high",
    ),
    (
        "added rule that does not hold",
        {"adds": [{**HOUSE["rules"][0], "id": "new", "quantity": "volts"}]},
        r"adds\[0\]\.quantity: there is no quantity 'volts'",
    ),
]


@pytest.mark.parametrize(
    ("change", "message"), [pytest.param(change, message, id=name) for name, change, message in BAD_OVERLAYS]
)
def test_bad_overlays_are_refused(tmp_path: Path, change: dict[str, Any], message: str) -> None:
    written(tmp_path, HOUSE)
    with pytest.raises(LimitTableError, match=message):
        load(written(tmp_path, {**OVERLAY, **change}, "stricter.json"))


def test_a_shared_limit_is_found_by_name(tmp_path: Path) -> None:
    document = copy.deepcopy(HOUSE)
    document["shared_limits"] = {"narrow": {"kind": "band", "low": "98"}}
    document["rules"][0]["limit"] = {"kind": "shared", "name": "narrow"}
    assert rule_of(load(written(tmp_path, document)), "voltage").rows[0].low == 98
    document["rules"][0]["limit"]["name"] = "narow"
    with pytest.raises(LimitTableError, match=r"no shared limit 'narow'; did you mean 'narrow'\?$"):
        load(written(tmp_path, document))


@pytest.mark.parametrize(
    ("rises", "message"),
    [
        ([(100, 9), (100, 5)], r"points\[1\]\.hertz: the points must rise"),
        ([(0, 9), (100, 5)], r"points\[0\]\.hertz: the points must rise from one to the next and lie above 0"),
        ([(100, 9), (200, 0)], r"points\[1\]: 0 is not above 0"),
    ],
)
def test_curves_rise(tmp_path: Path, rises: list[tuple[int, int]], message: str) -> None:
    document = copy.deepcopy(HOUSE)
    points = [{"hertz": hertz, "high": high} for hertz, high in rises]
    document["rules"][0] |= {
        "quantity": "signalling_voltage",
        "limit": {"kind": "curve", "points": points, "interpolation": "log-log"},
    }
    with pytest.raises(LimitTableError, match=message):
        load(written(tmp_path, document))
