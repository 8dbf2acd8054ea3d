"""The percentiles on the page: a description, marked so, with the limits where there are any."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from pqcheck.reports.html.build import as_html, material_of
from pqcheck.reports.plots.cumulative import cumulative_figure
from pqcheck.workflows.check_recording import check
from tests.report_material import csv_text, week, with_orders

SITE: dict[str, Any] = {
    "name": "Mill Lane", "time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye"},
    "limits": {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]},
}  # fmt: skip


@pytest.fixture(name="recording")
def recording_file(tmp_path: Path) -> Path:
    (tmp_path / "week.csv").write_text(csv_text(with_orders(week())), encoding="utf-8")
    return tmp_path / "week.csv"


def cells(page: str, quantity: str) -> list[list[str]]:
    section = page.partition('id="percentiles"')[2].partition("</section>")[0]
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", section)]
    return [row for row in rows if row and row[0] == quantity]


def test_every_channel_that_is_no_order_has_a_row_and_its_standing(recording: Path) -> None:
    page = as_html(check(recording, SITE), [recording], SITE)
    voltage, current = cells(page, "Voltage"), cells(page, "Current")
    assert [row[1] for row in voltage] == ["a\u00a0to\u00a0n", "b\u00a0to\u00a0n", "c\u00a0to\u00a0n"]
    assert {row[-1] for row in voltage} == {"judged"}
    assert {row[-1] for row in current} == {"description only: no rule asked"}
    assert len(cells(page, "Voltage total harmonic distortion")) == 3 and not cells(page, "Voltage harmonic")
    for row in voltage + current:
        numbers = [float(text) for text in row[5:12]]
        assert numbers == sorted(numbers), row
    assert "72 more, single orders among them" in page


def test_curves_against_limits_and_what_is_description(recording: Path) -> None:
    found = check(recording, SITE)
    [figure] = cumulative_figure(material_of(found, [recording], SITE))
    assert "Voltage, to neutral, 10 min values;" in figure.alt
    assert "Current, 10 min values, description only" in figure.alt and "distortion, 10 min values, descr" in figure.alt
    again = next(cumulative_figure(material_of(found, [recording], SITE)))
    assert again.svg == figure.svg


def test_a_rule_that_was_not_judged_leaves_a_description(recording: Path) -> None:
    """IEEE 519 without its facts: the limits are open, and what was recorded is described all the same."""
    place = SITE | {"limits": {"apply": ["ieee519-2022"]}}
    page = as_html(check(recording, place), [recording], place)
    assert {row[-1] for row in cells(page, "Voltage total harmonic distortion")} == {"description only: not judged"}


def test_without_the_recording_the_section_says_so(recording: Path) -> None:
    page = as_html(check(recording, SITE), [], None)
    assert "no percentiles are shown" in page and not cells(page, "Voltage")
