"""The report as a file: complete without network or scripts, same bytes again, nothing from a file becomes markup."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote
from xml.etree import ElementTree

import numpy as np
import pytest

from pqcheck.model.findings_file import from_document, read_findings
from pqcheck.reports.html.build import as_html, material_of
from pqcheck.reports.html.html_page import page
from pqcheck.reports.html.judged_criteria import criteria
from tests.report_material import SITE, run, week, with_orders, write_job

JARGON = (
    "percentile", "95th", "99th", "quantile", "statistic", "aggregat", "findings file", "rms", "THD", "p.u.",
    "per unit", "interval", "criterion", "modifier", "fingerprint",
)  # fmt: skip


class Page(HTMLParser):
    """What a page consists of: ids, links, addresses, text by section."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self.scripts: list[dict[str, str | None]] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self._silent = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        self.tags.append(tag)
        if held.get("id"):
            self.ids.append(str(held["id"]))
        if tag == "a":
            self.links.append(str(held.get("href")))
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            if held.get(name) and not (tag == "a" and str(held[name]).startswith("#")):
                self.sources.append(str(held[name]))
        if tag == "img":
            self.images.append(held)
        if tag == "script":
            self.scripts.append(held)
        self._silent += tag in ("script", "style")
        assert not any(name.startswith("on") for name in held), held

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("job")
    recording, site = write_job(folder)
    assert run("check", recording, "--site", site, "--json", folder / "f.json", "--out", folder / "r.html") == 1
    return folder


def first_page(text: str) -> str:
    found = re.search(r'<section class="first".*?</section>', text, re.DOTALL)
    assert found
    return Page(found[0]).text


def test_nothing_is_fetched_and_every_link_has_its_place(job: Path) -> None:
    text = (job / "r.html").read_text(encoding="utf-8")
    found = Page(text)
    assert all(source.startswith("data:") for source in found.sources)
    assert len(found.ids) == len(set(found.ids))
    assert {link.removeprefix("#") for link in found.links} <= set(found.ids)
    assert not re.search("https?:", re.sub(r'<img src="[^"]*"', "", text))
    assert "default-src &#x27;none&#x27;" in text
    assert not {"iframe", "object", "embed", "link", "form", "base"} & set(found.tags)


def test_every_criterion_row_reaches_a_plot_that_is_there(job: Path) -> None:
    text = (job / "r.html").read_text(encoding="utf-8")
    ids = set(Page(text).ids)
    rows = re.findall(r'<tr id="c\d+">.*?</tr>', text, re.DOTALL)
    asked = criteria(read_findings(job / "f.json"))
    assert len(rows) == len(asked) > 70
    for row in rows:
        targets = re.findall(r'href="#(fig-[^"]+)"', row)
        assert targets and set(targets) <= ids


def test_every_image_has_words_and_is_well_formed(job: Path) -> None:
    found = Page((job / "r.html").read_text(encoding="utf-8"))
    assert len(found.images) > 8
    for image in found.images:
        assert len(str(image["alt"])) > 20
        svg = unquote(str(image["src"]).removeprefix("data:image/svg+xml,"))
        tree = ElementTree.fromstring(svg)
        assert tree.tag.endswith("svg")
        assert "matplotlib.org" not in svg and "20" + "26" not in svg


def test_the_first_page_answers_in_plain_words(job: Path) -> None:
    words = first_page((job / "r.html").read_text(encoding="utf-8"))
    assert "Not every limit was kept" in words
    assert "allowed range of 207 to 253 V" in words
    assert "all but about eight hours of the week" in words
    assert "The question:" in words and "What happens next" in words and "What was not examined" in words
    assert "Wednesday 5 March, 18:30 to 19:30" in words and "the saw loses power" in words
    assert "outside 207 to 253 V: phase c down to 20" in words
    for jargon in JARGON:
        assert jargon.lower() not in words.lower(), jargon
    assert not re.search(r"\bfault|blame|guilty|culprit", words)


def test_the_same_input_gives_the_same_bytes(job: Path, tmp_path: Path) -> None:
    site = job / "site.toml"
    assert run("check", job / "recording.csv", "--site", site, "--out", tmp_path / "again.html") == 1
    assert (tmp_path / "again.html").read_bytes() == (job / "r.html").read_bytes()


def test_a_report_from_the_findings_file_shows_the_same(job: Path, tmp_path: Path) -> None:
    assert run("report", job / "f.json", job / "recording.csv", "--out", tmp_path / "r.html") == 0
    one, two = (Page((folder / "r.html").read_text(encoding="utf-8")) for folder in (job, tmp_path))
    assert one.ids == two.ids and one.images == two.images
    plain = [first_page((folder / "r.html").read_text(encoding="utf-8")) for folder in (job, tmp_path)]
    assert plain[0] == plain[1]


def test_without_the_recording_there_are_bars_and_no_trends(job: Path, tmp_path: Path) -> None:
    assert run("report", job / "f.json", "--out", tmp_path / "r.html") == 0
    found = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert any(one.startswith("fig-orders-") for one in found.ids) and "fig-voltage-neutral" not in found.ids
    assert "not at hand" in found.text


def test_one_row_per_rule_and_channel_with_a_strip_of_all_periods() -> None:
    """Six weeks: the page lists the worst and shows the others as signs; the findings file stays complete."""
    from pqcheck.workflows.check_recording import check
    from tests.recordings import recording

    columns = {name: values for name, values in week(1008 * 6).items() if name.startswith("voltage")}
    # The second and the fifth week are quiet.
    for first in (1008, 4 * 1008):
        columns["voltage.cn [V]"][first : first + 1008] = 229 + np.sin((first + np.arange(1008)) / 9)
    site = {
        "name": "long", "time_zone": "UTC",
        "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"},
    }  # fmt: skip
    made = recording(columns)
    findings = check(made, site, ["en50160-2010-lv"], quantities=["voltage"])
    rows = criteria(findings)
    assert len(rows) < len([one for one in findings.findings if one.kind == "limit"])
    failed = next(one for one in rows if one.worst.phase == "cn" and one.worst.rule == "voltage-week-95")
    assert len(failed.findings) == 6
    margins = [one.margin.value for one in failed.findings if one.margin is not None]
    assert failed.worst.margin is not None and failed.worst.margin.value == min(margins)
    text = as_html(findings, made, site)
    assert ">■·■■·■<" in text and "worst of 6: 4 FAIL, 2 PASS" in text
    assert "worst of 6, all PASS" in text


HOSTILE = '<script>alert(1)</script>"\'><img src=x onerror=alert(2)> & ]]> </style> </title> {{7*7}}'


def test_hostile_names_and_texts_stay_text(tmp_path: Path) -> None:
    columns = {"voltage.an [V]": week()["voltage.an [V]"]}
    site = SITE.replace("Quarry Lane workshop", json.dumps(HOSTILE)[1:-1])
    site = site.replace("the saw loses power", json.dumps(HOSTILE)[1:-1])
    site += "\n[report]\n"
    keys = ("title", "question", "remarks", "customer", "next_step")
    site += "".join(f"{key} = {json.dumps(HOSTILE)}\n" for key in keys)
    header = HOSTILE.replace('"', "").replace(",", ";")
    mapping = f'interval = "10 min"\n[recording.columns]\n{json.dumps(header)} = "voltage.an [V]"'
    site = site.replace('interval = "10 min"', mapping)
    recording, declared = write_job(tmp_path, columns, site)
    text = recording.read_text(encoding="utf-8")
    recording.write_text(text.replace("voltage.an [V]", header, 1), encoding="utf-8")
    out = (tmp_path / "r.html", tmp_path / "r.md")
    run("check", recording, "--site", declared, "--quantities", "voltage", "--out", *out)
    page_text = (tmp_path / "r.html").read_text(encoding="utf-8")
    found = Page(page_text)
    assert len([one for one in found.scripts if one.get("type") is None]) == 1
    assert all(source.startswith("data:image/svg") for source in found.sources)
    assert HOSTILE.split()[0] in found.text
    assert "<script>alert" not in page_text and "<img src=x" not in page_text
    # In Markdown no name may open an element or a picture either.
    assert "<script>" not in (tmp_path / "r.md").read_text(encoding="utf-8").replace("\\<", "")


def test_hostile_texts_in_a_findings_file_stay_text(job: Path) -> None:
    document = json.loads((job / "f.json").read_text(encoding="utf-8"))
    for one in document["findings"][:5]:
        one["title"] = one["rule"] = one["clause"] = HOSTILE
        one["reason"] = {"code": HOSTILE, "text": HOSTILE, "advice": HOSTILE}
    document["findings"][0]["kind"] = "safety"
    document["recordings"][0]["file"] = HOSTILE
    document["recordings"][0]["columns"][0]["read_as"] = HOSTILE
    text = as_html(from_document(document), (), None)
    assert "<script>alert" not in text and "<img src=x" not in text
    assert HOSTILE.split()[0] in Page(text).text


def test_danger_signs_stand_above_everything(job: Path) -> None:
    document = json.loads((job / "f.json").read_text(encoding="utf-8"))
    sign = {**document["findings"][0], "kind": "safety", "title": "Suspected loose neutral"}
    sign["reason"] = {"code": "neutral", "text": "One leg rises as the other falls.", "advice": "Act today."}
    document["findings"].insert(0, sign)
    words = Page(as_html(from_document(document), (), None)).text
    assert words.index("Act today.") < words.index("The question:")
    assert "licensed electrician" in words


# Bad input: one sentence, exit 2, nothing written.


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    assert run(*arguments) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.startswith("pqcheck: ") and said.err.count("\n") == 1
    return said.err


def test_a_findings_file_of_another_version(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    document = json.loads((job / "f.json").read_text(encoding="utf-8"))
    (tmp_path / "f.json").write_text(json.dumps({**document, "format": "pqcheck-findings/9"}), encoding="utf-8")
    assert "pqcheck-findings/9" in refused(capsys, "report", tmp_path / "f.json", "--out", tmp_path / "r.html")
    (tmp_path / "f.json").write_text("{", encoding="utf-8")
    assert "not JSON" in refused(capsys, "report", tmp_path / "f.json", "--out", tmp_path / "r.html")
    assert "cannot be read" in refused(capsys, "report", tmp_path / "none.json", "--out", tmp_path / "r.html")
    assert not (tmp_path / "r.html").exists()


def test_a_recording_that_is_not_the_judged_one(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    other = tmp_path / "recording.csv"
    other.write_text((job / "recording.csv").read_text(encoding="utf-8").replace(",23", ",22", 1), encoding="utf-8")
    said = refused(capsys, "report", job / "f.json", other, "--out", tmp_path / "r.html")
    assert "another version" in said and "sha256" in said
    assert not (tmp_path / "r.html").exists()


def test_a_logo_that_is_no_picture(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    recording, declared = write_job(tmp_path, None, SITE + '\n[report]\nlogo = "logo.png"\n')
    (tmp_path / "logo.png").write_text("no picture", encoding="utf-8")
    assert "no picture" in refused(capsys, "check", recording, "--site", declared, "--out", tmp_path / "r.html")
    (tmp_path / "logo.png").unlink()
    said = refused(capsys, "check", recording, "--site", declared, "--out", tmp_path / "r.html")
    assert "beside the site file" in said


def test_a_style_sheet_cannot_end_its_element(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, declared = write_job(tmp_path, None, SITE + '\n[report]\nstyle_sheet = "own.css"\n')
    (tmp_path / "own.css").write_text("</style><script>1</script>", encoding="utf-8")
    assert "plain CSS" in refused(capsys, "check", recording, "--site", declared, "--out", tmp_path / "r.html")
    (tmp_path / "own.css").write_text("h1 { color: purple; }", encoding="utf-8")
    assert run("check", recording, "--site", declared, "--out", tmp_path / "r.html") == 1
    assert "h1 { color: purple; }" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_folder_that_is_not_there(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert "does not exist" in refused(capsys, "report", job / "f.json", "--out", tmp_path / "none" / "r.html")


def test_the_page_of_a_week_with_all_orders_stays_small(tmp_path: Path) -> None:
    """A limit of the issue: below 3 MB for a week with all harmonics, three phases, both sides."""
    from pqcheck.workflows.check_recording import check
    from tests.recordings import recording

    columns = with_orders(week(), range(2, 51))
    random = np.random.RandomState(3)
    for phase in "abc":
        for order in range(2, 51):
            columns[f"current_harmonic.{phase}.h{order} [A]"] = 8 / order * (1 + 0.1 * random.randn(1008))
    site = {
        "name": "all orders", "time_zone": "UTC",
        "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"},
        "pcc": {"is_pcc": True, "short_circuit_current": "12 kA", "maximum_demand_current": "400 A",
                "demand_basis": "mean of 12 monthly maxima"},
    }  # fmt: skip
    made = recording(columns)
    findings = check(made, site, ["ieee519-2022", "en50160-2010-lv"])
    text = page(material_of(findings, made, site))
    assert len(text.encode()) < 3_000_000
    assert len(criteria(findings)) > 400


def test_a_design_is_never_told_as_a_supply_that_complies(tmp_path: Path) -> None:
    """An internal criterion may not be printed as a statement of IEEE 519."""
    site = """\
name = "Kestrel drive"
[supply]
nominal_voltage = "480Y/277 V"
connection = "wye"
frequency = "60 Hz"
[pcc]
is_pcc = true
short_circuit_current = "12 kA"
maximum_demand_current = "400 A"
demand_basis = "projected"
[scenario]
name = "full load"
virtual_pcc = true
amplitudes = "rms"
[limits]
apply = ["ieee519-2022"]
"""
    (tmp_path / "site.toml").write_text(site, encoding="utf-8")
    lines = ["order,current_harmonic.a [A]", *(f"{order},{2 / order}" for order in range(2, 51))]
    (tmp_path / "spectrum.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    run("check", tmp_path / "spectrum.csv", "--site", tmp_path / "site.toml", "--out", tmp_path / "r.html")
    words = first_page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert "Internal criterion" in words and "no statement that equipment or a site complies" in words
    assert "supply" not in words and "second recording" not in words
