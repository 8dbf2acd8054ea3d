"""A result in a notebook: one line, a card that escapes what comes from files, frames of fixed types, a notebook kept
fresh."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import fromstring

import numpy as np
import pandas
import pytest

from pqcheck import check
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict
from tests import notebook
from tests.report_material import csv_text, week
from tests.test_vetting_cases import SPLIT, see_saw


def found_in(table: dict[str, Any], minutes: int = 10, **supply: Any) -> Findings:
    count = len(next(iter(table.values())))
    times = np.datetime64("2031-03-03") + np.arange(count) * np.timedelta64(minutes, "m")
    site = {"name": 'Mill <b>Lane</b>\n& "Co"', "time_zone": "Europe/Lisbon",
            "supply": {"nominal_voltage": "400 V", "connection": "wye"} | supply}
    return check({"time": times, **table}, site, ["en50160-2010-lv"], quantities=["voltage"])


def test_the_repr_is_one_line() -> None:
    said = repr(found_in(week()))
    assert "\n" not in said and said.startswith("<Findings fail: ") and said.endswith(">")
    assert repr(Findings(())) == "<Findings inconclusive: 0 criteria>"


def test_the_card_holds_answer_criteria_and_margins_and_is_well_formed() -> None:
    found = found_in(week())
    card = found._repr_html_()
    text = "".join(fromstring(card).itertext())
    assert "FAIL: " in text and "voltage-week-95" in text and "Margin in percent of the limit" in text
    assert "Mill <b>Lane</b>" in text and "<b>" not in card and "<script" not in card and "http://" not in card.replace(
        'xmlns="http://www.w3.org/2000/svg"', "")
    rows = card.partition("<table>")[2].partition("</table>")[0]
    verdicts = [row.partition(">")[2].partition("<")[0] for row in rows.split("<td ")[1::8]]
    assert verdicts[0] == "fail" and verdicts == sorted(verdicts, key=["fail", "refused", "inconclusive", "pass"].index)
    fails = sum(finding.verdict is Verdict.FAIL for finding in found.findings if finding.kind == "limit")
    assert verdicts.count("fail") == fails


def test_a_danger_sign_comes_first_and_nothing_judged_says_so() -> None:
    card = found_in(see_saw(), **SPLIT)._repr_html_()
    assert card.startswith("<div><p><strong>DANGER SIGN: ")
    empty = Findings(())._repr_html_()
    assert "nothing was judged" in empty and "<table>" not in empty


def test_frames_have_the_same_types_whatever_they_hold(tmp_path: Path) -> None:
    (tmp_path / "week.csv").write_text(csv_text(week()), encoding="utf-8")
    site = {"time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye"}}
    found = check([tmp_path / "week.csv"], site, ["en50160-2010-lv"], quantities=["voltage"])
    frame, empty = found.windows_frame(), Findings(()).windows_frame()
    assert list(frame.dtypes.items()) == list(empty.dtypes.items()) and empty.empty
    windows = [(finding, window) for finding in found.findings for window in finding.windows]
    assert len(frame) == len(windows) > 0
    for (_, row), (finding, window) in zip(frame.iterrows(), windows, strict=True):
        assert (row["id"], row["intervals"], row["worst"]) == (finding.id, window.intervals, window.worst)
        assert row["start"] == pandas.Timestamp(window.start) and row["end"] == pandas.Timestamp(window.end)
        assert row["rows"] == f"week.csv:{window.rows[0].first}-{window.rows[0].last}"
    joined = frame.merge(found.to_frame(), on="id")
    assert len(joined) == len(frame) and (joined["intervals"] <= joined["intervals_outside"]).all()


def test_the_notebook_that_is_kept_is_what_the_program_gives() -> None:
    """In a process of its own, because a kernel is started and its libraries warn."""
    pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    code = (
        "import sys; from tests import notebook; "
        "sys.stdout.buffer.write(notebook.text_of(notebook.executed()).encode())"
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], cwd=notebook.ROOT, capture_output=True, check=True,
        env=os.environ | {"PYTHONPATH": str(notebook.ROOT)},
    )  # fmt: skip
    assert done.stdout.decode() == notebook.PLACE.read_text(encoding="utf-8"), "python -m tests.notebook"
