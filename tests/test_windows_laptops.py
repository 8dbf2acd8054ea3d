"""What Windows does otherwise: its console, its shell, its editors, and files that another program holds open.

The programs run with the settings of `tests/windows_settings`; `.ci/run` runs further tests with them.
"""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.cli.console import show
from pqcheck.model.exit_status import ExitStatus
from tests.test_each import SITE, write_week

CHECK = ("check", "week.csv", "--site", "site.toml")
NAME = "\u0141\u00f3d\u017a \u03a9"
"""Letters that a console of Western Europe has, and some that it has not."""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a recording that fails, declared in a site file of a simple editor: CRLF, byte order mark."""
    write_week(tmp_path / "week.csv", 60)
    write_week(tmp_path / "weak [1].csv", 60)
    site = SITE.replace("Test bench", NAME)
    (tmp_path / "site.toml").write_text(site, encoding="utf-8-sig", newline="\r\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(arguments: Sequence[str], before: str = "") -> subprocess.CompletedProcess[bytes]:
    """The program as on Windows; `before` is run first in the same process."""
    if not Path("/proc/self/fd").exists():
        pytest.skip("which files are open is not known here")
    settings = str(Path(__file__).with_name("windows_settings"))
    path = os.pathsep.join([settings, os.environ["PYTHONPATH"]])
    environment = os.environ | {"PYTHONPATH": path, "PYTHONIOENCODING": "cp1252", "PYTHONTZPATH": ""}
    program = f"import sys\n{before}\nfrom pqcheck.cli import main\nsys.exit(main(sys.argv[1:]))"
    return subprocess.run([sys.executable, "-c", program, *arguments], env=environment, capture_output=True)


@pytest.mark.parametrize("arguments", [(*CHECK, "--all"), ("vet", *CHECK[1:]), (*CHECK, "--each")])
def test_text_on_a_console_without_the_letters(arguments: Sequence[str], capsys: pytest.CaptureFixture[str]) -> None:
    done = run(arguments)
    assert (done.returncode, done.stderr) == (main([*arguments]), b"")
    assert done.stdout.decode("cp1252").replace("\r\n", "\n") == capsys.readouterr().out


def test_unknown_letters_are_spelled_out() -> None:
    Path("site.toml").write_text(f'{NAME} = "x"\n', encoding="utf-8")
    Path(f"{NAME}.csv").write_text("time,voltage.an [V]\n", encoding="utf-8")
    done = run(["check", f"{NAME}.csv", "--site", "site.toml"])
    assert done.returncode == ExitStatus.COULD_NOT_RUN
    assert done.stderr.count(b"\n") == 1 and b"error of pqcheck itself" not in done.stderr


def test_printed_findings_are_utf_8_wherever_they_go(place: Path) -> None:
    done = run([*CHECK, "--json", "-"])
    assert done.returncode == ExitStatus.FAILED
    assert run([*CHECK, "--json", "a.json"]).returncode == ExitStatus.FAILED
    assert done.stdout == (place / "a.json").read_bytes()
    assert json.loads(done.stdout.decode("utf-8"))["site"]["name"] == NAME
    assert check("week.csv", "site.toml").to_json().encode() == done.stdout


def test_an_output_that_is_open_elsewhere_is_a_sentence_and_the_set_stays(place: Path) -> None:
    for name in ("a.csv", "a.json", "a.html"):
        (place / name).write_bytes(b"before")
    files = sorted(path.name for path in place.iterdir())
    done = run([*CHECK, "--out", "a.html", "a.csv", "--json", "a.json"], before="held = open('a.csv', 'rb')")
    assert done.returncode == ExitStatus.COULD_NOT_RUN
    assert done.stderr.count(b"\n") == 1 and b"a.csv" in done.stderr and b"open in another program" in done.stderr
    assert {(place / name).read_bytes() for name in ("a.csv", "a.json", "a.html")} == {b"before"}
    assert sorted(path.name for path in place.iterdir()) == files


def test_archives_and_workbooks_leave_nothing_behind(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pandas, gzip = pytest.importorskip("pandas"), pytest.importorskip("gzip")
    pytest.importorskip("openpyxl")
    Path("week.csv.gz").write_bytes(gzip.compress(Path("week.csv").read_bytes()))
    pandas.read_csv("week.csv").to_excel("week.xlsx", index=False)
    (place / "temporary").mkdir()
    monkeypatch.setenv("TMPDIR", str(place / "temporary"))
    for name in ("week.csv.gz", "week.xlsx"):
        done = run(["check", name, "--site", "site.toml", "--quiet"])
        assert (done.returncode, done.stderr) == (ExitStatus.FAILED, b"")
    assert not any((place / "temporary").iterdir())


def test_patterns_are_expanded_as_no_shell_there_does(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "w*k*.csv", "--each", "--site", "site.toml"]) == ExitStatus.FAILED
    lines = capsys.readouterr().out.splitlines()
    assert [line.partition(":")[0] for line in lines[:2]] == ["weak [1].csv", "week.csv"]
    assert main(["check", "weak [1].csv", "--site", "site.toml"]) == ExitStatus.FAILED
    assert main(["check", "wea? [1].csv", "--site", "site.toml"]) == ExitStatus.FAILED
    capsys.readouterr()
    assert main(["check", "month*.csv", "--site", "site.toml"]) == ExitStatus.COULD_NOT_RUN
    assert "month*.csv: no file has a name like this" in capsys.readouterr().err


@pytest.mark.parametrize("number", [errno.EPIPE, errno.EINVAL])
def test_a_reader_that_has_gone_away(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone:
        def write(self, text: str) -> None:
            raise OSError(number, os.strerror(number))

        def fileno(self) -> int:
            raise ValueError("none")

    monkeypatch.setattr(sys, "stdout", Gone())
    show("text")


def test_files_of_json_may_have_a_byte_order_mark(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*CHECK, "--json", "a.json", "--quiet"]) == ExitStatus.FAILED
    assert main(["columns", "week.csv", "--sidecar"]) == ExitStatus.PASSED
    for path in place.glob("*.json"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert main(["report", "a.json", "--out", "a.md"]) == ExitStatus.PASSED
    assert main([*CHECK, "--quiet"]) == ExitStatus.FAILED
    assert main(["compare", "a.json", "a.json"]) == ExitStatus.FAILED
    capsys.readouterr()
