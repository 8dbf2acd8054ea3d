"""What decides a verdict is printed: by `limits show`, `limits diff`, `gate --explain` and the lock of a gate.

The keys are those of the schema, so that a new one cannot be forgotten: it needs an example here, or a reason why it
decides nothing.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.reports.explain import explained
from pqcheck.reports.limit_table_diff import diff_text
from pqcheck.reports.show_limit_table import table_text
from pqcheck.workflows.pinned_tables import as_pinned, pinned_from, table_differences

ROOT = Path(__file__).resolve().parent.parent
SCHEMA = json.loads((ROOT / "limits" / "limit_table.schema.json").read_bytes())
BAND = {"kind": "band", "low": "90", "high": "110"}
BASE: dict[str, Any] = {
    "format": "pqcheck-limit-table/1", "id": "house", "standard": "House rule", "edition": "1", "title": "House rule",
    "source": "invented", "options": {"line": {"values": ["old", "new"], "meaning": "which line"}},
    "nominals": [{"designation": "400/230 V", "connections": ["wye"], "line_to_line": 400, "line_to_neutral": 230}],
    "applies_if": [{"fact": "measured_at", "is": ["service", "utilization"], "reason": "No."}],
    "shared_limits": {"wide": {"kind": "band", "low": "85"}},
    "remarks": [{"where": [{"fact": "option:line", "is": ["new"]}], "text": "A remark."}],
    "rules": [{
        "id": "volts", "title": "Voltage", "clause": "1", "confidence": "one source", "quantity": "voltage",
        "interval": "10 min", "period": "week", "statistic": {"kind": "share_within", "percent": "95"},
        "reference": "nominal", "comparison": "closed", "limit": BAND,
    }],
}  # fmt: skip
SUM = {"kind": "band", "high": "8"}
THD = {"quantity": "voltage_thd", "reference": "fundamental", "limit": SUM, "highest_order": 40}
ALL = {"statistic": {"kind": "all_within"}, "period": "recording"}

RULE_KEYS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "confidence": ({}, {"confidence": "memory"}),
    "clause": ({}, {"clause": "2"}),
    "quantity": ({**THD, "quantity": "voltage_thd"}, {**THD, "quantity": "current_thd"}),
    "phases": ({}, {"phases": ["an"]}),
    "interval": ({}, {"interval": "1 min"}),
    "also_intervals": ({}, {"also_intervals": ["30 min"]}),
    "period": ({}, {"period": "day"}),
    "alignment": ({}, {"alignment": "calendar"}),
    "statistic": ({}, {"statistic": {"kind": "share_within", "percent": "99"}}),
    "reference": (THD, {**THD, "reference": "nominal"}),
    "unit": ({}, {"reference": "none", "unit": "V", "limit": {"kind": "band", "low": 200, "high": 250}}),
    "comparison": ({}, {"comparison": "strict"}),
    "limit": ({}, {"limit": {**BAND, "high": "109"}}),
    "factor": ({}, {"factor": {"value": "1.5", "confidence": "one source"}}),
    "highest_order": (THD, {**THD, "highest_order": 50}),
    "flagged": ({}, {"flagged": "drop"}),
    "coverage_percent": ({}, {"coverage_percent": 90}),
    "applies_if": ({}, {"applies_if": [{"fact": "connection", "is": ["wye"], "reason": "No."}]}),
    "time_criterion": (
        {**ALL, "time_criterion": {"range": "A", "outside": "fail", "shortest_pass": "7 d"}},
        {**ALL, "time_criterion": {"range": "A", "outside": "inconclusive", "shortest_pass": "7 d"}},
    ),
    "indicative": ({}, {"indicative": True}),
    "not_held": (
        {"statistic": {"kind": "report_only"}}, {"statistic": {"kind": "report_only"}, "not_held": "The law has one"},
    ),
}  # fmt: skip
RULE_TEXTS = {"id", "title", "comment", "convention", "best_evidence", "note", "sources"}
"""Keys of a rule that decide no verdict."""

TABLE_KEYS: dict[str, dict[str, Any]] = {
    "edition": {"edition": "2"},
    "interruption_below_percent": {"interruption_below_percent": 10},
    "interruption_comparison": {"interruption_comparison": "closed"},
    "applies_if": {"applies_if": [{"fact": "measured_at", "is": ["service"], "reason": "No."}]},
    "effective_from": {"effective_from": "2030-01-01"},
    "effective_to": {"effective_to": "2030-01-01"},
    "only_these_nominals": {"only_these_nominals": True},
    "nominals": {"nominals": [{**BASE["nominals"][0], "line_to_line": 415, "line_to_neutral": 240}]},
    "options": {"options": {"line": {"values": ["new", "old"], "meaning": "which line"}}},
}
TABLE_TEXTS = {
    "format", "id", "standard", "title", "source", "sources", "remarks", "comment", "$schema", "rules", "event_rules",
    "load_rules", "shared_limits", "overlay_of", "changes", "order_changes", "removes", "adds",
}  # fmt: skip
"""Keys of a table that decide no verdict by themselves: texts, and what becomes rules and their limits."""


def loaded(folder: Path, name: str, rule: dict[str, Any], table: dict[str, Any] | None = None) -> LimitTable:
    document = copy.deepcopy({**BASE, **(table or {})})
    document["rules"][0] |= rule
    path = folder / f"{name}.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return load_table(str(path))


def texts(table: LimitTable) -> dict[str, str]:
    shown = "\n".join(line for line in table_text(table).splitlines() if not line.startswith("sha256"))
    lock = as_pinned([table])[table.id]
    lock.pop("sha256")
    return {"show": shown, "explain": explained("volts", [table]), "lock": json.dumps(lock)}


def test_every_key_of_the_schema_has_an_example_or_decides_nothing() -> None:
    assert set(SCHEMA["$defs"]["rule_fields"]["properties"]) - RULE_TEXTS == set(RULE_KEYS)
    assert set(SCHEMA["properties"]) - TABLE_TEXTS == set(TABLE_KEYS)


@pytest.mark.parametrize("key", RULE_KEYS)
def test_every_key_of_a_rule_is_printed(key: str, tmp_path: Path) -> None:
    before, after = (loaded(tmp_path, name, rule) for name, rule in zip("ab", RULE_KEYS[key], strict=True))
    one, other = texts(before), texts(after)
    # Clause and mark stand in no limit of a lock: its checksum holds them.
    printed = [name for name in one if name != "lock" or key not in ("confidence", "clause")]
    assert [name for name in printed if one[name] == other[name]] == []
    assert "volts: Voltage" in diff_text(before, after) and "0 rules are alike" in diff_text(before, after)
    if "lock" in printed:
        changes = list(table_differences(pinned_from(as_pinned([before]))["house"], after))
        assert changes and all("no limit of a rule over time" not in change for change in changes)


@pytest.mark.parametrize("key", TABLE_KEYS)
def test_every_key_of_a_table_is_printed(key: str, tmp_path: Path) -> None:
    before, after = loaded(tmp_path, "a", {}), loaded(tmp_path, "b", {}, TABLE_KEYS[key])
    changed = diff_text(before, after).splitlines()[1:-1]
    assert len(changed) == 1 and "->" in changed[0]
    assert texts(before)["show"] != texts(after)["show"] or key == "edition"
    assert texts(before)["lock"] != texts(after)["lock"]


def test_rows_under_an_option_are_printed_with_their_numbers(tmp_path: Path) -> None:
    rows = [{"where": [{"fact": "option:line", "is": ["old"]}], "low": "90"},
            {"where": [{"fact": "option:line", "is": ["new"]}], "low": "94"}]  # fmt: skip
    over = [{"fact": "option:line", "is": ["old", "new"]}]
    before = loaded(tmp_path, "a", {"limit": {"kind": "selected_band", "over": over, "rows": rows}})
    for text in texts(before).values():
        assert "option line = new: at least 94 % of the nominal voltage" in " ".join(text.split())
    rows[1]["low"] = "95"
    after = loaded(tmp_path, "b", {"limit": {"kind": "selected_band", "over": over, "rows": rows}})
    change = "option line = new: at least 94 % of the nominal voltage -> at least 95 % of the nominal voltage"
    assert change in " ".join(diff_text(before, after).split())
