"""The pages in a real browser: width, requests, accessibility, scripts off, dark, print."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from tests import planted_complaint
from tests.browser.chromium import Chromium
from tests.report_material import run

WIDTHS = (360, 390, 768, 1280)
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
PAGES = ("report", "demo_report", "comparison")


@pytest.fixture(params=PAGES)
def any_page(request: pytest.FixtureRequest) -> Path:
    found: Path = request.getfixturevalue(request.param)
    return found


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_overflows(browser: Chromium, any_page: Path, width: int) -> None:
    browser.open(any_page, width=width)
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    stuck_out = browser.evaluate(
        """Array.from(document.querySelectorAll("main *"))
             .filter(one => !one.closest(".wide") && one.getBoundingClientRect().right > innerWidth + 1)
             .map(one => one.tagName + " " + one.className)"""
    )
    assert stuck_out == []


def test_no_request_leaves_the_page(browser: Chromium, any_page: Path) -> None:
    browser.open(any_page)
    away = [url for url in browser.requests if not url.startswith(("file:", "data:"))]
    assert away == [] and browser.problems == []
    assert [url for url in browser.requests if url.startswith("file:")] == [any_page.resolve().as_uri()]


def test_every_picture_is_drawn(browser: Chromium, any_page: Path) -> None:
    browser.open(any_page)
    sizes = browser.evaluate("Array.from(document.images).map(one => [one.complete, one.naturalWidth])")
    assert sizes and all(done and width > 100 for done, width in sizes)


def test_every_criterion_row_reaches_its_plot(browser: Chromium, report: Path) -> None:
    browser.open(report)
    found = browser.evaluate(
        """Array.from(document.querySelectorAll("table.criteria tbody tr")).map(row => {
             const link = row.querySelector('a[href^="#fig-"]');
             if (!link) return null;
             link.click();
             const place = document.querySelector(":target");
             if (place === null || place.querySelector("img") === null) return false;
             return Math.abs(place.getBoundingClientRect().top) < 200;
           })"""
    )
    assert len(found) > 70 and all(found)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_axe_finds_nothing_serious(browser: Chromium, any_page: Path, axe: str, dark: bool, width: int) -> None:
    browser.open(any_page, dark=dark, width=width)
    # Evaluated from outside, as the page's own policy lets no foreign script in.
    browser.evaluate(axe + "; 0")
    result = json.loads(browser.evaluate("axe.run(document).then(found => JSON.stringify(found.violations))"))
    serious = {one["id"]: [node["html"][:120] for node in one["nodes"][:3]] for one in result
               if one["impact"] in ("serious", "critical")}  # fmt: skip
    assert serious == {}


def test_axe_sees_a_planted_barrier(browser: Chromium, report: Path, axe: str) -> None:
    browser.open(report)
    browser.evaluate(axe + "; document.images[0].removeAttribute('alt'); 0")
    result = json.loads(browser.evaluate("axe.run(document).then(found => JSON.stringify(found.violations))"))
    assert "image-alt" in {one["id"] for one in result}


def test_all_is_there_with_scripts_off(browser: Chromium, report: Path) -> None:
    browser.open(report, scripts=False)
    heights = browser.evaluate(
        "Array.from(document.querySelectorAll('#criteria-table tbody tr')).map(one => one.offsetHeight)"
    )
    assert len(heights) > 10 and min(heights) > 0
    # Orders stand in the grid, every one with its share of the limit; row by row they are behind it.
    shares = browser.evaluate("Array.from(document.querySelectorAll('.orders td')).map(one => one.textContent)")
    rows = browser.evaluate("document.querySelectorAll('table.criteria tbody tr').length")
    assert rows > 70 and len(shares) > 60 and all(re.match(r"\d+( ✕)?$", one) for one in shares)
    assert browser.evaluate("document.querySelectorAll('.tools, .hair, th [role=button]').length") == 0
    browser.open(report)
    assert browser.evaluate("document.querySelectorAll('.tools, .hair, th [role=button]').length") > 3


def test_the_table_sorts_and_filters(browser: Chromium, report: Path) -> None:
    browser.open(report)
    order = browser.evaluate(
        """(() => {
             const heads = Array.from(document.querySelectorAll("#criteria-table thead [role=button]"));
             heads.find(one => one.textContent === "Margin").click();
             return Array.from(document.querySelectorAll("#criteria-table tbody tr")).slice(0, 6)
               .map(row => Number(row.cells[5].dataset.sort));
           })()"""
    )
    assert order == sorted(order) and order[0] < 0
    left = browser.evaluate(
        """(() => {
             const field = document.querySelector(".tools input");
             field.value = "order 11";
             field.dispatchEvent(new Event("input"));
             return Array.from(document.querySelectorAll("#criteria-table tbody tr")).filter(row => !row.hidden).length;
           })()"""
    )
    assert left == 3


def test_values_under_the_pointer(browser: Chromium, report: Path) -> None:
    browser.open(report)
    place = browser.evaluate(
        """(() => {
             const box = document.querySelector("#fig-voltage-neutral .plot");
             box.scrollIntoView();
             const image = box.querySelector("img").getBoundingClientRect();
             return [image.left + image.width * 0.5, image.top + image.height * 0.5];
           })()"""
    )
    browser.call("Input.dispatchMouseEvent", type="mouseMoved", x=place[0], y=place[1])
    note = browser.evaluate("document.querySelector('#fig-voltage-neutral .note').textContent")
    # The middle of the drawing area is close to the middle of the week: Thursday morning.
    assert re.search(r"^(Thu|Wed)", note) and len(re.findall(r"[abc] to n: 2[23]\d\.?\d* V", note)) == 3
    moved = browser.evaluate(
        """(() => {
             const box = document.querySelector("#fig-voltage-neutral .plot");
             box.focus();
             box.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight"}));
             return box.querySelector(".note").textContent;
           })()"""
    )
    assert moved != note


def words_of(printed: Path, form: str) -> str:
    """The text of a PDF as poppler reads it."""
    return subprocess.run(["pdftotext", form, str(printed), "-"], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("paper", PAPERS)
def test_the_printed_page_holds_the_answer(browser: Chromium, any_page: Path, paper: str, tmp_path: Path) -> None:
    browser.open(any_page, dark=True)
    width, height = PAPERS[paper]
    printed = tmp_path / "r.pdf"
    browser.pdf(printed, width=width, height=height)
    text = words_of(printed, "-layout")
    flat = " ".join(text.split())
    assert "Not every limit was kept" in flat
    pages = text.count("\f")
    if any_page.name == "r.html":
        assert re.search(r"Verdict +Criterion +Phase +Limit", text) and re.search(r"Order +a to n +b to n", text)
    assert f"Page 1 of {pages}" in flat and f"Page {pages} of {pages}" in flat
    # Nothing is cut at the right edge: every word lies on the paper.
    right = max(float(one) for one in re.findall(r'xMax="([\d.]+)"', words_of(printed, "-bbox")))
    assert right <= width * 72


def test_a_dark_page_prints_light(browser: Chromium, report: Path, tmp_path: Path) -> None:
    printed = {}
    for dark in (False, True):
        browser.open(report, dark=dark)
        browser.pdf(tmp_path / "r.pdf", width=8.27, height=11.69)
        subprocess.run(["pdftoppm", "-r", "20", "-gray", tmp_path / "r.pdf", tmp_path / f"p{dark}"], check=True)
        pages = sorted(tmp_path.glob(f"p{dark}-*.pgm"))
        pixels = b"".join(page.read_bytes()[15:] for page in pages)
        printed[dark] = sum(pixels) / len(pixels)
    assert printed[True] > 220 and abs(printed[True] - printed[False]) < 3


def test_a_danger_sign_is_seen_first(browser: Chromium, report: Path, tmp_path: Path) -> None:
    document = json.loads((report.parent / "f.json").read_text(encoding="utf-8"))
    sign = {**document["findings"][0], "kind": "safety", "title": "Suspected loose neutral"}
    sign["reason"] = {"code": "neutral", "text": "One leg rises as the other falls.", "advice": "Act today."}
    document["findings"].insert(0, sign)
    (tmp_path / "f.json").write_text(json.dumps(document), encoding="utf-8")
    run("report", tmp_path / "f.json", "--out", tmp_path / "r.html")
    browser.open(tmp_path / "r.html", width=390, height=800)
    top = browser.evaluate("document.querySelector('.danger').getBoundingClientRect().top")
    assert top < 300
    assert top < browser.evaluate("document.querySelector('#answer').getBoundingClientRect().top")


@pytest.fixture(scope="session")
def complaint_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The planted complaint: a fortnight with trouble of three kinds."""
    folder = tmp_path_factory.mktemp("farm")
    recording, site = planted_complaint.write(folder)
    run("check", recording, "--site", site, "--out", folder / "r.html")
    return folder / "r.html"


def test_a_fortnight_prints_on_ten_pages_and_none_is_empty(
    browser: Chromium, complaint_report: Path, tmp_path: Path
) -> None:
    browser.open(complaint_report)
    browser.pdf(tmp_path / "r.pdf", width=8.27, height=11.69)
    pages = words_of(tmp_path / "r.pdf", "-layout").split("\f")[:-1]
    assert len(pages) <= 10 and min(len(page.split()) for page in pages) > 20


@pytest.mark.parametrize("name", ["report", "demo_report", "complaint_report"])
def test_no_table_is_cut_at_1280(browser: Chromium, request: pytest.FixtureRequest, name: str) -> None:
    browser.open(request.getfixturevalue(name), width=1280)
    cut = browser.evaluate(
        "Array.from(document.querySelectorAll('.wide')).filter(one => one.offsetParent && "
        "one.scrollWidth > one.clientWidth + 1).map(one => one.getAttribute('aria-label'))"
    )
    assert cut == []


def test_plots_and_verdicts_are_seen_on_a_phone(browser: Chromium, demo_report: Path) -> None:
    browser.open(demo_report, width=390)
    widths = browser.evaluate("Array.from(document.images).map(one => one.getBoundingClientRect().right)")
    assert max(widths) <= 390
    browser.evaluate("document.querySelector('#criteria-table').parentNode.scrollLeft = 300; 0")
    left = browser.evaluate("document.querySelector('#criteria-table tbody td').getBoundingClientRect().left")
    assert 0 <= left < 40
