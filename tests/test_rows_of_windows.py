"""Rows of a window: the short way gives what looking at every slot gives; windows as text and the farthest of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.io import read
from pqcheck.io.timeline import row_index
from pqcheck.judge.evidence_windows import RunWindows
from pqcheck.model.findings import Finding
from pqcheck.model.findings_file import as_document
from pqcheck.model.findings_words import worst_window
from pqcheck.model.recording import SECOND
from pqcheck.workflows.check_recording import check

SITE = """
[supply]
nominal_voltage = "400 V"
connection = "wye"
[limits]
apply = ["en50160-2010-lv"]
"""


def written(path: Path, slots: list[int], low: float = 230.0) -> None:
    """A file of 3-second rows; a slot given twice is written twice, a negative one is a line of remarks."""
    lines = ["time,voltage.an [V]"]
    for slot in slots:
        if slot < 0:
            lines.append("recorder restarted,")
        else:
            at = slot * 3
            lines.append(f"2031-03-03T{at // 3600:02}:{at // 60 % 60:02}:{at % 60:02}Z,{low}")
    path.write_text("\n".join(lines) + "\n")


@settings(max_examples=40)
@given(
    one=st.lists(st.integers(0, 60), min_size=12, unique=True),
    other=st.lists(st.integers(50, 90), min_size=12, unique=True),
    holes=st.sets(st.integers(1, 40)),
    spans=st.lists(st.tuples(st.integers(0, 90), st.integers(1, 30)), min_size=1, max_size=6),
)
def test_the_short_way_gives_the_same_rows(
    tmp_path_factory: pytest.TempPathFactory, one: list[int], other: list[int], holes: set[int],
    spans: list[tuple[int, int]],
) -> None:
    folder = tmp_path_factory.mktemp("rows")
    first: list[int] = []
    for at, slot in enumerate(sorted(one)):
        first += [slot, -1] if at in holes else [slot]
    written(folder / "a.csv", first)
    written(folder / "b.csv", sorted(other))

    def asked() -> list[object]:
        found = []
        for stream in read([folder / "a.csv", folder / "b.csv"]).streams:
            for start, count in spans:
                begin = stream.axis.start_us + start * 3 * SECOND
                found.append(stream.index.rows(stream.channels[0], begin, begin + count * 3 * SECOND))
        return found

    short = asked()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(row_index, "_without_break", lambda file, low, high: None)
        assert asked() == short


@pytest.fixture(scope="module")
def failing(tmp_path_factory: pytest.TempPathFactory) -> Finding:
    """A finding with several windows."""
    folder = tmp_path_factory.mktemp("windows")
    lines = ["time,voltage.an [V]"]
    for slot in range(1008):
        high = {100: 255.5, 101: 258.0, 300: 261.0, 500: 261.0, 700: 254.0}.get(slot, 229.0)
        day, minute = divmod(slot * 10, 1440)
        lines.append(f"2031-03-{3 + day:02}T{minute // 60:02}:{minute % 60:02}:00Z,{high}")
    (folder / "week \u00fc.csv").write_text("\n".join(lines) + "\n")
    (folder / "site.toml").write_text(SITE)
    found = check([folder / "week \u00fc.csv"], folder / "site.toml")
    text = found.to_json()
    # The file written piece by piece is the document as the JSON library writes it.
    assert json.loads(text) == json.loads(json.dumps(as_document(found)))
    limits = [one for one in found.findings if one.kind == "limit"]
    return max(limits, key=lambda one: len(one.windows))


def test_the_worst_window_is_the_first_of_the_farthest(failing: Finding) -> None:
    assert isinstance(failing.windows, RunWindows)
    assert [window.worst for window in failing.windows] == [258.0, 261.0, 261.0, 254.0]
    assert worst_window(failing, 4) == failing.windows[1]
    assert worst_window(failing, 1) == failing.windows[0]
    assert worst_window(failing.replaced(windows=tuple(failing.windows)), 4) == failing.windows[1]
