"""Danger signs in what is not judged: trimmed and excluded time, rows of a reset clock, files that contradict."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck.model.findings import Finding
from pqcheck.workflows.check_recording import check
from pqcheck.workflows.vet_recording import examine

Floats = NDArray[np.float64]
WEEK = 1008
MONDAY = "2031-03-03T00:00:00"
SITE: dict[str, Any] = {
    "name": "T", "time_zone": "UTC",
    "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"},
}
TRIM = {"kind": "trim", "reason": "start-up", "author": "tester"}
TABLES = {"tables": ["en50160-2010-lv"], "quantities": ["voltage"]}


def legs(shift: Floats, seed: int = 1) -> dict[str, Floats]:
    """Three voltages to a neutral that stands `shift` of the nominal off towards phase c."""
    level = 230 + np.random.default_rng(seed).normal(0, 0.6, (3, shift.size))
    away = np.sqrt(1 + shift + shift * shift)
    rows = zip("abc", level, (away, away, 1 - shift), strict=True)
    return {f"voltage.{phase}n [V]": np.round(row * by, 2) for phase, row, by in rows}


def stamps(count: int, start: str = MONDAY) -> list[str]:
    return [str(at) for at in np.datetime64(start, "s") + np.arange(count) * np.timedelta64(600, "s")]


def csv(path: Path, times: list[str], columns: dict[str, Floats]) -> Path:
    lines = [",".join(("time", *columns)), *(
        ",".join((time, *map(str, values))) for time, *values in zip(times, *columns.values(), strict=True)
    )]
    path.write_text("\n".join(lines) + "\n")
    return path


def open_for(first: int, count: int, size: int = WEEK) -> Floats:
    shift = np.full(size, 0.005)
    shift[first : first + count] = 0.2
    return shift


def signs(findings: Any) -> list[Finding]:
    return [finding for finding in findings.findings if finding.kind == "safety"]


def neutral(findings: Any) -> list[Finding]:
    return [sign for sign in signs(findings) if sign.rule == "neutral-loose"]


def reason(finding: Finding) -> str:
    assert finding.reason is not None
    return finding.reason.text


@pytest.mark.parametrize(("first", "side"), [(0, {"from": "2031-03-04T00:00:00Z"}),
                                             (WEEK, {"to": "2031-03-10T00:00:00Z"})])
def test_a_trim_hides_no_danger_sign(tmp_path: Path, first: int, side: dict[str, str]) -> None:
    """A day of open neutral before or behind what is kept: shown by check and vet, named as not judged."""
    size = WEEK + 144
    file = csv(tmp_path / "a.csv", stamps(size), legs(open_for(first, 144, size)))
    site = SITE | {"corrections": [TRIM | side]}
    for findings in (check(file, site, **TABLES), examine(file, site).findings):
        (sign,) = neutral(findings)
        assert "24 h in all" in reason(sign) and "trim" in reason(sign) and "out of the judging" in reason(sign)
        assert sign.windows and sign.windows[0].rows
    assert all(finding.verdict.value == "pass" for finding in check(file, site, **TABLES).findings
               if finding.kind == "limit")


def test_trimmed_time_without_danger_adds_nothing(tmp_path: Path) -> None:
    file = csv(tmp_path / "a.csv", stamps(WEEK + 144), legs(open_for(0, 0, WEEK + 144)))
    assert not signs(check(file, SITE | {"corrections": [TRIM | {"from": "2031-03-04T00:00:00Z"}]}, **TABLES))


def test_a_danger_on_both_sides_of_a_trim_is_shown_for_both(tmp_path: Path) -> None:
    file = csv(tmp_path / "a.csv", stamps(WEEK + 144), legs(open_for(72, 144, WEEK + 144)))
    (sign,) = neutral(examine(file, SITE | {"corrections": [TRIM | {"from": "2031-03-04T00:00:00Z"}]}).findings)
    assert "24 h in all" in reason(sign) and "All or part of it lies in time that the trim" in reason(sign)


def test_all_phases_far_below_their_nominal_are_shown_beside_a_trim_too(tmp_path: Path) -> None:
    """That day alone would put the declared nominal in doubt; the week behind it shows what the nominal is."""
    table = {name: np.where(np.arange(row.size) < 144, 0.7 * row, row)
             for name, row in legs(open_for(0, 0, WEEK + 144)).items()}
    file = csv(tmp_path / "a.csv", stamps(WEEK + 144), table)
    found = signs(check(file, SITE | {"corrections": [TRIM | {"from": "2031-03-04T00:00:00Z"}]}, **TABLES))
    assert [sign.phase for sign in found] == ["an", "bn", "cn"] and all("trim" in reason(sign) for sign in found)


@pytest.mark.parametrize("volts", [0.0, 20.0])
def test_a_lead_that_was_off_in_trimmed_time_is_no_danger(tmp_path: Path, volts: float) -> None:
    table = legs(open_for(0, 0, WEEK + 144))
    table["voltage.cn [V]"][:6] = volts + np.arange(6) / 100
    file = csv(tmp_path / "a.csv", stamps(WEEK + 144), table)
    assert not signs(check(file, SITE | {"corrections": [TRIM | {"from": "2031-03-03T01:00:00Z"}]}, **TABLES))


def test_a_sign_in_excluded_time_says_that_it_is_excluded(tmp_path: Path) -> None:
    file = csv(tmp_path / "a.csv", stamps(WEEK), legs(open_for(0, 144)))
    away = {"from": "2031-03-03T00:00:00Z", "to": "2031-03-04T00:00:00Z", "reason": "work", "author": "tester"}
    (sign,) = neutral(check(file, SITE | {"exclusions": [away]}, **TABLES))
    assert "[[exclusions]]" in reason(sign)
    later = away | {"from": "2031-03-08T00:00:00Z", "to": "2031-03-09T00:00:00Z"}
    (sign,) = neutral(check(file, SITE | {"exclusions": [later]}, **TABLES))
    assert "[[exclusions]]" not in reason(sign)


@pytest.mark.parametrize("start", ["2000-01-01T00:00:00", "1970-01-01T00:00:00"])
def test_rows_of_a_reset_clock_hide_no_danger(tmp_path: Path, start: str) -> None:
    bad, good = legs(open_for(0, 72, 72), 3), legs(open_for(0, 0))
    both = {name: np.concatenate([bad[name], good[name]]) for name in good}
    file = csv(tmp_path / "a.csv", stamps(72, start) + stamps(WEEK), both)
    for findings in (check(file, SITE, **TABLES), examine(file, SITE).findings):
        (sign,) = neutral(findings)
        assert "clock was wrong" in reason(sign) and "rows 2 to 73" in reason(sign)
        assert (sign.windows[0].rows[0].first, sign.windows[0].rows[-1].last) == (2, 73)


def test_a_clock_that_was_reset_twice_to_one_date_hides_no_danger(tmp_path: Path) -> None:
    """The second start wrote the dates of the first again."""
    calm, bad, good = legs(open_for(0, 0, 72), 5), legs(open_for(0, 72, 72), 3), legs(open_for(0, 0))
    rows = {name: np.concatenate([calm[name], bad[name], good[name]]) for name in good}
    twice = stamps(72, "2000-01-01T00:00:00")
    (sign,) = neutral(check(csv(tmp_path / "a.csv", twice + twice + stamps(WEEK), rows), SITE, **TABLES))
    assert "rows 74 to 145" in reason(sign)


def test_calm_rows_of_a_reset_clock_are_named_and_no_sign(tmp_path: Path) -> None:
    bad, good = legs(open_for(0, 0, 72), 3), legs(open_for(0, 0))
    both = {name: np.concatenate([bad[name], good[name]]) for name in good}
    findings = check(csv(tmp_path / "a.csv", stamps(72, "2000-01-01T00:00:00") + stamps(WEEK), both), SITE, **TABLES)
    assert not signs(findings)
    assert any("72 rows from row 2" in reason(finding) for finding in findings.findings if finding.reason)


@pytest.mark.parametrize("dangerous", [0, 1])
def test_files_that_contradict_each_other_hide_no_danger(tmp_path: Path, dangerous: int) -> None:
    """An open neutral that one of two files shows: not judged, and a danger all the same, with its rows."""
    tables = [legs(open_for(0, 0), 9), legs(open_for(600, 40))]
    first, second = tables[1 - dangerous], tables[dangerous]
    files = [csv(tmp_path / "a.csv", stamps(WEEK), first),
             csv(tmp_path / "b.csv", stamps(WEEK)[600:640], {name: row[600:640] for name, row in second.items()})]
    for findings in (check(files, SITE, **TABLES), examine(files, SITE).findings):
        (sign,) = neutral(findings)
        assert "contradict" in reason(sign) and "ab"[dangerous] + ".csv" in reason(sign)
        assert {rows.file for window in sign.windows for rows in window.rows} == {"ab"[dangerous] + ".csv"}


def test_rows_of_one_file_that_contradict_each_other_hide_no_danger(tmp_path: Path) -> None:
    calm, loose = legs(open_for(0, 0), 9), legs(open_for(600, 40))
    rows = {name: np.concatenate([calm[name], loose[name][600:640]]) for name in calm}
    file = csv(tmp_path / "a.csv", stamps(WEEK) + stamps(WEEK)[600:640], rows)
    (sign,) = neutral(check(file, SITE, **TABLES))
    assert f"rows {WEEK + 2} to {WEEK + 41} other rows for the same time contradict" in reason(sign)


def test_a_phase_that_only_another_file_holds_stands_beside_the_contradiction(tmp_path: Path) -> None:
    """Only phase c contradicts itself; a and b of a third file belong to both readings of it."""
    calm, loose = legs(open_for(0, 0), 9), legs(open_for(600, 40))
    others = {name: row for name, row in loose.items() if "cn" not in name}
    files = [csv(tmp_path / "a.csv", stamps(WEEK), others),
             csv(tmp_path / "b.csv", stamps(WEEK), {"voltage.cn [V]": calm["voltage.cn [V]"]}),
             csv(tmp_path / "c.csv", stamps(WEEK)[600:640], {"voltage.cn [V]": loose["voltage.cn [V]"][600:640]})]
    assert "c.csv" in reason(neutral(check(files, SITE, **TABLES))[0])


@given(st.integers(0, WEEK - 40), st.integers(6, 40), st.integers(1, WEEK), st.sampled_from(["from", "to"]))
def test_trimming_takes_no_sign_away(first: int, count: int, at: int, side: str) -> None:
    """Wherever a neutral is open for an hour or longer, and wherever time is cut off, the signs are the same."""
    size = WEEK + 144
    table: dict[str, Any] = {"time": np.array(stamps(size), "datetime64[us]"), **legs(open_for(first, count, size))}
    plain = {sign.rule for sign in signs(examine(table, SITE).findings)}
    cut = str(np.datetime64(MONDAY) + np.timedelta64(600 * at, "s"))
    trimmed = examine(table, SITE | {"corrections": [TRIM | {side: f"{cut}Z"}]}).findings
    assert plain and plain <= {sign.rule for sign in signs(trimmed)}
