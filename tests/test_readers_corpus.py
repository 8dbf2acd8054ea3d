"""Every file of reference_cases/reading/ is read as reading.toml says, or refused with the sentence it names."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck.io import parse_header, read
from pqcheck.io.describe_columns import describe, recording_section
from pqcheck.model.clock import iso
from pqcheck.model.errors import InputError
from pqcheck.model.units import duration_us
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site

FOLDER = Path(__file__).resolve().parent.parent / "reference_cases" / "reading"
CASES: dict[str, dict[str, Any]] = tomllib.loads((FOLDER / "reading.toml").read_text(encoding="utf-8"))
KEYS = {"shows", "file", "zone", "nominal", "connection", "recording", "start", "interval", "tolerance", "channels",
        "over", "under", "rows", "notes", "error"}


def site_of(case: dict[str, Any], recording: dict[str, Any] | None = None) -> Site:
    supply = {"nominal_voltage": case.get("nominal", "400 V"), "connection": case.get("connection", "wye")}
    document = {"name": "Mill Lane", "time_zone": case.get("zone", "UTC"), "supply": supply}
    section = recording if recording is not None else case.get("recording")
    return site_from({**document, **({"recording": section} if section else {})})


def compare(case: dict[str, Any], site: Site) -> None:
    recording = read([FOLDER / case["file"]], site)
    assert len(recording.streams) == 1
    stream = recording.streams[0]
    assert stream.axis.interval_us == duration_us(case.get("interval", "10 min"))
    assert iso(stream.axis.start_us, "UTC") == case["start"]
    wanted = {parse_header(header): values for header, values in case["channels"].items()}
    assert set(stream.channels) == set(wanted)
    pieces: dict[Any, list[Any]] = {channel: [] for channel in wanted}
    over: dict[Any, list[Any]] = {channel: [] for channel in wanted}
    under: dict[Any, list[Any]] = {channel: [] for channel in wanted}
    for block in stream.blocks(None):
        for channel, values in block.values.items():
            pieces[channel].append(values.copy())
            over[channel].append(block.lower_bounds.get(channel, np.zeros(block.axis.count, bool)))
            under[channel].append(block.upper_bounds.get(channel, np.zeros(block.axis.count, bool)))
    for channel, values in wanted.items():
        found = np.concatenate(pieces[channel])
        if "tolerance" in case:
            assert np.allclose(found, values, atol=case["tolerance"], rtol=0)
        else:
            assert repr(found.tolist()) == repr([float(value) for value in values])
    for pieces_of, key in ((over, "over"), (under, "under")):
        for header, marks in case.get(key, {}).items():
            assert np.concatenate(pieces_of[parse_header(header)]).tolist() == marks
    for header, spans in case.get("rows", {}).items():
        channel = parse_header(header)
        assert channel is not None
        rows = stream.index.rows(channel, stream.axis.start_us, stream.axis.end_us)
        assert [[span.first, span.last] for span in rows] == spans
    assert set(case.get("notes", [])) <= {note.code for note in recording.all_notes()}


def test_the_corpus_is_whole() -> None:
    assert len(CASES) >= 40
    assert {case["file"] for case in CASES.values()} | {"README.md", "reading.toml"} == {
        path.name for path in FOLDER.iterdir()}
    assert all(set(case) <= KEYS for case in CASES.values())


@pytest.mark.parametrize("name", CASES)
def test_a_file_is_read_as_written_down(name: str) -> None:
    case = CASES[name]
    if "error" in case:
        with pytest.raises(InputError, match=case["error"]) as caught:
            read([FOLDER / case["file"]], site_of(case))
        assert "\n" not in str(caught.value)
    else:
        compare(case, site_of(case))


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "error" not in case])
def test_the_mapping_that_is_written_reads_the_same(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    site = site_of(case)
    text = recording_section(describe([FOLDER / case["file"]], site), site)
    compare(case, site_of(case, tomllib.loads(text)["recording"]))
