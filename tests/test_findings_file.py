"""The findings file as text against its own document, against the shipped schema, and read back."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

import pqcheck
from pqcheck.model.errors import InputError
from pqcheck.model.findings import (
    Finding,
    Findings,
    Intervals,
    Limit,
    Margin,
    Period,
    Reason,
    Snapshot,
    Statistic,
    Window,
    in_order,
)
from pqcheck.model.findings_file import as_document, as_pieces, from_document
from pqcheck.model.findings_words import worst_of
from pqcheck.model.recording import RowSpan
from pqcheck.model.verdict import Verdict

DAY = Period("day", "2031-03-03T00:00:00+01:00", "2031-03-04T00:00:00+01:00")
ODD = 'a "quoted" back\\slash, a tab\t, Ü, ≤, \u2028 and \U0001f600'


def finding(**changes: Any) -> Finding:
    base: dict[str, Any] = {
        "kind": "limit", "table": "en50160-2010-lv", "rule": "voltage-week-95", "clause": "4.2.2", "title": "Voltage",
        "quantity": "voltage", "phase": "an", "order": None, "verdict": Verdict.PASS, "period": DAY,
        "channel": "voltage.an",
    }  # fmt: skip
    return Finding(**(base | changes))


VARIED = [
    finding(),
    finding(title=ODD, channel=ODD, clause=ODD, reason=Reason("gap", ODD, ODD)),
    finding(order=5, phase=None, quantity=None, verdict=Verdict.WAIVED, waiver={"by": ODD, "b": 1, "a": [1.5, None]}),
    finding(order=5, modifiers=("indicative", "marginal"), proven=True, period=None),
    # Equal numbers that print differently stay what they are, whichever comes first.
    finding(limit=Limit(None, 8.0, "%")),
    finding(limit=Limit(None, 8, "%")),
    finding(limit=Limit(-0.0, 1e-300, "1"), margin=Margin(-0.0, "V", None)),
    finding(
        statistic=Statistic("share_within", 95.0, 600.0, 229.1, "V"),
        margin=Margin(0.1 + 0.2, "V", 1e22),
        intervals=Intervals(1008, 1000, 8, 0, 3, 50),
        without_corrections="fail",
        without_exclusions="inconclusive",
    ),
    finding(statistic=Statistic("report_only", 99.5, 0.2, None, "%"), margin=Margin(12, "V", 3)),
    finding(
        windows=(
            Window(DAY.start, DAY.end, 3, 253.1, DAY.start, (RowSpan("a.csv", 2, 4), RowSpan(ODD, 1, 1))),
            Window(DAY.start, DAY.end, 1, 260, DAY.start),
        )
    ),
    finding(period=None, snapshot=Snapshot("full load", (RowSpan("design.csv", 3, 3),))),
    finding(kind="recording", table="", rule="", clause="", channel="-", verdict=Verdict.NOT_APPLICABLE),
]


def result(*findings: Finding) -> Findings:
    return Findings(
        findings,
        site={"name": ODD, "b": 1, "a": {"z": 1.0, "y": None}},
        recordings=({"file": "week.csv", "rows": 3}, {"file": ODD, "columns": [{"column": "b", "channel": None}]}),
        limit_tables=({"id": "x", "edition": "1", "sha256": "0"},),
    )


@pytest.mark.parametrize("findings", [result(), result(*VARIED), result(*reversed(VARIED)), Findings(())])
def test_the_text_is_what_the_json_library_writes(findings: Findings) -> None:
    text = findings.to_json()
    document = json.loads(json.dumps(as_document(findings)))
    assert json.loads(text) == document
    for one, line in zip(document["findings"], text.split('"findings": [')[1].split("\n")[1:], strict=False):
        assert line.strip().removesuffix(",") == json.dumps(one, sort_keys=True, ensure_ascii=False)
    assert text == "".join(as_pieces(findings))


def test_the_text_comes_in_pieces() -> None:
    window = VARIED[-3].windows[0]
    many = result(finding(windows=(window,) * 1000), *[finding(title="x" * 1000)] * 100)
    assert max(len(piece) for piece in as_pieces(many)) < 3000


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_not_written(value: float) -> None:
    for one in (
        finding(margin=Margin(value, "V", None)),
        finding(statistic=Statistic("all_within", 100.0, 1.0, value, "V")),
        finding(limit=Limit(None, value, "V")),
    ):
        with pytest.raises(ValueError, match=r"nan|inf|Out of range"):
            result(one).to_json()


def test_read_back_and_written_again() -> None:
    text = result(*VARIED).to_json()
    assert from_document(json.loads(text)).to_json() == text


def in_full(one: Finding) -> tuple[Any, ...]:
    rank = {"safety": 0, "limit": 1, "recording": 2, "prediction": 3}[one.kind]
    start = one.period.start if one.period else ""
    point = one.snapshot.operating_point if one.snapshot else ""
    order = -1 if one.order is None else one.order
    return rank, one.table, one.rule, one.quantity or "", one.phase or "", order, one.channel, start, point


def test_the_order_is_that_of_the_key_whatever_came_first() -> None:
    days = [Period("day", f"2031-03-{day:02d}T00:00:00+01:00", "") for day in (3, 4, 5)]
    mixed = [
        *VARIED,
        *(finding(period=day, order=order, rule=rule) for day in days for order in (None, 11, 5) for rule in "ba"),
        *(finding(kind=kind, table=table) for kind in ("recording", "safety", "prediction") for table in "yx"),
        *(finding(period=None, snapshot=Snapshot(point)) for point in ("night", "", "full load")),
    ]
    for seed in range(5):
        random.Random(seed).shuffle(mixed)
        assert [id(one) for one in in_order(iter(mixed))] == [id(one) for one in sorted(mixed, key=in_full)]


SITE = """
name = "Test bench"
time_zone = "UTC"
[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
[pcc]
is_pcc = true
short_circuit_current = "12 kA"
maximum_demand_current = "400 A"
demand_basis = "mean of 12 monthly maxima"
[instrument]
class = "S"
[limits]
apply = ["ieee519-2022", "en50160-2010-lv"]
"""


def checked(folder: Path) -> Findings:
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    rows = ["time,voltage.an [V],current_harmonic.a.h5 [%],current_tdd.a [%]"]
    for slot in range(1008):
        day, rest = divmod(slot, 144)
        stamp = f"2031-03-{3 + day:02d}T{rest // 6:02d}:{rest % 6}0:00Z"
        rows.append(f"{stamp},{'' if slot % 400 == 7 else 228 + slot % 30},{4 + slot % 9},{6 + slot % 7}")
    (folder / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return pqcheck.check(folder / "week.csv", folder / "site.toml")


def test_findings_of_a_check_hold_together_and_share_what_is_equal(tmp_path: Path) -> None:
    found = checked(tmp_path)
    again = from_document(json.loads(found.to_json()))
    assert [one.replaced(windows=tuple(one.windows)) for one in found.findings] == list(again.findings)
    judged = [one for one in found.findings if one.kind == "limit" and one.intervals is not None]
    assert any("passes for a maximum demand current of" in one.title for one in judged)
    for one in judged:
        other = next(each for each in judged if each.intervals == one.intervals)
        assert other.intervals is one.intervals


def test_the_worst_of_many_is_the_one_with_the_least_margin(tmp_path: Path) -> None:
    left = [one for one in checked(tmp_path).findings if one.margin is not None and one.kind != "safety"]
    assert len(left) > 3
    worst = min(left, key=lambda one: (one.margin.percent_of_limit, one.id))
    assert worst_of(left) is worst and worst_of([*reversed(left)]) is worst


def keys(schema: Any) -> dict[str, Any]:
    """The keys of an object in the shipped schema, which may be one of several forms of a value."""
    if "properties" not in schema:
        schema = next(one for one in schema["anyOf"] if "properties" in one)
    assert schema.get("additionalProperties") is False
    found: dict[str, Any] = schema["properties"]
    return found


def test_the_shipped_schema_names_what_the_structs_hold() -> None:
    schema = json.loads((Path(pqcheck.__file__).parent / "findings.schema.json").read_text(encoding="utf-8"))
    listed = keys(schema["properties"]["findings"]["items"])
    assert {*listed} == {*Finding.__struct_fields__, "id", "fingerprint"} - {"channel"}
    parts = {"period": Period, "reason": Reason, "statistic": Statistic, "limit": Limit, "margin": Margin,
             "intervals": Intervals, "snapshot": Snapshot}  # fmt: skip
    for name, part in parts.items():
        assert {*keys(listed[name])} == {*part.__struct_fields__}, name
    window = keys(listed["windows"]["items"])
    assert {*window} == {*Window.__struct_fields__}
    assert {*keys(window["rows"]["items"])} == {*RowSpan.__struct_fields__}


@pytest.mark.parametrize("damage", [
    lambda one: one.pop("limit"), lambda one: one.update(verdict="passed"), lambda one: one.update(title=3),
    lambda one: one["period"].update(more=1), lambda one: one["period"].pop("start"), lambda one: one.update(windows=3),
])  # fmt: skip
def test_what_does_not_hold_together_is_refused(damage: Any) -> None:
    document = json.loads(result(*VARIED).to_json())
    damage(document["findings"][1])
    with pytest.raises(InputError, match="does not hold together"):
        from_document(document)
