"""Files that end too early, or in zeros: what is kept is as it was written, and what is left out is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pqcheck.io import read
from pqcheck.io.csv import last_line
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Recording

ROWS = [(230.12, 2.5), (231.25, 12.5), (229.75, 3.1), (230.5, 10.7), (228.01, 2.9), (230.02, 11.5)]


def text(quoted: bool = False, end: str = "\n", unit: str = "") -> bytes:
    """Six rows of two columns with one number of decimals each."""
    lines = ["time,voltage.an [V],voltage_thd.an [%]"]
    for at, (volts, thd) in enumerate(ROWS):
        cells = [f"{volts:.2f}{unit and ' V'}", f"{thd:.1f}{unit}"]
        lines.append(f"2031-03-03T00:{at * 10:02}:00Z," + ",".join(f'"{cell}"' if quoted else cell for cell in cells))
    return (end.join(lines) + end).encode()


def values_of(recording: Recording) -> np.ndarray:
    [stream] = recording.streams
    [block] = stream.blocks(None)
    return np.array([values.copy() for values in block.values.values()]).T


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.data())
def test_a_file_cut_at_any_byte_has_no_value_that_was_not_written(tmp_path: Path, data: st.DataObject) -> None:
    end, unit = data.draw(st.sampled_from(["\n", "\r\n"])), data.draw(st.sampled_from(["", " %"]))
    whole = text(data.draw(st.booleans()), end, unit)
    length = data.draw(st.integers(whole.index(b"T00:20"), len(whole)))
    tail = data.draw(st.sampled_from([1 << 16, 60]))
    path = tmp_path / "a.csv"
    path.write_bytes(whole[:length])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(last_line, "_TAIL", tail)
        recording = read([path])
    values = values_of(recording)
    kept = ~np.isnan(values)
    assert (values[kept] == np.array(ROWS)[: len(values)][kept]).all()
    # What is lacking of the rows that were begun is named; a cut between two rows shows nowhere, and behind the mark
    # between two cells there stands a blank cell.
    begun = whole[:length].replace(b"\r", b"").rstrip(b"\n").count(b"\n")
    lost = begun > len(values) or not kept.all()
    assert lost == any(note.serious for note in recording.notes) or whole[:length].rstrip(b'"')[-1:] == b","


def test_the_last_number_counts_where_others_are_as_short(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text().rstrip(b"\n").replace(b",11.5", b",1").replace(b",2.5\n", b",2\n"))
    recording = read([path])
    assert values_of(recording)[-1].tolist() == [230.02, 1.0] and not recording.notes


def test_a_whole_last_line_without_a_line_end_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text()[:-1])
    recording = read([path])
    assert values_of(recording).tolist() == [list(row) for row in ROWS] and not recording.notes


def test_a_cut_number_and_a_cut_row_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text()[:-3])
    recording = read([path])
    [note] = recording.notes
    assert np.isnan(values_of(recording)[-1, 1]) and note.serious and note.rows[0].first == 7 and "'11'" in note.text
    path.write_bytes(text()[: text().index(b"T00:50") + 4])
    recording = read([path])
    [note] = recording.notes
    assert len(values_of(recording)) == 5 and "line 7" in note.text and "1 of 3 cells" in note.text


@pytest.mark.parametrize("far", [False, True])
@pytest.mark.parametrize("zeros", [1, 5000])
def test_zeros_are_named_wherever_they_stand(
    tmp_path: Path, far: bool, zeros: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    if far:
        monkeypatch.setattr("pqcheck.io.csv.text_file.SAMPLE", 100)
        monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 90)
    begin = text().index(b"231.25") + 2
    path = tmp_path / "a.csv"
    for content in (text()[:begin] + bytes(zeros), text()[:begin] + bytes(zeros) + text()[begin:]):
        path.write_bytes(content)
        with pytest.raises(InputError, match=f"a.csv, line 3: byte {begin + 1} is a NUL"):
            read([path])


@pytest.mark.parametrize("before", [b"", text()])
def test_a_line_that_does_not_end_is_refused_before_it_fills_the_memory(
    tmp_path: Path, before: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("csv.text_file", "csv.last_line", "source_files"):
        monkeypatch.setattr(f"pqcheck.io.{module}.LONGEST_LINE", 1 << 16)
    monkeypatch.setattr("pqcheck.io.csv.text_file.SAMPLE", 300)
    monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 1 << 12)
    path = tmp_path / "a.csv"
    path.write_bytes(before + b"a" * (1 << 18))
    with pytest.raises(InputError, match="holds a line of more than"):
        read([path])


@pytest.mark.parametrize("zeros", [1, 5000])
def test_zeros_behind_the_last_line_are_no_line_cut_short(tmp_path: Path, zeros: int) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text() + bytes(zeros))
    line = text().count(b"\n") + 1
    with pytest.raises(InputError, match=f"a.csv, line {line}: byte {len(text()) + 1} is a NUL"):
        read([path])
