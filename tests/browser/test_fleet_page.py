"""The page of a fleet in a real browser: sorted, filtered, some hundred rows at a time, and without scripts too."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import msgspec
import pytest

from pqcheck.fleet.answers import FleetAnswers
from pqcheck.fleet.fleet_page import fleet_page
from pqcheck.fleet.standings import COMPLIES, FAILS, OPEN, Standing, groups
from pqcheck.fleet.store import Manifest
from pqcheck.model.verdict import Verdict
from tests.browser.chromium import Chromium

COUNT = 10_000


def site(number: int) -> Standing:
    standing = FAILS if number < 500 else OPEN if number < 900 else COMPLIES
    plain = Standing(f"M-{number:05d}", f"F-{number // 1000}", f"T-{number // 10:04d}", standing, number < 40)
    if standing == FAILS:
        beyond, hours = 5 - number / 200, float(number % 168 + 1)
        return msgspec.structs.replace(
            plain, criterion="voltage.an, en50160-2010-lv voltage-week-95", value=201.25, unit="V",
            beyond_percent=beyond, hours=hours, severity=beyond * hours, news=COMPLIES if number < 7 else None,
        )  # fmt: skip
    return msgspec.structs.replace(plain, why=("unreadable",) if standing == OPEN else ())


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sites = tuple(site(number) for number in range(COUNT))
    assert Counter(each.standing for each in sites)[OPEN] == 400
    answers = FleetAnswers(
        manifest=Manifest("registry.csv", COUNT, complete=True), sites=sites, verdict=Verdict.FAIL,
        why_open=(("unreadable", 400),), first_run=False, feeders=tuple(groups(sites, "feeder")),
        transformers=tuple(groups(sites, "transformer")), peers=(), months=(), drifts=(), split=None, shares=(),
    )  # fmt: skip
    path = tmp_path_factory.mktemp("page") / "fleet.html"
    path.write_text(fleet_page(answers), encoding="utf-8")
    assert path.stat().st_size < 2_000_000
    return path


ROWS = "Array.from(document.querySelectorAll('#sites-table tbody tr')).filter(row => !row.hidden)"


def first_cells(browser: Chromium, column: int, count: int = 3) -> list[str]:
    cells: list[str] = browser.evaluate(f"{ROWS}.slice(0, {count}).map(row => row.cells[{column}].textContent)")
    return cells


def click_head(browser: Chromium, column: int) -> None:
    browser.evaluate(f"document.querySelectorAll('#sites-table thead [role=button]')[{column}].click()")


@pytest.mark.parametrize("width", [390, 1280])
def test_ten_thousand_sites_are_readable(browser: Chromium, page: Path, width: int) -> None:
    browser.open(page, width=width)
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate(f"{ROWS}.length") == 200
    assert browser.problems == []
    assert [url for url in browser.requests if not url.startswith(("file:", "data:"))] == []
    browser.evaluate("document.getElementById('more').click()")
    assert browser.evaluate(f"{ROWS}.length") == 400


def test_sites_are_sorted_by_numbers_and_back(browser: Chromium, page: Path) -> None:
    browser.open(page)
    assert first_cells(browser, 0) == ["M-00000", "M-00001", "M-00002"]
    click_head(browser, 3)
    assert first_cells(browser, 3) == ["168", "168", "167"]
    click_head(browser, 3)
    assert first_cells(browser, 3) == ["-", "-", "-"]
    click_head(browser, 0)
    click_head(browser, 0)
    assert first_cells(browser, 0) == ["M-09999", "M-09998", "M-09997"]


def test_sites_are_searched_and_filtered(browser: Chromium, page: Path) -> None:
    browser.open(page)
    told = "document.querySelector('.tools [role=status]').textContent"
    search = "document.querySelector('.tools input[type=search]')"
    browser.evaluate(f"{search}.value = 'm-0123'; {search}.dispatchEvent(new Event('input'))")
    assert browser.evaluate(told) == "10 of 10000 sites"
    browser.evaluate(f"{search}.value = ''; {search}.dispatchEvent(new Event('input'))")
    browser.evaluate("document.querySelector('.tools input[type=checkbox]').click()")
    assert browser.evaluate(told) == "7 of 10000 sites"
    browser.evaluate("document.querySelector('.tools input[type=checkbox]').click()")
    browser.evaluate(
        f"var chosen = document.querySelector('.tools select'); chosen.value = '{OPEN}';"
        "chosen.dispatchEvent(new Event('change'))"
    )
    assert browser.evaluate(told) == "400 of 10000 sites"


def test_the_worst_sites_are_there_without_scripts(browser: Chromium, page: Path) -> None:
    browser.open(page, scripts=False)
    text = page.read_text(encoding="utf-8")
    assert "<th scope=\"row\">M-00199</th>" in text
    assert "9800 more sites; a browser that runs scripts shows them." in text


@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_nothing_serious(browser: Chromium, page: Path, axe: str, dark: bool) -> None:
    browser.open(page, dark=dark)
    browser.evaluate(axe + "; 0")
    result = json.loads(browser.evaluate("axe.run(document).then(found => JSON.stringify(found.violations))"))
    assert [(one["id"], one["nodes"][0]["html"]) for one in result if one["impact"] in ("serious", "critical")] == []
