"""Long checks: progress, a full disk, a file that changes under the reader, an interrupt; nothing is half-written."""

from __future__ import annotations

import errno
import gzip
import io
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.io import read
from pqcheck.io.progress import expect, shown, step
from pqcheck.io.write_files import write_pieces
from pqcheck.judge.series_groups import SeriesGroup
from pqcheck.model.errors import InputError, OutputError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.site.load_site import load_site

SITE = """
name = "Test bench"
time_zone = "UTC"
[supply]
nominal_voltage = "230 V"
connection = "single-phase"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
"""


def rows(count: int = 1008) -> str:
    start = np.datetime64("2031-03-03T00:00", "m")
    lines = [f"{start + slot * 10}:00Z,{230 + slot % 7 / 10:.1f}" for slot in range(count)]
    return "time,voltage.an [V]\n" + "\n".join(lines) + "\n"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    (tmp_path / "week.csv").write_text(rows(), encoding="utf-8")
    return tmp_path


def as_parquet(place: Path) -> Path:
    import polars as pl

    path = place / "week.parquet"
    stamps = np.datetime64("2031-03-03T00:00", "ms") + np.arange(1008) * np.timedelta64(600_000, "ms")
    pl.DataFrame({"time": stamps, "voltage.an [V]": 230 + np.arange(1008) % 7 / 10}).write_parquet(path)
    return path


def leftovers(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.iterdir() if each.name.startswith(".") or "part" in each.name)


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """It is one."""
        return True


def with_clock(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    ticks = iter(seconds * number for number in range(10_000))
    monkeypatch.setattr("pqcheck.io.progress.time.monotonic", lambda: next(ticks))


# Progress.


def test_a_single_check_shows_its_progress_on_a_terminal_and_clears_it(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_clock(monkeypatch, 3.0)
    plain = check(place / "week.csv", place / "site.toml").to_json()
    stream = Terminal()
    with shown("days judged", stream=stream):
        watched = check(place / "week.csv", place / "site.toml").to_json()
    assert "days judged: 7 of 7, " in stream.getvalue()
    assert stream.getvalue().endswith("\r\x1b[K")
    assert watched == plain


def test_reading_a_large_text_and_many_files_is_shown_too(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_clock(monkeypatch, 1.0)
    monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 4096)
    monkeypatch.setattr("pqcheck.io.source_files.MB", 1000)
    size = (place / "week.csv").stat().st_size // 1000
    stream = Terminal()
    with shown("days judged", stream=stream):
        check(place / "week.csv", place / "site.toml")
    said = stream.getvalue()
    assert f"reading week.csv, MB: 12 of {size}, " in said and "a second, " in said
    assert said.index("reading week.csv") < said.index("days judged: 7 of 7, ")
    lines = (place / "week.csv").read_text().splitlines(keepends=True)
    parts = []
    for number in range(6):
        parts.append(place / f"part-{number}.csv")
        parts[-1].write_text(lines[0] + "".join(lines[1 + 100 * number : 101 + 100 * number]))
    stream = Terminal()
    with shown("days judged", stream=stream):
        check(parts, place / "site.toml")
    assert "files looked at: 5 of 6, " in stream.getvalue()


@pytest.mark.parametrize(("quiet", "stream"), [(True, Terminal()), (False, io.StringIO())])
def test_quiet_says_nothing_and_what_is_quick_says_nothing_elsewhere(
    quiet: bool, stream: io.StringIO, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_clock(monkeypatch, 3.0)
    with shown("days judged", quiet=quiet, stream=stream):
        check(place / "week.csv", place / "site.toml")
    assert stream.getvalue() == ""


def test_a_log_gets_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    with_clock(monkeypatch, 31.0)
    stream = io.StringIO()
    with shown("days judged", stream=stream):
        expect(4)
        for _ in range(2):
            step(1)
    assert stream.getvalue().splitlines() == [
        "days judged: 1 of 4, 0.0323 a second, 2 min left",
        "days judged: 2 of 4, 0.0323 a second, 62 s left",
    ]


def test_outside_a_command_nothing_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    expect(1)
    step(1)
    assert capsys.readouterr() == ("", "")


def test_progress_is_cleared_when_a_check_fails() -> None:
    stream = Terminal()
    with pytest.raises(InputError), shown("days judged", stream=stream):
        raise InputError("no")
    expect(1)
    assert stream.getvalue() == ""


# A disk that fills up.


def no_room(*_: Any, **__: Any) -> Any:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


class FullDisk(io.BytesIO):
    """A file that takes a few bytes and no more."""

    def write(self, data: Any) -> int:
        """Refuse once the room is used up."""
        if self.tell() + len(data) > 100:
            no_room()
        return super().write(data)


def test_a_full_disk_is_one_sentence_and_leaves_no_file(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def opened(handle: int, mode: str, held: int) -> io.BytesIO:
        os.close(handle)
        return FullDisk()

    (place / "kept.json").write_text("before", encoding="utf-8")
    monkeypatch.setattr("pqcheck.io.write_files.os.fdopen", opened)
    arguments = [str(place / "week.csv"), "--site", str(place / "site.toml"), "--json", str(place / "kept.json")]
    assert main(["check", *arguments]) == ExitStatus.COULD_NOT_RUN
    out, err = capsys.readouterr()
    assert out == ""
    assert err == f"pqcheck: cannot write {place / 'kept.json'}: No space left on device; choose another place\n"
    assert leftovers(place) == []
    assert (place / "kept.json").read_text(encoding="utf-8") == "before"


def test_a_text_made_bit_by_bit_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    def broken() -> Iterator[str]:
        yield "one"
        raise OutputError("the second piece cannot be made")

    with pytest.raises(OutputError, match="second piece"):
        write_pieces(tmp_path / "a.json", broken())
    assert list(tmp_path.iterdir()) == []
    write_pieces(tmp_path / "a.json", ["ä", "b"])
    assert (tmp_path / "a.json").read_bytes() == b"\xc3\xa4b"


def test_no_room_to_unpack(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packed, temporary = place / "week.csv.gz", place / "tmp"
    packed.write_bytes(gzip.compress(rows().encode()))
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    real: Callable[..., Any] = open

    def opened(path: Any, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
        return FullDisk() if mode == "wb" else real(path, mode, *args, **kwargs)

    monkeypatch.setattr("pqcheck.io.source_files.open", opened, raising=False)
    with pytest.raises(InputError, match=r"cannot be unpacked into .*: No space left on device; make room there"):
        read([packed])
    assert list(temporary.iterdir()) == []


# A file that changes while it is read.


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize("keep", [0.0, 0.5])
def test_a_file_that_shrinks_while_being_read(
    kind: str, keep: float, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    path = place / "week.csv" if kind == "csv" else as_parquet(place)
    recording = read([path], load_site(place / "site.toml"))
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * keep)])
    with pytest.raises(InputError, match=f"^{path.name} (changed|became shorter) while it was being read; run again"):
        list(recording.streams[0].blocks(None))


def test_a_file_that_vanishes_between_the_passes(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    path = as_parquet(place)
    recording = read([path], load_site(place / "site.toml"))
    path.unlink()
    with pytest.raises(InputError, match=r"^week\.parquet is gone; run again once nothing moves it"):
        list(recording.streams[0].blocks(None))


# An interrupt.


@pytest.mark.parametrize("packed", [False, True])
def test_an_interrupt_writes_nothing_and_leaves_no_temporary_file(
    packed: bool, place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    temporary = place / "tmp"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    monkeypatch.setattr(SeriesGroup, "feed", interrupted)
    path = place / "week.csv"
    if packed:
        path = place / "packed.csv.gz"
        path.write_bytes(gzip.compress(rows().encode()))
    arguments = [str(path), "--site", str(place / "site.toml"), "--json", str(place / "a.json")]
    assert main(["check", *arguments]) == ExitStatus.COULD_NOT_RUN
    out, err = capsys.readouterr()
    assert (out, err) == ("", "pqcheck: interrupted; nothing was written\n")
    assert leftovers(place) == []
    assert not (place / "a.json").exists()
    import gc

    gc.collect()
    assert list(temporary.iterdir()) == []


def test_an_interrupt_while_writing_leaves_the_old_file(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = place / "a.json"
    target.write_text("before", encoding="utf-8")

    def pieces() -> Iterator[str]:
        yield "half"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_pieces(target, pieces())
    assert target.read_text(encoding="utf-8") == "before"
    assert leftovers(place) == []
