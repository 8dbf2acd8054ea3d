"""Event tables as people have them: columns in any order and unit, clocks that leave a time open."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.cli import main
from pqcheck.io.read_files import read
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Recording
from pqcheck.site.load_site import site_from

PLAIN = "time,phase,kind,duration [s],residual [%]\n"


def place(**more: Any) -> Any:
    supply = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}
    return site_from({"time_zone": "Europe/Lisbon", "supply": supply, **more})


def recorded(folder: Path, text: str, **more: Any) -> Recording:
    path = folder / "events.csv"
    path.write_text(text, encoding="utf-8")
    return read([path], place(**more))


def shown(made: Recording) -> list[tuple[str, str, str, str]]:
    return [(event.phase, event.kind, f"{event.duration_s.normalize():f}",
             "-" if event.residual_percent is None else f"{event.residual_percent.normalize():f}")
            for event in made.events]  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        PLAIN + "2031-03-04T10:00:00Z,an,dip,0.4,60\n",
        "kind,residual [%],time,duration [s],phase\ndip,60,2031-03-04T10:00:00Z,0.4,an\n",
        "Time,Phase,Kind,Duration [ms],Residual [V],Cause\n2031-03-04T10:00:00Z,AN,Dip,400,138,motor\n",
        "time;phase;type;duration (cycles);residual [kV]\n2031-03-04 10:00;a;sag;20;0,138\n",
        "Press shop\n\ntime\tphase\tkind\tevent duration [s]\tdepth [%]\n2031-03-04T10:00:00Z\tan\tdip\t0.4\t40\n",
        "time,phase,kind,duration,retained voltage\n2031-03-04T10:00:00Z,an,dip,400 ms,0.6 pu\n",
        "date,clock,phase,kind,duration [s],residual [pu]\n04.03.2031,10:00:00,an,dip,0.4,0.6\n",
        "time,phase,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,0.4,60\n",
    ],
)
def test_headers_that_say_the_same(tmp_path: Path, text: str) -> None:
    """The nominal of a leg of a 400 V service is 230 V (common practice)."""
    made = recorded(tmp_path, text)
    (row,) = shown(made)
    assert row[:3] == ("an", "dip", "0.4") and abs(float(row[3]) - 60) < 1e-9
    assert made.event_tables == ("events.csv",)


@pytest.mark.parametrize(("text", "words"), [
    (PLAIN + "2031-03-04T10:00:00Z,an,swell,0.4,1.35\n", r"row 2: .*'1.35', and .* a swell lies above 100 %"),
    (PLAIN + "2031-03-04T10:00:00Z,an,dip,0.4,170\n", r"row 2: .*'170'.* a dip lies below 100 %"),
    (PLAIN + "2031-03-04T10:00:00Z,an,swell,0.4,-50\n", r"row 2: .*not below zero"),
    (PLAIN + "2031-03-04T10:00:00Z,an,interruption,4,40\n", r"row 2: .*an interruption lies below 10 %"),
    (PLAIN + "2031-03-04T10:00:00Z,an,dip,4,0.4\n2031-03-05T10:00:00Z,an,dip,4,0.85\n", r"row 2: .*per unit"),
    (PLAIN + "2031-03-04T10:00:00Z,d,dip,4,40\n", r"row 2: 'd' is no phase"),
    (PLAIN + "2031-03-04T10:00:00Z,an,dip,1e400,40\n", r"row 2: an event needs a duration"),
    (PLAIN + "2031-03-04T10:00:00Z,an,dip,-1,40\n", r"row 2: an event needs a duration"),
    (PLAIN + "2031-03-04T10:00:00Z,an,outburst,1,40\n", r"row 2: 'outburst' is no kind of event"),
    (PLAIN + "2031-03-04T10:00:00Z,an,dip,1\n", r"row 2 has 4 cells"),
    (PLAIN + "yesterday,an,dip,1,40\n", r"'yesterday' is no date"),
    ("time,phase,kind,duration,residual [%]\n2031-03-04T10:00:00Z,an,dip,4,40\n", r"duration is '4' without a unit"),
    ("time,phase,kind,duration [parsec],residual [%]\n2031-03-04T10:00:00Z,an,dip,4,40\n", r"durations in 'parsec'"),
    ("time,phase,kind,duration [s],residual [A]\n2031-03-04T10:00:00Z,an,dip,4,40\n", r"a residual in 'a'"),
    ("time,phase,kind,duration [s]\n2031-03-04T10:00:00Z,an,dip,4\n", r"neither a residual voltage nor a depth"),
    ("time,phase,kind,duration [s],depth [%]\n2031-03-04T10:00:00Z,an,swell,4,10\n", r"row 2: a swell has no depth"),
    # What may be read in two ways, of which one lies inside a curve and the other does not.
    ("time,phase,kind,duration [s],residual depth [%]\n2031-03-04T10:00:00Z,an,dip,4,85\n", r"or a depth; write"),
    ("time,phase,kind,duration [ms],duration [s],residual [%]\n2031-03-04T10:00:00Z,an,dip,4,4,85\n", r"keep one"),
    ("time,phase,kind,duration [s],residual [%],depth [%]\n2031-03-04T10:00:00Z,an,dip,4,85,85\n", r"row 2: .*add up"),
    ('time,phase,kind,duration [ms],residual [%]\n2031-03-04T10:00:00Z,an,dip,"1,234",50\n', r"row 2: the comma of"),
    ("time;phase;kind;duration [ms];residual [%]\n2031-03-04T10:00:00Z;an;dip;1.234;50,5\n", r"row 2: the comma of"),
    ("time,phase,kind,duration [s],residual [V]\n2031-03-04T10:00:00Z,,dip,4,200\n", r"row 2: whether the volts"),
    ("time,phase,kind,duration [s],residual L-L [V]\n2031-03-04T10:00:00Z,an,dip,4,200\n", r"row 2: whether the volts"),
    ("time,phase,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,0.01,0.5\n", r"row 2: .*per unit"),
    (PLAIN + "2031-03-04T10:00:00Z,an,RVC,0.7,50\n", r"row 2: a change of 50 is no rapid voltage change"),
])  # fmt: skip
def test_events_that_cannot_be_meant_are_refused_with_their_row(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        recorded(tmp_path, text)


@pytest.mark.parametrize("text", [
    'time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,dip,"0,4","62,5"\n',
    "time;phase;kind;duration [s];residual [%]\n2031-03-04T10:00:00Z;an;dip;0,400;62,5\n",
    "time,phase,kind,duration [s],residual [%],depth [%]\n2031-03-04T10:00:00Z,an,dip,0.4,62.5,37.5\n",
    "time,phase,kind,duration [s],residual L-L [V]\n2031-03-04T10:00:00Z,ab,dip,0.4,250\n",
])
def test_what_can_be_read_in_one_way_is_read(tmp_path: Path, text: str) -> None:
    ((_, kind, duration, residual),) = shown(recorded(tmp_path, text))
    assert (kind, duration, residual) == ("dip", "0.4", "62.5")


def test_events_whose_time_a_clock_leaves_open_are_kept_and_marked(tmp_path: Path) -> None:
    """Lisbon: clocks go back on 2031-10-26 at 02:00, forward on 2031-03-30 at 01:00; a reset clock begins in 2000."""
    made = recorded(
        tmp_path,
        PLAIN
        + "".join(
            f"{time},an,dip,5,20\n"
            for time in (
                "2031-10-20 12:00:00",
                "2031-10-26 01:30:00",
                "2031-10-27 12:00:00",
                "2031-03-30 01:30:00",
                "2000-01-01 00:03:00",
            )
        ),
    )
    assert len(made.events) == 5
    assert sum(not event.certain for event in made.events) == 3
    (note,) = [note for note in made.notes if note.code == "event-time"]
    assert "3 events" in note.text and [(row.first, row.last) for row in note.rows] == [(3, 3), (5, 6)]


def test_rows_that_stand_twice_count_once(tmp_path: Path) -> None:
    row = "2031-03-04T10:00:00Z,an,dip,5,20\n"
    made = recorded(tmp_path, PLAIN + row + row + "2031-03-04T10:00:00Z,bn,dip,5,20\n")
    assert [event.phase for event in made.events] == ["an", "bn"]
    assert "1 event stand" in next(note.text for note in made.notes if note.code == "duplicate-merged")


def test_columns_explains_event_tables(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "events.csv"
    path.write_text("time,phase,kind,duration [ms],depth [%],Cause\n2031-03-04T10:00:00Z,an,dip,400,40,motor\n")
    assert main(["columns", str(path)]) == 0
    out = capsys.readouterr().out
    assert "event table, 1 events" in out and "duration of events, written in ms" in out
    assert "Cause" in out and "left alone" in out


def test_an_event_table_as_parquet_is_refused_and_not_passed_over(tmp_path: Path) -> None:
    columns = {"time": ["2031-03-04T10:00:00Z"], "kind": ["dip"], "duration [s]": [0.4], "residual [%]": [60.0]}
    pd.DataFrame(columns).to_parquet(tmp_path / "events.parquet")
    with pytest.raises(InputError, match=r"events\.parquet is an event table; events are read from CSV or a workbook"):
        read([tmp_path / "events.parquet"], place())


def test_a_trend_with_a_column_of_durations_is_a_trend(tmp_path: Path) -> None:
    text = "time,duration [s],residual,voltage.an [V]\n" + "".join(
        f"2031-03-04T10:{at:02}:00Z,60,0,{230 + at % 7 / 10}\n" for at in range(60)
    )
    made = recorded(tmp_path, text)
    assert not made.event_tables and len(made.streams) == 1


UNITS = {"s": Decimal(1), "ms": Decimal(1000), "cycles": Decimal(50)}


@given(
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(10, 3_000_000), st.integers(400, 9_900)), min_size=1,
             max_size=6, unique_by=lambda row: row[0]),
    st.permutations(["time", "phase", "kind", "duration", "value"]), st.sampled_from(sorted(UNITS)),
    st.sampled_from(["residual [%]", "residual [pu]", "depth [%]", "depth [pu]"]),
)  # fmt: skip
def test_units_and_the_order_of_columns_change_no_event(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, int, int]], order: list[str], unit: str, value: str
) -> None:
    folder = tmp_path_factory.mktemp("events")
    titles = {"time": "time", "phase": "phase", "kind": "kind", "duration": f"duration [{unit}]", "value": value}
    lines = [",".join(titles[name] for name in order)]
    for second, thousandths, hundredths in rows:
        percent = Decimal(hundredths) / 100
        if value.startswith("depth"):
            percent = 100 - percent
        cells = {
            "time": f"2031-03-04T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z",
            "phase": "an",
            "kind": "dip",
            "duration": f"{Decimal(thousandths) / 1000 * UNITS[unit]:f}",
            "value": f"{percent / (100 if 'pu' in value else 1):f}",
        }
        lines.append(",".join(cells[name] for name in order))
    made = recorded(folder, "\n".join(lines) + "\n")
    expected = sorted(
        (second, Decimal(thousandths) / 1000, Decimal(hundredths) / 100) for second, thousandths, hundredths in rows
    )
    start = min(event.time_us for event in made.events) // 1_000_000 - expected[0][0]
    assert [
        (event.time_us // 1_000_000 - start, event.duration_s, event.residual_percent) for event in made.events
    ] == expected
