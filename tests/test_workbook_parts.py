"""Small workbooks that unpack to gigabytes end in a sentence before anything holds them."""

from __future__ import annotations

import io
import random
import zipfile
from pathlib import Path

import pytest

from pqcheck.io import read, workbook_parts
from pqcheck.model.errors import InputError
from tests.test_each import write_week

pandas = pytest.importorskip("pandas")
pytest.importorskip("openpyxl")

SHEET = "xl/worksheets/sheet1.xml"
LIMIT = 20_000


@pytest.fixture
def workbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A sound workbook of a week, under bounds a thousandth of the real ones."""
    for name in ("LONGEST_LINE", "SHARED_TEXTS"):
        monkeypatch.setattr(workbook_parts, name, LIMIT)
    monkeypatch.setattr(workbook_parts, "FREE_BYTES", 10 * LIMIT)
    monkeypatch.setattr(workbook_parts, "CHUNK", 5000)
    monkeypatch.setattr(workbook_parts, "MOST_ROWS", 2000)
    write_week(tmp_path / "week.csv", 60)
    pandas.read_csv(tmp_path / "week.csv").iloc[:, :2].to_excel(tmp_path / "week.xlsx", index=False)
    return tmp_path / "week.xlsx"


def with_part(workbook: Path, name: str, change: tuple[str, str]) -> None:
    """Replace some text in a part, or add a part."""
    packed = io.BytesIO()
    with zipfile.ZipFile(workbook) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            text = old.read(part).decode()
            assert part != name or change[0] in text
            new.writestr(part, text.replace(*change, 1) if part == name else text)
        if name not in old.namelist():
            new.writestr(name, change[1])
    workbook.write_bytes(packed.getvalue())


def noise(size: int, words: str) -> str:
    """So much text that does not pack well."""
    chance = random.Random(3)
    return "".join(f"{chance.random():.17f}{words}" for _ in range(size // (19 + len(words))))


def test_a_week_is_read(workbook: Path) -> None:
    with zipfile.ZipFile(workbook) as archive:
        assert archive.getinfo(SHEET).file_size > 2 * LIMIT
    assert read([workbook]).streams[0].axis.count == 1008


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("<sheetData>", "<cols>" + '<col min="1" max="1"/>' * 2000 + "</cols><sheetData>"), "are no rows"),
        (("</row>", "<c/>" * 10_000 + "</row>"), "are no rows"),
        (("</row>", f"<c t=\"inlineStr\"><is><t>{noise(3 * LIMIT, 'a')}</t></is></c></row>"), "are no rows"),
        (("</row>", "<c><v><![CDATA[" + noise(2 * LIMIT, "<row></row>") + "]]></v></c></row>"), "are no rows"),
        (("</row>", "<!--" + noise(2 * LIMIT, "<row/>") + "--></row>"), "are no rows"),
        (("</row>", "<?a " + noise(2 * LIMIT, "<row/>") + "?></row>"), "are no rows"),
        (("</sheetData>", "<row/>" * 1500 + "</sheetData>"), "more than 2000 rows"),
        (("</sheetData>", "</sheetData>" + " " * 11 * LIMIT), "are no rows"),
    ],
)
def test_sheets_that_are_none(workbook: Path, change: tuple[str, str], words: str) -> None:
    with_part(workbook, SHEET, change)
    with pytest.raises(InputError, match=rf"^week\.xlsx: xl/worksheets/sheet1\.xml holds more than .*{words}|{words}"):
        read([workbook])


def test_a_workbook_that_unpacks_out_of_all_proportion(workbook: Path) -> None:
    with_part(workbook, SHEET, ("</row>", "<c/>" * 2_000_000 + "</row>"))
    with pytest.raises(InputError, match=r"^week\.xlsx unpacks to more than 200 times its size, which no "):
        read([workbook])


def test_texts_that_cells_share(workbook: Path) -> None:
    with_part(workbook, "xl/sharedStrings.xml", ("<si>", noise(2 * LIMIT, "<si><t>a</t></si>") + "<si>"))
    with pytest.raises(InputError, match="of texts, which no recording does"):
        read([workbook])
