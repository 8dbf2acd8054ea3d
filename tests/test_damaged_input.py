"""Damaged, absurd and endless input: one sentence that names it and exit 2; no error of the program, and no wait."""

from __future__ import annotations

import gzip
import io
import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from pqcheck.cli import main
from pqcheck.model.exit_status import ExitStatus
from tests.test_each import SITE, write_week

DEEP_JSON = "[" * 100_000 + "]" * 100_000
LONG_NUMBER = "9" * 6000


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    write_week(tmp_path / "week.csv", 60)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """The one sentence of a command that could not run."""
    status = main(arguments)
    out, err = capsys.readouterr()
    assert status == ExitStatus.COULD_NOT_RUN, (arguments, status, err)
    assert out == "" and err.count("\n") == 1 and "pqcheck itself" not in err, (arguments, err)
    return err


def check(capsys: pytest.CaptureFixture[str], recording: str, site: str = "site.toml", *more: str) -> str:
    return refused(capsys, "check", recording, "--site", site, *more)


def test_damaged_archives(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    week = (place / "week.csv").read_bytes()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("week.csv", week)
    whole = bytearray(packed.getvalue())
    inside = bytearray(whole)
    for position in (60, 200):
        inside[position] ^= 255
    damaged = {
        "cut.csv.gz": gzip.compress(week)[:500],
        "noise.gz": b"\x1f\x8b" + b"x" * 100,
        "noise.zip": b"PK\x03\x04" + bytes(range(200)),
        "inside.zip": bytes(inside),
        "cut.zip": bytes(whole[: len(whole) // 2]),
    }
    for name, content in damaged.items():
        (place / name).write_bytes(content)
        assert "damaged" in check(capsys, name), name


def test_lines_that_no_table_has(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "\n2031-03-03T00:00:00Z,230.0\n2031-03-03T00:10:00Z,230.0\n"
    texts = {
        "lone carriage return": "time,voltage.an [V]\n2031-03-03T00:00:00Z,23\r0.0\n2031-03-03T00:10:00Z,230.0\n",
        "carriage returns only": f"time,voltage.an [V]{rows}".replace("\n", "\r"),
        "long header": f"time,{'x' * 131_072}{rows}",
        "long quoted header": f'time,"{"x" * 140_000}"{rows}',
        "long cell": f"time,voltage.an [V]{rows}2031-03-03T00:20:00Z,{'y' * 200_000}\n",
    }
    for name, text in texts.items():
        (place / "odd.csv").write_bytes(text.encode())
        assert "a line of text cannot be cut into cells" in check(capsys, "odd.csv"), name


def test_damaged_workbooks(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["time", "voltage.an [V]"])
    for hour in range(6):
        book.active.append([f"2031-03-03T0{hour}:00:00Z", 230 + hour])
    book.save(place / "whole.xlsx")
    damages: dict[str, Callable[[bytes], bytes]] = {
        "cut": lambda xml: xml[: len(xml) // 2],
        "deep": lambda xml: b"<a>" * 50_000,
        "digits": lambda xml: xml.replace(b"<v>230</v>", b"<v>" + LONG_NUMBER.encode() + b"</v>"),
        "strings": lambda xml: xml.replace(b't="n"', b't="s"'),
    }
    whole = zipfile.ZipFile(place / "whole.xlsx")
    for name, damage in damages.items():
        with zipfile.ZipFile(place / f"{name}.xlsx", "w") as target:
            for member in whole.namelist():
                content = whole.read(member)
                target.writestr(member, damage(content) if member.endswith("sheet1.xml") else content)
        assert "damaged" in check(capsys, f"{name}.xlsx"), name
    content = (place / "whole.xlsx").read_bytes()
    for seed in range(40):
        (place / "flipped.xlsx").write_bytes(_flipped(content, seed))
        if main(["check", "flipped.xlsx", "--site", "site.toml"]) == ExitStatus.COULD_NOT_RUN:
            err = capsys.readouterr().err
            assert "pqcheck itself" not in err and err.count("\n") == 1, seed


def test_damaged_parquet(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pandas = pytest.importorskip("pandas")
    frame = pandas.read_csv(place / "week.csv")
    frame.to_parquet(place / "whole.parquet", row_group_size=200)
    content = (place / "whole.parquet").read_bytes()
    outcomes = set()
    for seed in range(150):
        (place / "flipped.parquet").write_bytes(_flipped(content, seed))
        outcomes.add(status := main(["check", "flipped.parquet", "--site", "site.toml"]))
        err = capsys.readouterr().err
        assert "Traceback" not in err and "pqcheck itself" not in err, (seed, err)
        if status == ExitStatus.COULD_NOT_RUN:
            assert err.count("\n") == 1, (seed, err)
    assert ExitStatus.COULD_NOT_RUN in outcomes
    for size in (4, 8, 100, len(content) - 1):
        (place / "cut.parquet").write_bytes(content[:size])
        check(capsys, "cut.parquet")


def _flipped(content: bytes, seed: int) -> bytes:
    chance = random.Random(seed)
    changed = bytearray(content)
    for _ in range(1 + seed % 8):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed[: chance.randrange(len(changed))] if seed % 5 == 0 else changed)


def test_toml_and_json_out_of_all_proportion(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "deep.toml").write_text(f"{SITE}\nx={DEEP_JSON}", encoding="utf-8")
    (place / "key.toml").write_text(f"{'.'.join('a' * 20_000)}=1\n{SITE}", encoding="utf-8")
    (place / "long.toml").write_text(f"x={LONG_NUMBER}\n{SITE}", encoding="utf-8")
    (place / "deep.json").write_text(DEEP_JSON, encoding="utf-8")
    (place / "long.json").write_text(f'{{"format": {LONG_NUMBER}}}', encoding="utf-8")
    gate = ("gate", "week.csv", "--site", "site.toml", "--as-of", "2031-03-04")
    for name in ("deep.toml", "key.toml", "long.toml"):
        assert name in check(capsys, "week.csv", name)
        assert name in refused(capsys, *gate, "--waivers", name)
    for name in ("deep.json", "long.json"):
        assert name in check(capsys, "week.csv", "site.toml", "--limits", name)
        assert name in refused(capsys, *gate, "--baseline", name)
        assert name in refused(capsys, *gate, "--lock", name)
        assert name in refused(capsys, "report", name, "--out", "x.html")
        (place / "week.csv.columns.json").write_bytes((place / name).read_bytes())
        assert "week.csv.columns.json" in check(capsys, "week.csv")
        (place / "week.csv.columns.json").unlink()
    (place / "orders.csv").write_text(f"order,current_harmonic [A]\n1,100\n{LONG_NUMBER},3\n", encoding="utf-8")
    assert "orders.csv, row 3" in check(capsys, "orders.csv")


def test_a_folder_is_no_recording(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder in (".", "..", str(place)):
        err = check(capsys, folder)
        assert "is a folder" in err and "--each" in err and "*.csv" in err


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices of POSIX")
def test_what_is_no_file_is_refused_at_once(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(place / "pipe")
    gate = ("gate", "week.csv", "--site", "site.toml", "--as-of", "2031-03-04")
    asked: tuple[tuple[str, ...], ...] = (
        *((command, "pipe", "--site", "site.toml") for command in ("check", "vet", "load")),
        ("columns", "pipe"),
        ("check", "week.csv", "--site", "pipe"),
        ("check", "week.csv", "--site", "site.toml", "--limits", "./pipe"),
        *((*gate, option, "pipe") for option in ("--waivers", "--baseline", "--lock")),
        ("report", "pipe", "--out", "x.html"),
        ("limits", "validate", "./pipe"),
        ("check", "/dev/zero", "--site", "site.toml"),
    )
    for arguments in asked:
        assert "a pipe or a device and no file" in refused(capsys, *arguments).lower(), arguments
    assert main(["check", "pipe", "--each", "--site", "site.toml"]) == ExitStatus.NOT_SHOWN
    assert "pipe: UNREADABLE: pipe is a pipe or a device" in capsys.readouterr().out
