"""The findings file as text against its own document written by the json library, and findings that keep a number."""

from __future__ import annotations

import copy
import dataclasses
import json
import pickle
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import pqcheck
from pqcheck.findings import (
    Finding,
    Findings,
    Intervals,
    Limit,
    Margin,
    Period,
    Reason,
    Snapshot,
    Statistic,
    Verdict,
    Window,
    in_order,
    sort_key,
)
from pqcheck.findings_file import as_document, from_document
from pqcheck.findings_text import as_pieces
from pqcheck.findings_words import worst_of
from pqcheck.recording import RowSpan

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
    document = as_document(findings)
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
        assert [id(one) for one in in_order(iter(mixed))] == [id(one) for one in sorted(mixed, key=sort_key)]


@dataclass(frozen=True)
class Shared:
    """Makes the parts of a finding out of its reading, and counts how often it was asked."""

    asked: list[str]

    def title_at(self, value: float | None) -> str:
        self.asked.append("title")
        return f"Voltage of {value}"

    def statistic_at(self, value: float | None) -> Statistic:
        self.asked.append("statistic")
        return Statistic("share_within", 95.0, 600.0, value, "V")

    def margin_at(self, value: float | None) -> Margin | None:
        self.asked.append("margin")
        return None if value is None else Margin(253.0 - value, "V", None)


WHOLE = finding(
    title="Voltage of 230.5", statistic=Statistic("share_within", 95.0, 600.0, 230.5, "V"),
    margin=Margin(22.5, "V", None),
)  # fmt: skip


def kept() -> Finding:
    return finding().left_out(Shared([]), 230.5, ("title", "statistic", "margin"))


def test_a_finding_that_keeps_its_reading_is_the_finding_it_stands_for() -> None:
    assert kept() == WHOLE
    assert hash(kept()) == hash(WHOLE)
    assert repr(kept()) == repr(WHOLE)
    assert (kept().id, kept().fingerprint, sort_key(kept())) == (WHOLE.id, WHOLE.fingerprint, sort_key(WHOLE))
    assert result(kept()).to_json() == result(WHOLE).to_json()
    assert kept() != WHOLE.replaced(title="another")


@pytest.mark.parametrize("again", [copy.copy, copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))])
def test_a_copy_of_it_is_the_same(again: Any) -> None:
    assert again(kept()) == again(WHOLE) == WHOLE


def test_a_changed_copy_holds_what_it_was_given() -> None:
    changed = kept().replaced(title="changed", margin=None)
    assert (changed.title, changed.margin, changed.statistic) == ("changed", None, WHOLE.statistic)
    assert dataclasses.replace(kept(), verdict=Verdict.FAIL) == WHOLE.replaced(verdict=Verdict.FAIL)


def test_what_it_leaves_out_is_made_when_read_and_not_kept() -> None:
    shared = Shared([])
    one = finding().left_out(shared, 230.5, ("statistic", "margin"))
    assert shared.asked == []
    assert one.title == "Voltage" and one.margin == WHOLE.margin and one.margin == WHOLE.margin
    assert shared.asked == ["margin", "margin"]


def test_a_name_that_is_not_there_is_said_so() -> None:
    with pytest.raises(AttributeError, match="verdikt"):
        kept().verdikt  # type: ignore[attr-defined]  # noqa: B018
    with pytest.raises(dataclasses.FrozenInstanceError):
        kept().title = "another"  # type: ignore[misc]


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


def test_only_the_parts_of_a_finding_that_differ_take_memory(tmp_path: Path) -> None:
    held = [one for one in checked(tmp_path).findings if one.kind == "limit" and one.intervals is not None]
    assert held and all(not hasattr(one, "__dict__") for one in held)


def test_the_margin_is_never_below_what_is_had_quickly(tmp_path: Path) -> None:
    found = checked(tmp_path)
    left = [one for one in found.findings if one.least_margin > float("-inf")]
    assert len(left) > 3
    for one in left:
        assert one.margin is not None and one.margin.percent_of_limit is not None
        assert one.least_margin <= one.margin.percent_of_limit <= one.least_margin + 2e-5 or one.limit.low is not None
    worst = min(left, key=lambda one: (one.margin.percent_of_limit, one.id))
    assert worst_of(left) is worst and worst_of([*reversed(left)]) is worst
