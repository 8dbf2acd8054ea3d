"""Declared corrections: what they change, what they leave alone, and what they refuse."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from pqcheck.derive.corrections import corrected_recording
from pqcheck.io import read as read_files
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import DAY, Recording
from pqcheck.site.site_values import Correction
from pqcheck.vet.collect import StreamCollector
from tests.recordings import recording, site, us
from tests.simulator.circuit import Recorder, Service, read, solve, wye_source
from tests.simulator.scenes import columns


def one(kind: str, **settings: Any) -> dict[str, Any]:
    return {"kind": kind, "reason": "photo 7", "author": "site engineer", **settings}


def corrections(*entries: dict[str, Any]) -> tuple[Correction, ...]:
    return site(corrections=list(entries)).corrections


def values(made: Recording, name: str) -> np.ndarray:
    """All values of a channel, block by block."""
    parts = []
    for stream in made.streams:
        for channel in stream.channels:
            if channel.base_name == name and channel.reading == "mean":
                parts += [block.values[channel].copy() for block in stream.blocks(None)]
    return np.concatenate(parts)


def readings(clamps: tuple[int, int, int], arrows: tuple[int, int, int], seed: int = 5) -> dict[str, np.ndarray]:
    """A circuit with the recorder connected so; without noise, so that right and corrected can be compared."""
    rng = np.random.default_rng(seed)
    count = 200
    load = 15_000 * np.array([1.0, 1.2, 0.8])[:, None] * (1 + 0.2 * rng.random((3, count))) * np.exp(0.45j)
    volts, amps = solve(Service(wye_source(230, np.ones(count)), 0.02 + 0.02j, 0.02), load)
    quiet = Recorder(clamps=clamps, arrows=arrows, noise=0.0, volts_noise=0.0, step_amps=1e-4, step_volts=1e-3)
    return columns(read(volts, amps, quiet, rng))


RIGHT = readings((0, 1, 2), (1, 1, 1))


def test_a_reversed_current_turns_powers_and_totals_and_leaves_magnitudes() -> None:
    wrong = readings((0, 1, 2), (1, -1, 1))
    made = corrected_recording(recording(wrong), corrections(one("reverse-current", phase="b")))
    for name in ("active_power.b", "reactive_power.b", "active_power.total", "reactive_power.total", "current.b",
                 "voltage.bn", "active_power.a"):
        unit = next(key for key in RIGHT if key.startswith(f"{name} "))
        assert values(made, name) == pytest.approx(RIGHT[unit], rel=1e-6, abs=0.2)


def test_holes_stay_with_the_clamp_that_missed_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    monkeypatch.setattr("pqcheck.io.timeline.blocks.BLOCK_VALUES", 1)
    rows, chance = 2 * 8640, np.random.default_rng(3)
    columns = {f"current.{phase} [A]": chance.normal(50, 5, rows) for phase in "abc"}
    columns["current.a [A]"][100:400] = np.nan
    stamps = pa.array(us("2031-03-03") + 10_000_000 * np.arange(rows), pa.timestamp("us", tz="UTC"))
    parquet.write_table(pa.table({"time": stamps, **columns}), tmp_path / "a.parquet", row_group_size=8640)
    known = read_files([tmp_path / "a.parquet"])
    made = corrected_recording(known, corrections(one("swap-currents", phases=["a", "b"])))
    collector = StreamCollector(made.streams[0], site(), (), (), ())
    for block in made.streams[0].blocks(None):
        collector.feed(block)
    collector.finish()
    missing = {channel.phase: statistics.missing for channel, statistics in collector.channels.items()}
    assert missing == {"a": 0, "b": 300, "c": 0}


def test_swapped_currents_change_names_and_powers_turn_to_the_right_voltage() -> None:
    wrong = readings((1, 0, 2), (1, 1, 1))
    made = corrected_recording(recording(wrong), corrections(one("swap-currents", phases=["a", "b"])))
    for name in ("current.a", "current.b", "current.c"):
        assert values(made, name) == pytest.approx(RIGHT[f"{name} [A]"], abs=1e-3)
    # Voltages stand 120 degrees apart only nearly so under load: within a percent.
    for name, unit in (("active_power.a", "W"), ("active_power.b", "W"), ("active_power.total", "W"),
                       ("reactive_power.b", "var"), ("apparent_power.a", "VA")):
        assert values(made, name) == pytest.approx(RIGHT[f"{name} [{unit}]"], rel=0.02)


def test_swap_then_reverse_undoes_two_mistakes_at_once() -> None:
    wrong = readings((1, 0, 2), (-1, 1, 1))
    made = corrected_recording(recording(wrong), corrections(
        one("swap-currents", phases=["a", "b"]), one("reverse-current", phase="b")
    ))
    assert values(made, "active_power.total") == pytest.approx(RIGHT["active_power.total [W]"], rel=0.02)


def test_without_reactive_power_a_swapped_power_is_unobserved_not_guessed() -> None:
    wrong = {name: column for name, column in readings((1, 0, 2), (1, 1, 1)).items() if "reactive" not in name}
    made = corrected_recording(recording(wrong), corrections(one("swap-currents", phases=["a", "b"])))
    assert np.isnan(values(made, "active_power.a")).all()
    assert np.isnan(values(made, "active_power.total")).all()
    assert not np.isnan(values(made, "active_power.c")).any()


def test_extremes_of_a_turned_power_change_places() -> None:
    table = {"active_power.a [W]": np.array([-5.0, -6.0]), "active_power.a.min [W]": np.array([-9.0, -8.0]),
             "active_power.a.max [W]": np.array([-1.0, -2.0]), "current.a [A]": np.ones(2)}
    made = corrected_recording(recording(table), corrections(one("reverse-current", phase="a")))
    block = next(iter(made.streams[0].blocks(None)))
    found = {channel.reading: rows.tolist() for channel, rows in block.values.items()
             if channel.quantity == "active_power"}
    assert found == {"mean": [5.0, 6.0], "max": [9.0, 8.0], "min": [1.0, 2.0]}


def test_scaling_touches_one_quantity_and_one_phase() -> None:
    made = corrected_recording(recording(RIGHT), corrections(
        one("scale", quantity="current", phases=["b"], factor=10)
    ))
    assert values(made, "current.b") == pytest.approx(10 * RIGHT["current.b [A]"])
    assert values(made, "current.a") == pytest.approx(RIGHT["current.a [A]"])
    assert values(made, "active_power.b") == pytest.approx(RIGHT["active_power.b [W]"])


def test_a_shift_moves_the_axis_and_the_rows_stay_where_they_are() -> None:
    plain = recording(RIGHT)
    made = corrected_recording(plain, corrections(one("shift-time", by="-1 h")))
    assert made.streams[0].axis.start_us == plain.streams[0].axis.start_us - 3_600_000_000
    first = next(iter(made.streams[0].blocks(None)))
    assert first.axis.start_us == made.streams[0].axis.start_us
    channel = plain.streams[0].channels[0]
    start = made.streams[0].axis.start_us
    assert made.streams[0].index.rows(channel, start, start + 600_000_000)[0].first == 2


@pytest.mark.parametrize("days_per_block", [1, 3])
@pytest.mark.parametrize("hours", [14, 24, 30])
def test_a_trim_shortens_the_axis_and_cuts_days_anew(days_per_block: int, hours: int) -> None:
    count = 1008
    table = {"voltage.an [V]": np.arange(count, dtype=float)}
    start = us("2031-03-03T00:00:00+00:00")
    cut = start + hours * 3_600_000_000
    made = corrected_recording(
        recording(table, days_per_block=days_per_block),
        (Correction("trim", "r", "a", {"from_us": cut, "to_us": cut + 4 * DAY + 1}),),
    )
    axis = made.streams[0].axis
    assert (axis.start_us, axis.count) == (cut, 4 * 144)
    blocks = list(made.streams[0].blocks(None))
    assert sum(block.axis.count for block in blocks) == axis.count
    assert all((block.axis.start_us - cut) % DAY == 0 for block in blocks)
    assert values(made, "voltage.an").tolist() == list(range(hours * 6, hours * 6 + 576))


def test_only_what_is_asked_for_is_handed_on() -> None:
    made = corrected_recording(recording(RIGHT), corrections(one("reverse-current", phase="b")))
    asked = [channel for channel in made.streams[0].channels if channel.base_name == "active_power.total"]
    block = next(iter(made.streams[0].blocks(asked)))
    assert list(block.values) == asked
    assert block.values[asked[0]] == pytest.approx(values(made, "active_power.total")[: block.axis.count])


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([one("reverse-current", phase="n")], "phase 'n' of current, which was not recorded"),
        ([one("reverse-current", phase="b"), one("reverse-current", phase="b")], "contradicts an earlier one"),
        ([one("swap-currents", phases=["a", "b"]), one("swap-currents", phases=["b", "a"])], "are swapped twice"),
        ([one("scale", quantity="current", factor=2), one("scale", quantity="current", phases=["a"], factor=3)],
         "current of phase a is scaled twice"),
        ([one("shift-time", by="1 h"), one("shift-time", by="-1 h")], "the clock is shifted twice"),
        ([one("scale", quantity="frequency", factor=2)], "scales frequency, which was not recorded"),
        ([one("trim", to="2030-01-01T00:00:00")], "leaves nothing"),
    ],
)
def test_corrections_that_cannot_be(entries: list[dict[str, Any]], words: str) -> None:
    table = {name: column for name, column in RIGHT.items() if not name.startswith("current.n")}
    with pytest.raises(SiteError, match=words):
        corrected_recording(recording(table), corrections(*entries))


@pytest.mark.parametrize("missing", ["reason", "author"])
def test_a_correction_is_signed(missing: str) -> None:
    entry = one("reverse-current", phase="b")
    del entry[missing]
    with pytest.raises(SiteError, match=missing):
        corrections(entry)
    blank = Correction("reverse-current", *("" if key == missing else "x" for key in ("reason", "author")),
                       {"phase": "b"})
    with pytest.raises(SiteError, match=f"lacks its {missing}"):
        corrected_recording(recording(RIGHT), (blank,))
