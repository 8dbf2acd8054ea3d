"""Outputs: never over an input, whole sets or nothing, straight to what is no file, and the same exit code always."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from pqcheck.cli import COMMANDS, main
from pqcheck.io.write_files import write_set
from pqcheck.model.errors import OutputError
from pqcheck.model.exit_status import ExitStatus
from tests.test_each import SITE, write_week

posix = pytest.mark.skipif(os.name != "posix", reason="links, pipes and devices of POSIX")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with everything a question can read; the recording fails."""
    (tmp_path / "table.json").write_text(
        json.dumps({
            "format": "pqcheck-limits/1", "id": "own", "overlay_of": "base.json", "title": "Own", "edition": "1",
            "source": "here", "changes": [],
        }), encoding="utf-8",
    )  # fmt: skip
    for name in ("waivers.toml", "base.json", "lock.json", "baseline.json", "logo.png", "w.csv.columns.json"):
        (tmp_path / name).write_text(name, encoding="utf-8")
    (tmp_path / "logo.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    site = SITE + '[report]\nlogo = "logo.png"\n[waivers]\nfile = "waivers.toml"\n'
    (tmp_path / "site.toml").write_text(site, encoding="utf-8")
    write_week(tmp_path / "week.csv", 60)
    write_week(tmp_path / "w.csv", 60)
    monkeypatch.chdir(tmp_path)
    return tmp_path


CHECK = ("check", "week.csv", "--site", "site.toml")


def contents(place: Path) -> dict[str, bytes]:
    return {str(path.relative_to(place)): path.read_bytes() for path in place.rglob("*") if path.is_file()}


ONTO_INPUTS: tuple[tuple[str, ...], ...] = (
    (*CHECK, "--json", "week.csv"),
    (*CHECK, "--json", "site.toml"),
    (*CHECK, "--json", "./sub/../week.csv"),
    (*CHECK, "--json", "logo.png"),
    (*CHECK, "--json", "waivers.toml"),
    (*CHECK, "--json", "new.json", "--out", "week.csv"),
    (*CHECK, "--limits", "table.json", "--json", "table.json"),
    (*CHECK, "--limits", "table.json", "--json", "base.json"),
    ("check", "w.csv", "--site", "site.toml", "--json", "w.csv.columns.json"),
    ("gate", "week.csv", "--site", "site.toml", "--as-of", "2031-03-04", "--lock", "lock.json", "--out", "lock.json"),
    ("gate", "week.csv", "--site", "site.toml", "--as-of", "2031-03-04", "--baseline", "baseline.json",
     "--json", "baseline.json"),
    ("gate", "week.csv", "--site", "site.toml", "--as-of", "2031-03-04", "--waivers", "week.html",
     "--out", "week.html"),
    ("load", "week.csv", "--site", "site.toml", "--study", "week.csv"),
    ("vet", "week.csv", "--site", "site.toml", "--propose", "site.toml"),
    ("vet", "week.csv", "--site", "site.toml", "--json", "week.csv"),
    ("columns", "week.csv", "--write", "week.csv"),
    ("columns", "w.csv", "--sidecar"),
    ("gate", "--limits", "table.json", "--site", "site.toml", "--write-lock", "table.json"),
    ("gate", "--site", "site.toml", "--write-lock", "waivers.toml"),
    ("compare", "week.csv", "week.html", "--site", "site.toml", "--out", "week.html"),
    ("report", "week.html", "--out", "week.html"),
    ("check", "--each", "week.csv", "table.csv", "--site", "site.toml", "--limits", "table.json", "--json", "."),
)  # fmt: skip


@pytest.mark.parametrize("arguments", ONTO_INPUTS, ids=lambda words: " ".join(words))
def test_an_output_is_never_an_input(
    arguments: Sequence[str], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "sub").mkdir()
    for name in ("week.html", "table.csv"):
        shutil.copy(place / "week.csv", place / name)
    before = contents(place)
    assert main(arguments) == ExitStatus.COULD_NOT_RUN
    out, err = capsys.readouterr()
    assert out == "" and "it is an input" in err and err.count("\n") == 1
    assert contents(place) == before


@posix
@pytest.mark.parametrize("link", ["symbolic", "hard"])
def test_an_input_by_another_name_is_an_input(link: str, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = place / "other.json"
    (os.symlink if link == "symbolic" else os.link)(place / "week.csv", other)
    before = contents(place)
    assert main([*CHECK, "--json", "other.json"]) == ExitStatus.COULD_NOT_RUN
    assert "it is an input (week.csv)" in capsys.readouterr().err
    assert contents(place) == before


@posix
def test_a_link_is_followed_and_stays(place: Path) -> None:
    (place / "real").mkdir()
    os.symlink(place / "real" / "findings.json", place / "link.json")
    assert main([*CHECK, "--json", "link.json"]) == ExitStatus.FAILED
    assert (place / "link.json").is_symlink()
    assert json.loads((place / "real" / "findings.json").read_bytes())["verdict"] == "fail"


@posix
def test_a_pipe_and_a_device_are_written_to(place: Path) -> None:
    os.mkfifo(place / "pipe")
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append((place / "pipe").read_bytes()))
    reader.start()
    assert main([*CHECK, "--json", "pipe"]) == ExitStatus.FAILED
    reader.join()
    assert json.loads(got[0])["verdict"] == "fail"
    assert (place / "pipe").is_fifo()
    assert main([*CHECK, "--json", os.devnull]) == ExitStatus.FAILED
    assert Path(os.devnull).is_char_device()


def test_a_set_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    kept = tmp_path / "first.txt"
    kept.write_text("before", encoding="utf-8")
    with pytest.raises(OutputError, match=r"second[.]txt: .*choose another place"):
        write_set([(kept, "after"), (tmp_path / "missing" / "second.txt", "text")])
    assert contents(tmp_path) == {"first.txt": b"before"}
    write_set([(kept, "after"), (tmp_path / "second.txt", iter("text"))])
    assert contents(tmp_path) == {"first.txt": b"after", "second.txt": b"text"}


@pytest.mark.parametrize("command", [CHECK, ("vet", *CHECK[1:]), ("load", *CHECK[1:])])
def test_json_on_standard_output(
    command: Sequence[str], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = main([*command])
    text = capsys.readouterr().out
    assert main([*command, "--json", "-"]) == first
    out, err = capsys.readouterr()
    assert json.loads(out)["format"] == "pqcheck-findings/1"
    assert text in err
    assert not (place / "-").exists()


def test_options_are_whole_lists_grow_and_single_values_come_once(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short = ([*CHECK, "--limit", "en50160-2010-lv"], [*CHECK, "--quant", "voltage"], ["limits", "show", "--si", "x"])
    for arguments in short:
        assert main(arguments) == ExitStatus.COULD_NOT_RUN
        capsys.readouterr()
    assert main([*CHECK, "--site", "site.toml"]) == ExitStatus.COULD_NOT_RUN
    assert "--site was given twice; give it once" in capsys.readouterr().err
    assert main([*CHECK, "--json", "a.json", "--json", "a.json"]) == ExitStatus.COULD_NOT_RUN
    capsys.readouterr()
    repeated = [*CHECK, "--limits", "en50160-2010-lv", "--limits", "ieee519-2022", "--out", "a.md", "--out", "b.csv"]
    assert main([*repeated, "--json", "a.json"]) == ExitStatus.FAILED
    assert [table["id"] for table in json.loads((place / "a.json").read_bytes())["limit_tables"]] == [
        "en50160-2010-lv", "ieee519-2022",
    ]  # fmt: skip
    assert (place / "a.md").exists() and (place / "b.csv").exists()


def test_no_command_takes_abbreviations(capsys: pytest.CaptureFixture[str]) -> None:
    for command in COMMANDS:
        assert main([command, "--hel"]) == ExitStatus.COULD_NOT_RUN, command
        assert main([command, "--help"]) == ExitStatus.PASSED, command
    capsys.readouterr()


def run(arguments: Sequence[str], **how: object) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "pqcheck", *arguments]
    return subprocess.Popen(words, stderr=subprocess.PIPE, **how)  # type: ignore[call-overload,no-any-return]


@posix
@pytest.mark.parametrize("arguments", [(*CHECK, "--all"), (*CHECK, "--json", "-"), (*CHECK, "--each")])
def test_a_reader_that_goes_away_changes_no_exit_code(arguments: Sequence[str], place: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    process = run(arguments, stdout=write)
    os.close(write)
    _, err = process.communicate()
    assert process.returncode == ExitStatus.FAILED, err
    assert b"Error" not in err and b"error" not in err


@posix
@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "1>&- 2>&-"])
def test_closed_output_changes_no_exit_code(closed: str, place: Path) -> None:
    command = f'"$0" -m pqcheck check week.csv --site site.toml --json a.json {closed}'
    assert subprocess.run(["sh", "-c", command, sys.executable]).returncode == ExitStatus.FAILED
    assert json.loads((place / "a.json").read_bytes())["verdict"] == "fail"


@posix
def test_the_file_that_is_printed_to_is_not_replaced(place: Path) -> None:
    with open(place / "printed", "wb") as printed:
        process = run([*CHECK, "--quiet", "--json", "/dev/stdout"], stdout=printed)
        process.communicate()
    assert process.returncode == ExitStatus.FAILED
    document, _ = json.JSONDecoder().raw_decode((place / "printed").read_text(encoding="utf-8"))
    assert document["verdict"] == "fail"


@posix
def test_a_full_device_is_a_sentence(place: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with open("/dev/full", "wb") as full:
        process = run(CHECK, stdout=full)
        _, err = process.communicate()
    assert process.returncode == ExitStatus.COULD_NOT_RUN
    assert err.count(b"\n") == 1 and b"No space left" in err


@posix
def test_names_that_are_not_utf_8(place: Path, capfd: pytest.CaptureFixture[str]) -> None:
    name = os.fsdecode(b"woche-\xfc.csv")
    try:
        shutil.copy(place / "week.csv", place / name)
    except OSError:
        pytest.skip("this file system has UTF-8 names only")
    site = ["--site", "site.toml"]
    outputs = ["--out", "a.html", "a.md", "a.csv", "a.junit.xml", "--bundle", "bundle", "--json", "a.json"]
    assert main(["check", name, *site, *outputs]) == ExitStatus.FAILED
    assert json.loads((place / "a.json").read_bytes())["recordings"][0]["file"] == "woche-\\xfc.csv"
    assert main(["check", name, *site, "--each", "--json", "each"]) == ExitStatus.FAILED
    assert main(["check", os.fsdecode(b"fehlt-\xfc.csv"), *site]) == ExitStatus.COULD_NOT_RUN
    assert main(["vet", name, *site]) in (ExitStatus.PASSED, ExitStatus.NOT_SHOWN)
    assert main(["columns", name]) == ExitStatus.PASSED
    assert "error of pqcheck itself" not in capfd.readouterr().err
