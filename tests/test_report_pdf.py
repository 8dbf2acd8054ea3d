"""The page as a PDF: the same words, the same bytes each time, and a plain sentence where it cannot be made."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from pqcheck.cli import main
from tests import planted_complaint

HERE = shutil.which("pdftotext") is not None
try:
    import weasyprint  # noqa: F401
except (ImportError, OSError):
    HERE = False
made = pytest.mark.skipif(not HERE, reason="weasyprint with Pango, or pdftotext, is not on this machine")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report in both forms."""
    folder = tmp_path_factory.mktemp("farm")
    recording, site = planted_complaint.write(folder)
    outputs = [str(folder / name) for name in ("r.html", "r.pdf", "findings.json")]
    assert main(["check", str(recording), "--site", str(site), "--quiet", "--out", *outputs]) == 1
    return folder


def words(text: str) -> Counter[str]:
    """Words of letters and digits, whatever breaks lines between them."""
    return Counter(re.findall(r"[A-Za-z0-9.]{3,}", text))


@made
def test_the_pdf_holds_every_word_of_the_page(place: Path) -> None:
    page = (place / "r.html").read_text(encoding="utf-8")
    # The contents and the column of links lead nowhere on paper.
    away = (r"<head>.*?</head>|<script.*?</script>|<nav.*?</nav>|<a [^>]*class=\"skip\".*?</a>|"
            r"<img src=\"[^\"]*\"[^>]*>|>See<")
    page = re.sub(away, " ", page, flags=re.DOTALL)
    page = re.sub(r"<a [^>]*>(plot|times|why)</a>", " ", page)
    block = r"</?(p|li|td|th|dd|dt|h\d|div|tr|small|summary|figcaption)\b[^>]*>"
    asked = words(html.unescape(re.sub(r"<[^>]+>", "", re.sub(block, " ", page))))
    command = ["pdftotext", "-enc", "UTF-8", "-raw", str(place / "r.pdf"), "-"]
    raw = subprocess.run(command, capture_output=True, encoding="utf-8", check=True)
    joined = re.sub(r"\s", "", raw.stdout)
    assert len(asked) > 400 and [word for word in asked if word not in joined] == []


@made
def test_the_same_findings_give_the_same_pdf(place: Path) -> None:
    again = [place / "again.pdf", place / "more.pdf"]
    for target in again:
        assert main(["report", str(place / "findings.json"), str(place / "farm.csv"), "--out", str(target)]) == 0
    assert again[0].read_bytes() == again[1].read_bytes()


def test_without_the_package_a_sentence_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    recording, site = planted_complaint.write(tmp_path)
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    target, other = tmp_path / "r.pdf", tmp_path / "f.json"
    assert main(["check", str(recording), "--site", str(site), "--out", str(target), str(other)]) == 2
    said = capsys.readouterr().err
    assert "pqcheck-power[pdf]" in said and "print that from a browser" in said
    assert not target.exists() and not other.exists()
