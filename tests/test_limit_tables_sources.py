"""Where numbers come from: marks that rise cite a source, and probes of the rules typed from the texts of the laws.

The numbers of the probes were typed from the laws and articles named beside them, never from the tables.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck.cli import main
from pqcheck.limit_tables import CONFIDENCE, load_table
from pqcheck.limit_tables.load_limit_table import limits_folder, load, table_ids
from pqcheck.model.errors import LimitTableError
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from tests.limit_rows import rule_of
from tests.recordings import judged, one, recording, site
from tests.rule_pages import marks

KNOWN = json.loads((Path(__file__).resolve().parent / "data" / "marks_without_sources.json").read_bytes())
"""How many rows of the tables that name no sources by id are marked better than memory."""


def written(table_id: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((limits_folder() / f"{table_id}.json").read_bytes())
    return document


def test_no_mark_rises_without_a_source() -> None:
    without = {name for name in table_ids() if not load(name).sources}
    better = {name: {mark: marks(load(name))[mark] for mark in CONFIDENCE[:2]} for name in without}
    assert {name: counts for name, counts in better.items() if any(counts.values())} == KNOWN, (
        "a mark rises only where the table names the source by id under 'sources' and the row cites it"
    )


def test_every_better_mark_of_a_table_with_sources_cites_one() -> None:
    wrong = []
    for name in table_ids():
        document = written(name)
        own = [*document.get("changes", {}), *(each["id"] for each in document.get("adds", ()))]
        for rule in load(name).rules if "sources" in document else ():
            if "overlay_of" in document and rule.id not in own:
                continue
            for row in rule.rows:
                if row.confidence in CONFIDENCE[:2] and not (row.sources or rule.sources):
                    wrong.append(f"{name}/{rule.id}")
            if rule.confidence == "two sources" and len(rule.sources) < 2:
                wrong.append(f"{name}/{rule.id}: two")
        for event_rule in load(name).event_rules if "sources" in document and "overlay_of" not in document else ():
            if event_rule.confidence in CONFIDENCE[:2] and not event_rule.sources:
                wrong.append(f"{name}/{event_rule.id}")
    assert wrong == []


def test_every_source_is_cited() -> None:
    for name in table_ids():
        document = written(name)
        cited = json.dumps({**document, "sources": None})
        assert [source for source in document.get("sources", ()) if f'"{source}"' not in cited] == [], name


def test_sources_are_printed_and_unknown_ones_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["limits", "show", "pl-2023-lv"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "law-2023: Regulation of the Minister of Climate and Environment of 22 March 2023" in out
    assert "confidence: one source (law-2023)" in out
    document = written("pl-2023-lv") | {"id": "mine"}
    document["rules"][0]["sources"] = ["law-2032"]
    path = tmp_path / "mine.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(LimitTableError, match=r"rules\[0\]\.sources: 'law-2032' is not under 'sources'; did you mean"):
        load_table(str(path))


LV = {"nominal_voltage": "230 V", "connection": "single-phase"}
MV = {"nominal_voltage": "20 kV", "connection": "delta"}
HV = {"nominal_voltage": "110 kV", "connection": "delta"}
U, UM = "voltage.an [V]", "voltage.ab [V]"
U2, THD = "negative_sequence_unbalance [%]", "voltage_thd.an [%]"

WEEK, WEEK_10S, WEEK_2H = 1008, 60480, 84

Probe = tuple[str, str, dict[str, Any], str, int, int, int, float, float]
"""Table, rule, supply, column, seconds, values of the week, how many may lie outside, on the limit, just outside."""

PROBES: list[Probe] = [
    # Poland, Dz.U. 2023 poz. 819, 45(5): groups III to V.
    ("pl-2023-lv", "frequency-week-99.5", LV, "frequency [Hz]", 10, WEEK_10S, 302, 49.5, 49.499),
    ("pl-2023-lv", "frequency-week-99.5", LV, "frequency [Hz]", 10, WEEK_10S, 302, 50.5, 50.501),
    ("pl-2023-lv", "frequency-all", LV, "frequency [Hz]", 10, WEEK_10S, 0, 47.0, 46.99),
    ("pl-2023-lv", "frequency-all", LV, "frequency [Hz]", 10, WEEK_10S, 0, 52.0, 52.01),
    ("pl-2023-lv", "voltage-week-95", LV, U, 600, WEEK, 50, 207.0, 206.9),
    ("pl-2023-lv", "voltage-week-95", LV, U, 600, WEEK, 50, 253.0, 253.1),
    ("pl-2023-lv", "plt-week-95", LV, "flicker_plt.an [1]", 7200, WEEK_2H, 4, 1.0, 1.01),
    ("pl-2023-lv", "thd-all", LV, THD, 600, WEEK, 0, 8.0, 8.01),
    ("pl-2023-mv", "voltage-week-95", MV, UM, 600, WEEK, 50, 18000.0, 17990.0),
    ("pl-2023-mv", "voltage-week-95", MV, UM, 600, WEEK, 50, 22000.0, 22010.0),
    ("pl-2023-mv", "unbalance-week-95", MV, U2, 600, WEEK, 50, 2.0, 2.01),
    ("pl-2023-mv", "plt-week-95", MV, "flicker_plt.ab [1]", 7200, WEEK_2H, 4, 1.0, 1.01),
    ("pl-2023-mv", "thd-all", MV, "voltage_thd.ab [%]", 600, WEEK, 0, 8.0, 8.01),
    # The same, 45(4): generating modules connected at 110 kV and above.
    ("pl-2023-hv", "thd-generating-all", HV, "voltage_thd.ab [%]", 600, WEEK, 0, 1.5, 1.51),
    # Great Britain, SI 2002/2665, regulation 27(3)(a).
    ("gb-esqc-lv", "frequency-statutory", LV, "frequency [Hz]", 10, WEEK_10S, 0, 49.5, 49.49),
    ("gb-esqc-hv", "frequency-statutory", MV, "frequency [Hz]", 10, WEEK_10S, 0, 50.5, 50.51),
]  # fmt: skip


def of_column(findings: list[Finding], rule: str, column: str) -> Finding:
    return one(findings, rule, phase=column.split(" ")[0].partition(".")[2] or None)


@pytest.mark.parametrize("probe", PROBES, ids=[f"{probe[0]}-{probe[1]}-{probe[8]}" for probe in PROBES])
def test_probes_on_both_sides_of_a_limit(probe: Probe) -> None:
    table, rule, supply, column, interval_s, count, allowed, on_limit, outside = probe
    facility = {"facility": True, "inverter_share_of_average_demand": "0 %"}
    place = site(supply=supply, generation=facility) if "generating" in rule else site(supply=supply)
    for beyond, verdict in ((allowed, Verdict.PASS), (allowed + 1, Verdict.FAIL)):
        values = np.full(count, on_limit)
        values[:beyond] = outside
        finding = of_column(judged(recording({column: values}, interval_s=interval_s), place, table), rule, column)
        assert finding.verdict is verdict, (finding.id, beyond, finding.reason)


@pytest.mark.parametrize(("supply", "column", "low", "high"), [(LV, U, 207.0, 253.0), (MV, UM, 18000.0, 22000.0)])
def test_france_one_mean_of_the_year_is_enough(supply: dict[str, Any], column: str, low: float, high: float) -> None:
    """Arrete du 24 decembre 2007, articles 1 and 3: a 10 min mean below 90 % or above 110 %."""
    for value, verdict in ((low, Verdict.NOT_APPLICABLE), (low * 0.999, Verdict.FAIL), (high, Verdict.NOT_APPLICABLE),
                           (high * 1.001, Verdict.FAIL)):  # fmt: skip
        values = np.full(WEEK, (low + high) / 2)
        values[500] = value
        findings = judged(recording({column: values}), site(supply=supply), "fr-2007")
        finding = of_column(findings, "voltage-all", column)
        assert finding.verdict is verdict


@pytest.mark.parametrize(("supplied", "low", "high"), [("consumer", 18600, 21400), ("distributor", 18880, 21120)])
def test_spain_medium_voltage(supplied: str, low: float, high: float) -> None:
    """RD 1955/2000, 104.3: +-7 % of the declared voltage; distributors supplied at 1 to 36 kV 80 % of it (+-5.6 %)."""
    place = site(supply=MV, limits={"options": {"supplied": supplied}})
    for value, verdict in ((low, Verdict.PASS), (low - 10, Verdict.INCONCLUSIVE), (high, Verdict.PASS),
                           (high + 10, Verdict.INCONCLUSIVE)):  # fmt: skip
        values = np.full(WEEK, 20000.0)
        values[500] = value
        findings = judged(recording({UM: values}), place, "es-rd1955-2000-mv")
        assert of_column(findings, "voltage-statutory", UM).verdict is verdict


@pytest.mark.parametrize(
    ("level", "zone", "hours", "number"),
    [
        ("mv", "urban", 3.5, 7), ("mv", "semi-urban", 7, 11), ("mv", "rural-concentrated", 11, 14),
        ("mv", "rural-dispersed", 15, 19), ("lv", "urban", 5, 10), ("lv", "semi-urban", 9, 13),
        ("lv", "rural-concentrated", 14, 16), ("lv", "rural-dispersed", 19, 22),
    ],
)  # fmt: skip
def test_spain_interruptions_of_a_year(level: str, zone: str, hours: float, number: int) -> None:
    """RD 1955/2000, 104.2: hours and number of unplanned interruptions longer than 3 min in a year."""
    rules = {rule.id: rule for rule in load_table("es-rd1955-2000-interruptions").event_rules}
    assert rules[f"number-{level}-{zone}"].at_most == number
    assert rules[f"minutes-{level}-{zone}"].at_most == hours * 60
    for kind in ("number", "minutes"):
        (cell,) = rules[f"{kind}-{level}-{zone}"].classes
        assert rules[f"{kind}-{level}-{zone}"].per == "year" and cell.shortest is not None
        assert (cell.shortest.value, cell.shortest_closed) == (180, False)


@pytest.mark.parametrize(("nominal", "pst", "unbalance"), [("225 kV", 1, 1), ("400 kV", 0.6, 0.6)])
def test_france_emission_is_reported_and_never_judged(nominal: str, pst: float, unbalance: float) -> None:
    """Arretes of 2003 and 2006, article 10: Pst < 1 (0.6 at 400 kV), unbalance <= 1 % (0.6 %)."""
    place = site(supply={"nominal_voltage": nominal, "connection": "delta"})
    table = load_table("fr-2003-2006-hv")
    for rule_id, limit in (("pst-emission", pst), ("unbalance-emission", unbalance)):
        volts = float(nominal.split()[0]) * 1000
        rows = [row for row in rule_of(table, rule_id).rows if row.where[0].span and row.where[0].span.holds(volts)]  # type: ignore[arg-type]
        assert [float(row.high or 0) for row in rows] == [limit]
    values = {U2: np.full(WEEK, 5.0)}
    finding = one(judged(recording(values), place, table), "unbalance-emission")
    assert finding.verdict is Verdict.NOT_APPLICABLE and finding.reason is not None
    assert finding.reason.code == "no-limit"
