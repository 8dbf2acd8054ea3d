"""The site file: what is accepted, what it means, and the sentence for what is not."""

from __future__ import annotations

import copy
import json
import re
import tomllib
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.model.errors import SiteError
from pqcheck.site.load_site import load_site, site_from
from pqcheck.site.site_structure import check_structure, site_schema
from pqcheck.site.site_values import Generation, Site

# Every section and key of the site file, each with a value that means something.
FULL = """
name = "Heron Wharf cold store, main switchboard"
time_zone = "Europe/Lisbon"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"
nominal_basis = "utility letter"

[pcc]
is_pcc = true
short_circuit_current = "12 kA"
short_circuit_current_min = "9 kA"
maximum_demand_current = "400 A"
maximum_demand_current_span = ["350 A", "450 A"]
demand_basis = "mean of 12 monthly maxima"
rated_current = "630 A"

[generation]
inverter_share_of_average_demand = "0 %"
facility = false

[recording]
stamp = "start"
interval = "10 min"
extremes_of = "200 ms"
delimiter = ";"
decimal = ","
time_columns = ["Date", "Time"]
day_first = true
[recording.columns]
"U L1-N" = "voltage.an [V]"

[instrument]
class = "A"
percent = 0.2
calibrated = 2030-06-01

[ratings]
service = "0.8 kA"
neutral = "400 A"
transformer = "630 kVA"
transformer_type = "dry"
transformer_eddy_loss = "8 %"

[[exclusions]]
from = 2031-03-04T10:00:00
to = 2031-03-04T12:20:00
reason = "supply interruption, utility outage log 118"
author = "site engineer"

[[corrections]]
kind = "reverse-current"
phase = "b"
reason = "clamp fitted against the arrow, photo 7"
author = "site engineer"

[[corrections]]
kind = "scale"
quantity = "current"
phases = ["a"]
factor = 10
reason = "ratio set to 1"
author = "site engineer"

[[corrections]]
kind = "shift-time"
by = "-1 h"
reason = "clock on summer time"
author = "site engineer"

[[corrections]]
kind = "swap-currents"
phases = ["a", "c"]
reason = "photo 8"
author = "site engineer"

[[corrections]]
kind = "trim"
from = 2031-03-03T00:00:00Z
reason = "leads fitted until then"
author = "site engineer"

[[criteria]]
table = "ansi-c84.1-2020"
range = "A"
at_least_percent = 95
period = "week"
policy_of = "the serving utility"

[coverage]
at_least_percent = "90 %"
policy_of = "the serving utility"

[limits]
apply = ["en50160-2010-lv", "tables/house.json"]
quantities = ["voltage"]
[limits.options]
neutral = "grounded"

[[reported]]
from = 2031-03-04T18:00:00
text = "lights dim"

[[spot_checks]]
at = 2031-03-04T10:42:00+00:00
channel = "voltage.an"
value = "0.2313 kV"

[[new_load]]
name = "two chargers"
count = 2
current = "80 A"
harmonics = {5 = "30 %", 7 = 12}

[scenario]
operating_point = "full load"

[report]
title = "Voltage at the main switchboard"
logo = "pictures/logo.svg"

[waivers]
file = "waivers.toml"
"""

MINIMAL: dict[str, Any] = {"name": "shed", "supply": {"nominal_voltage": "400 V", "connection": "wye"}}


def site(**sections: Any) -> Site:
    return site_from({**MINIMAL, **sections}, "shed.toml")


def refused(**sections: Any) -> str:
    with pytest.raises(SiteError) as caught:
        site(**sections)
    message = str(caught.value)
    assert message.startswith("shed.toml: ")
    assert "\n" not in message
    assert "  " not in message
    return message


def microseconds(*fields: int, offset: int = 0) -> int:
    moment = datetime(*fields, tzinfo=timezone(timedelta(hours=offset)))  # type: ignore[misc, arg-type]
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def test_a_full_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "heron.toml"
    path.write_text(FULL, encoding="utf-8")
    read = load_site(path)
    assert read.name == "Heron Wharf cold store, main switchboard"
    assert (read.supply.line_to_line, read.supply.line_to_neutral) == (400, 230)
    assert read.supply.frequency == 50
    assert read.pcc is not None
    assert read.pcc.short_circuit_current == Decimal(12000)
    assert read.pcc.maximum_demand_current_span == (350, 450)
    assert read.generation == Generation(declared=True, inverter_share=Decimal(0), facility=False)
    assert (read.recording.interval_us, read.recording.extremes_of_us) == (600_000_000, 200_000)
    assert read.recording.columns == {"U L1-N": "voltage.an [V]"}
    assert read.recording.more == {
        "delimiter": ";", "decimal": ",", "time_columns": ["Date", "Time"], "day_first": True
    }
    assert read.instrument["percent"] == Decimal("0.2")
    assert read.ratings["service"] == 800
    assert read.ratings["transformer"] == 630_000
    # Lisbon keeps UTC in winter.
    assert read.exclusions[0].from_us == microseconds(2031, 3, 4, 10)
    assert read.exclusions[0].to_us == microseconds(2031, 3, 4, 12, 20)
    assert [correction.settings for correction in read.corrections] == [
        {"phase": "b"},
        {"quantity": "current", "phases": ("a",), "factor": Decimal(10)},
        {"by_us": -3_600_000_000},
        {"phases": ("a", "c")},
        {"from_us": microseconds(2031, 3, 3), "to_us": None},
    ]
    assert read.criteria[0].at_least_percent == 95
    assert read.coverage is not None
    assert read.coverage.at_least_percent == 90
    assert read.apply == ("en50160-2010-lv", str(tmp_path / "tables/house.json"))
    assert read.reported[0] == {"from_us": microseconds(2031, 3, 4, 18), "to_us": None, "text": "lights dim"}
    assert (read.spot_checks[0]["value"], read.spot_checks[0]["unit"]) == (Decimal("231.3"), "V")
    assert read.new_load[0]["harmonics"] == {5: 30, 7: 12}
    assert read.report["logo"] == str(tmp_path / "pictures/logo.svg")


def test_what_is_declared_is_plain_and_free_of_folders(tmp_path: Path) -> None:
    path = tmp_path / "heron.toml"
    path.write_text(FULL, encoding="utf-8")
    declared = load_site(path).declared
    assert json.loads(json.dumps(declared, allow_nan=False)) == declared
    assert str(tmp_path) not in json.dumps(declared)
    assert declared["limits"]["apply"] == ["en50160-2010-lv", "house.json"]
    assert declared["report"]["logo"] == "logo.svg"
    assert declared["exclusions"][0]["from"] == "2031-03-04T10:00:00"
    assert declared["instrument"]["calibrated"] == "2030-06-01"
    assert site_from(declared, "heron.toml").supply == load_site(path).supply


# Partners: IEC 60038 table 1 and ANSI C84.1 table 1; otherwise U / sqrt(3), here with 10 digits.
@pytest.mark.parametrize(
    ("designation", "connection", "line_to_line", "line_to_neutral"),
    [
        ("208 V", "wye", "208", "120"),
        ("380 V", "wye", "380", "220"),
        ("400 V", "wye", "400", "230"),
        ("415 V", "wye", "415", "240"),
        ("480 V", "wye", "480", "277"),
        ("600 V", "wye", "600", "347"),
        ("690 V", "wye", "690", "400"),
        ("0.4 kV", "wye", "400", "230"),
        ("480Y/277 V", "wye", "480", "277"),
        ("208Y/120V", "wye", "208", "120"),
        ("120/208 V", "wye", "208", "120"),
        ("230/400 V", "wye", "400", "230"),
        ("12.47Y/7.2 kV", "wye", "12470", "7200"),
        ("4160Y/2400 V", "wye", "4160", "2400"),
        ("12.47 kV", "wye", "12470", "7199.557857"),
        ("20 kV", "delta", "20000", "11547.00538"),
        ("240 V", "delta", "240", "138.5640646"),
        ("120/240 V", "split-phase", "240", "120"),
        ("240/120 V", "split-phase", "240", "120"),
        ("240 V", "split-phase", "240", "120"),
        ("100/200 V", "split-phase", "200", "100"),
        ("240/120 V", "high-leg-delta", "240", "120"),
        ("240 V", "high-leg-delta", "240", "120"),
        ("230 V", "single-phase", None, "230"),
        ("120 V", "single-phase", None, "120"),
    ],
)
def test_nominal_pairs(designation: str, connection: str, line_to_line: str | None, line_to_neutral: str) -> None:
    supply = {"nominal_voltage": designation, "connection": connection}
    if connection == "high-leg-delta":
        supply["high_leg"] = "b"
    read = site(supply=supply).supply
    assert read.line_to_line == (None if line_to_line is None else Decimal(line_to_line))
    assert read.line_to_neutral is not None
    assert abs(read.line_to_neutral / Decimal(line_to_neutral) - 1) < Decimal("1e-9")
    assert read.designation == designation
    assert read.nominal("bn") == read.line_to_neutral
    assert read.nominal("ca") == read.line_to_line
    assert read.nominal("ng") is None


@pytest.mark.parametrize(
    ("designation", "connection", "said"),
    [
        ("400", "wye", "'400' is not a voltage ('400' has no unit"),
        ("50 Hz", "wye", "'50 Hz' is not a voltage"),
        ("low", "wye", "'low' is not a voltage"),
        ("0 V", "wye", "not a voltage above zero"),
        ("480/120 V", "wye", "is not a wye pair: 480 V is 4.00 times 120 V"),
        ("240/120 V", "wye", "is not a wye pair"),
        ("208Y/120 V", "split-phase", "must be twice as much"),
        ("120/240 V", "single-phase", "names two voltages, a single-phase service has one"),
        ("240/120 V", "delta", "names two voltages, a delta without neutral has one"),
        ("120 V", "split-phase", "too low for a split-phase service"),
        ("480Y/277", "wye", "is not a voltage"),
    ],
)
def test_nominals_that_cannot_be(designation: str, connection: str, said: str) -> None:
    message = refused(supply={"nominal_voltage": designation, "connection": connection})
    assert said in message
    assert "supply.nominal_voltage" in message


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        ({"suply": {}}, "suply is not a known key; did you mean 'supply'?"),
        ({"supply": {**MINIMAL["supply"], "nominal_volts": "1 V"}},
         "supply.nominal_volts is not a known key; did you mean 'nominal_voltage'?"),
        ({"supply": {"nominal_voltage": "400 V"}}, "supply lacks connection, one of wye, delta"),
        ({"supply": {"nominal_voltage": 400, "connection": "wye"}},
         "supply.nominal_voltage must be a text such as '400 V', found 400"),
        ({"supply": {**MINIMAL["supply"], "connection": "star"}},
         "supply.connection must be one of wye, delta, split-phase, single-phase, high-leg-delta, found \"star\""),
        ({"supply": {**MINIMAL["supply"], "frequency": "50 V"}}, "supply.frequency: '50 V': 'V' cannot be turned"),
        ({"supply": {**MINIMAL["supply"], "high_leg": "b"}}, "has a meaning only with connection 'high-leg-delta'"),
        ({"supply": {"nominal_voltage": "240 V", "connection": "high-leg-delta"}}, "supply lacks high_leg"),
        ({"time_zone": "Europe/Lisbn"}, "time_zone = 'Europe/Lisbn' is not a known zone"),
        ({"pcc": {"is_pcc": "yes"}}, "pcc.is_pcc must be true or false, found \"yes\""),
        ({"pcc": {"short_circuit_current": "-12 kA"}}, "pcc.short_circuit_current = '-12 kA' must be above zero"),
        ({"pcc": {"short_circuit_current": "9 kA", "short_circuit_current_min": "12 kA"}}, "exchange the two"),
        ({"pcc": {"short_circuit_current": "12 A", "maximum_demand_current": "400 A"}}, "check the units"),
        ({"pcc": {"maximum_demand_current": "400 A", "maximum_demand_current_span": ["1 A", "2 A"]}}, "lies outside"),
        ({"pcc": {"maximum_demand_current_span": ["1 A"]}}, "pcc.maximum_demand_current_span needs 2 entries, found 1"),
        ({"pcc": {"demand_basis": "a guess"}}, "pcc.demand_basis = 'a guess' is not known"),
        ({"generation": {"inverter_share_of_average_demand": -1}}, "must be zero or more"),
        ({"recording": {"interval": "10 min", "extremes_of": "1 h"}}, "is longer than interval"),
        ({"recording": {"interval": "600"}}, "recording.interval: '600' has no unit"),
        ({"recording": {"columns": {"U": 1}}}, "recording.columns.U must be a text such as"),
        ({"exclusions": {"from": "2031-03-04T10:00:00"}},
         "exclusions can be given several times; write its heading as [[exclusions]]"),
        ({"exclusions": [{"from": "2031-03-04T10:00:00", "to": "2031-03-04T11:00:00", "reason": "x", "author": "y"}]},
         "exclusions[1].from = 2031-03-04T10:00:00 has no offset and the site declares no time_zone"),
        ({"exclusions": [{"from": "2031-03-04T12:00Z", "to": "2031-03-04T11:00Z", "reason": "x", "author": "y"}]},
         "exclusions[1] ends (2031-03-04T11:00Z) before or when it starts"),
        ({"exclusions": [{"from": "yesterday evening", "to": "2031-03-04", "reason": "x", "author": "y"}]},
         "exclusions[1].from = 'yesterday evening' is not a time"),
        ({"exclusions": [{"from": "2031-03-04", "to": "2031-03-05", "author": "y"}]}, "exclusions[1] lacks reason"),
        ({"corrections": [{"kind": "reverse-current", "reason": "x", "author": "y"}]},
         "corrections[1] lacks phase, one of a, b, c, n (kind 'reverse-current')"),
        ({"corrections": [{"kind": "shift-time", "by": "1 h", "factor": 2, "reason": "x", "author": "y"}]},
         "corrections[1].factor has no meaning for kind 'shift-time'"),
        ({"corrections": [{"kind": "shift-time", "by": "0 h", "reason": "x", "author": "y"}]}, "moves nothing"),
        ({"corrections": [{"kind": "swap-currents", "phases": ["a", "a"], "reason": "x", "author": "y"}]},
         "must name two different phases"),
        ({"corrections": [{"kind": "scale", "quantity": "curent", "factor": 2, "reason": "x", "author": "y"}]},
         "'curent' is not known; did you mean 'current'?"),
        ({"corrections": [{"kind": "scale", "quantity": "current", "factor": 0, "reason": "x", "author": "y"}]},
         "corrections[1].factor must be above 0, found 0"),
        ({"corrections": [{"kind": "trim", "reason": "x", "author": "y"}]}, "trims nothing"),
        ({"coverage": {"at_least_percent": 101, "policy_of": "x"}}, "must be between 0 and 100 %"),
        ({"coverage": {"at_least_percent": "0 %", "policy_of": "x"}}, "must be above 0 %"),
        ({"coverage": {"at_least_percent": 0.9, "policy_of": "x"}}, "written in percent: 90.0 for a fraction"),
        ({"limits": {"quantities": ["volts"]}}, "limits.quantities[1] names no quantity: 'volts' is not known"),
        ({"instrument": {"calibrated": "June 2030, 1st"}}, "is not a date; write one such as 2031-03-04"),
        ({"new_load": [{"name": "crane"}]}, "new_load[1] (crane) lacks its size"),
        ({"new_load": [{"name": "crane", "current": "1 A", "harmonics": {"1": 100}}]}, "harmonics.1 cannot be a key"),
        ({"spot_checks": [{"at": "2031-03-04T10:42Z", "channel": "voltage.a", "value": "230 V"}]}, "no phase 'a'"),
        ({"report": {"title": ""}}, "report.title must be a text such as"),
        ({"ratings": {"transformer_k_factor": float("nan")}}, "is not a number that can be used"),
    ],
)
def test_the_sentence_for_what_is_wrong(sections: dict[str, Any], said: str) -> None:
    assert said in refused(**sections)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"name = 'a'\n[supply\n", "heron.toml: not valid TOML: .*line 2"),
        (b"name = '\xff'", "heron.toml: byte 8 is not UTF-8"),
        (b"", r"heron.toml: \[supply\] is missing"),
        (None, "the site file 'heron.toml' cannot be read: no such file or directory"),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, content: bytes | None, said: str) -> None:
    path = tmp_path / "heron.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SiteError, match=said) as caught:
        load_site(path)
    assert str(tmp_path) not in str(caught.value)


def exclusion(start: str, end: str, zone: str = "Europe/Lisbon") -> tuple[int, int]:
    entry = {"from": start, "to": end, "reason": "x", "author": "y"}
    (read,) = site(time_zone=zone, exclusions=[entry]).exclusions
    return read.from_us, read.to_us


def test_times_are_local_unless_they_carry_an_offset() -> None:
    assert exclusion("2031-07-01T10:00:00", "2031-07-01T10:00:00Z") == (
        microseconds(2031, 7, 1, 9), microseconds(2031, 7, 1, 10)
    )
    # A date alone is its midnight.
    assert exclusion("2031-07-01", "2031-07-02")[0] == microseconds(2031, 6, 30, 23)


def test_the_hour_that_occurs_twice_means_its_first_pass() -> None:
    # Lisbon, 2031-10-26: 01:30 is first 00:30 UTC (summer time), then 01:30 UTC.
    assert exclusion("2031-10-26T01:30:00", "2031-10-26T03:00:00")[0] == microseconds(2031, 10, 26, 0, 30)
    assert exclusion("2031-10-26T01:30:00+00:00", "2031-10-26T03:00:00")[0] == microseconds(2031, 10, 26, 1, 30)


def test_a_time_that_the_clocks_skipped_is_refused() -> None:
    with pytest.raises(SiteError, match=re.escape("2031-03-30T01:30:00 does not exist in Europe/Lisbon")):
        exclusion("2031-03-30T01:30:00", "2031-03-30T03:00:00")


def test_absent_sections_are_absent() -> None:
    read = site()
    assert read.pcc is None
    assert not read.generation.declared
    assert read.coverage is None
    assert read.recording.stamp is None
    assert read.supply.measured_at == "service"


def test_a_toml_document_and_its_plain_form_mean_the_same() -> None:
    document = tomllib.loads(FULL)
    read = site_from(document, "heron.toml")
    assert site_from(read.declared, "heron.toml").exclusions == read.exclusions
    assert site_from(read.declared, "heron.toml").corrections == read.corrections


# The sentences about the structure, for everything that the schema refuses.

KEYWORDS = {
    "$schema", "title", "description", "examples", "type", "properties", "additionalProperties", "required", "enum",
    "items", "minItems", "maxItems", "minLength", "minimum", "maximum", "exclusiveMinimum", "propertyNames",
    "pattern", "allOf", "if", "then", "const",
}


def schemas_in(schema: Any) -> list[dict[str, Any]]:
    """Every sub-schema, the schema itself included."""
    found = [schema]
    for key in ("properties",):
        for below in schema.get(key, {}).values():
            found += schemas_in(below)
    for key in ("items", "additionalProperties", "propertyNames", "if", "then"):
        if isinstance(schema.get(key), dict):
            found += schemas_in(schema[key])
    for below in schema.get("allOf", ()):
        found += schemas_in(below)
    return found


def test_the_schema_is_one_and_stays_within_the_keywords_understood() -> None:
    jsonschema.Draft202012Validator.check_schema(site_schema())
    for schema in schemas_in(site_schema()):
        assert set(schema) <= KEYWORDS


VALIDATOR = jsonschema.Draft202012Validator(site_schema())
PLAIN = json.loads(json.dumps(tomllib.loads(FULL), default=lambda moment: moment.isoformat()))
ODD = st.sampled_from([None, True, 0, -1, 3, 2.5, "", "wye", "scale", "x", [], ["a"], {}, {"x": 1}, [{}]])


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    keys = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        found += places(value[key], (*path, key))
    return found


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(places(PLAIN)[1:]), st.sampled_from("sda"), ODD), min_size=1, max_size=2))
def test_the_check_agrees_with_a_full_validator(changes: list[tuple[tuple[Any, ...], str, Any]]) -> None:
    document = copy.deepcopy(PLAIN)
    for path, action, odd in changes:
        target = document
        try:
            for key in path[:-1]:
                target = target[key]
            if action == "s":
                target[path[-1]] = odd
            elif action == "d":
                del target[path[-1]]
            else:
                target[path[-1]]["unheard_of"] = odd
        except (KeyError, IndexError, TypeError):
            continue
    try:
        check_structure(document, "heron.toml")
        accepted = True
    except SiteError:
        accepted = False
    assert accepted == VALIDATOR.is_valid(document)


@pytest.mark.parametrize(("sections", "said"), [
    ({"pcc": {"is_pcc": 1}, "unheard_of": 1}, "pcc.is_pcc must be true or false"),
    ({"unheard_of": 1, "pcc": {"is_pcc": 1}}, "unheard_of is not a known key"),
    ({"pcc": {"x": 1, "is_pcc": 1}, "exclusions": [{}]}, "pcc.x is not a known key"),
    ({"exclusions": [{"reason": ""}, {"x": 1}]}, "exclusions[1].reason must be a text"),
    ({"corrections": [{"kind": "shift-time", "factor": 2}]}, "corrections[1] lacks reason"),
])  # fmt: skip
def test_of_several_faults_the_first_one_in_the_document_is_named(sections: dict[str, Any], said: str) -> None:
    assert said in refused(**sections)
