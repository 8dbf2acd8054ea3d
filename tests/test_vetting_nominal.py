"""A wrong nominal refuses, also without a match; what rests on ratios between channels is never withheld."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import Vetted, vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]


def noise(seed: int, middle: float, spread: float = 0.01) -> Floats:
    return np.round(middle * (1 + spread * np.random.default_rng(seed).standard_normal(WEEK)), 2)


def legs(volts: float, spread: float = 0.01, unit: str = "V") -> dict[str, Floats]:
    return {f"voltage.{phase} [{unit}]": noise(k, volts, spread) for k, phase in enumerate(("an", "bn", "cn"))}


def supply(nominal: str, connection: str = "wye", **more: Any) -> Any:
    return site(supply={"nominal_voltage": nominal, "connection": connection, **more})


def nominal(result: Vetted) -> dict[str, tuple[Verdict, str]]:
    return {one.channel: (one.verdict, one.reason.code if one.reason else "") for one in result.findings
            if one.rule == "nominal" and one.phase}


def signs(findings: tuple[Finding, ...]) -> set[str]:
    return {one.reason.code for one in findings if one.kind == "safety" and one.reason}


DOUBTFUL = (Verdict.REFUSED, "nominal-doubtful")


@pytest.mark.parametrize(("table", "declared"), [
    (legs(230, 0.04), ("230 V", "wye")),
    ({"voltage.an [V]": noise(1, 230, 0.04)}, ("400 V", "single-phase")),
    ({f"voltage.{line} [V]": noise(k, 10_000, 0.04) for k, line in enumerate(("ab", "bc", "ca"))}, ("20 kV", "delta")),
    (legs(230, 0.04, "kV"), ("400 V", "wye")),
    (legs(0.23, 0.04), ("400 V", "wye")),
    (legs(160, 0.04), ("400 V", "wye")),
])
def test_all_voltages_far_from_nominal_refuse_without_a_match(
    table: dict[str, Floats], declared: tuple[str, str]
) -> None:
    """The spread is too wide for a match; nobody lives with 0.7 of nominal all week."""
    place = supply(*declared)
    result = vet(recording(table), place)
    of_channels = {name: seen for name, seen in nominal(result).items() if name.endswith(".mean")}
    assert set(of_channels.values()) == {DOUBTFUL}
    assert not signs(result.findings)
    judged = check(recording(table), place, "en50160-2010-lv" if declared[0] != "20 kV" else "en50160-2010-mv")
    assert not [one for one in judged.findings if one.verdict in (Verdict.FAIL, Verdict.PASS) and one.kind == "limit"
                and one.quantity == "voltage"]


@pytest.mark.parametrize(("declared", "connection", "governed"), [
    ("400 V", "wye", True), ("400/230 V", "wye", True), ("230 V", "single-phase", True), ("400 V", "delta", True),
    ("230 V", "delta", True), ("240 V", "single-phase", False), ("230 V", "wye", False), ("415/240 V", "wye", False),
    ("208Y/120 V", "wye", False), ("690 V", "delta", False),
])
def test_en50160_low_voltage_governs_its_own_nominal(declared: str, connection: str, governed: bool) -> None:
    for table in ("en50160-2010-lv", "gb-esqc-lv"):
        result = check(recording({"frequency [Hz]": noise(1, 50, 0.0001)}), supply(declared, connection), table)
        seen = [one for one in result.findings if one.kind == "limit" and one.quantity == "voltage"]
        texts = {one.reason.text for one in seen if one.reason and one.verdict is Verdict.NOT_APPLICABLE}
        assert bool(texts) is not governed
        assert all("is written for other nominal voltages than" in text and "nearest" in text for text in texts)


def test_a_header_in_kilovolts_over_volts_is_named() -> None:
    for table in (legs(230, unit="kV"), legs(0.23)):
        texts = [one.reason.text for one in vet(recording(table), supply("400 V")).findings
                 if one.rule == "nominal" and one.reason]
        assert any("a header in kV over numbers in V" in text for text in texts)


def test_danger_signs_that_rest_on_the_nominal_are_withheld_and_named() -> None:
    result = vet(recording(legs(230, 0.04)), supply("230 V"))
    assert (Verdict.INCONCLUSIVE, "sign-withheld") in nominal(result).values()
    certain = vet(recording(legs(230, 0.04)), supply("230 V", nominal_basis="utility letter"))
    assert set(nominal(certain).values()) == {(Verdict.PASS, "nominal-far")}
    assert signs(certain.findings) == {"voltage-above"}


def test_a_low_but_possible_voltage_is_judged_as_it_stands() -> None:
    result = vet(recording(legs(0.8 * 230, 0.04)), supply("400 V"))
    assert {code for _, code in nominal(result).values()} == {"nominal-far"}
    assert signs(result.findings) == {"voltage-below"}


def test_lines_at_their_nominal_settle_it() -> None:
    table = legs(150) | {f"voltage.{line} [V]": noise(9 + k, 400) for k, line in enumerate(("ab", "bc", "ca"))}
    assert DOUBTFUL not in nominal(vet(recording(table), supply("400 V"))).values()


def test_intervals_without_supply_say_nothing_of_the_nominal() -> None:
    table = legs(230)
    for values in table.values():
        values[: 3 * WEEK // 4] = 0.4
    assert DOUBTFUL not in nominal(vet(recording(table), supply("400 V"))).values()


@pytest.mark.parametrize("declared", ["120/240 V", "240/480 V"])
def test_a_loose_neutral_is_seen_under_any_nominal(declared: str) -> None:
    rng = np.random.default_rng(4)
    swing = np.where(np.arange(WEEK) % 20 < 6, 9.0, 0.1) + rng.normal(0, 0.05, WEEK)
    table = {"voltage.an [V]": np.round(121 + swing, 2), "voltage.bn [V]": np.round(121 - swing, 2)}
    assert "neutral-loose" in signs(vet(recording(table), supply(declared, "split-phase")).findings)


@pytest.mark.parametrize("declared", ["400 V", "690 V"])
def test_a_lost_lead_is_seen_under_any_nominal(declared: str) -> None:
    table = legs(230) | {f"current.{phase} [A]": noise(20 + k, 50, 0.1) for k, phase in enumerate("abc")}
    table["voltage.cn [V]"][500:] = 3.1
    result = vet(recording(table), supply(declared))
    assert [one for one in result.findings if one.rule == "lost-lead" and one.verdict is Verdict.REFUSED]


def test_a_time_base_puts_its_own_stretch_in_doubt(tmp_path: Path) -> None:
    """Two rows of another file, far off, or a dead day, leave what was recorded at another time base as it is."""

    def written(name: str, start: str, minutes: int, volts: Floats) -> Path:
        stamps = np.datetime64(start) + np.arange(volts.size) * np.timedelta64(minutes, "m")
        rows = [f"{stamp}Z,{value:.1f}" for stamp, value in zip(stamps, volts, strict=True)]
        (tmp_path / name).write_text("\n".join(["time,voltage.an [V]", *rows, ""]), encoding="utf-8")
        return tmp_path / name

    sound = written("sound.csv", "2031-03-03", 10, 229.0 + np.arange(WEEK) % 7)
    declared = {"name": "Flat 3", "time_zone": "UTC",
                "supply": {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}}
    for count, volts in ((2, 300.0), (288, 0.0), (288, 120.0)):
        odd = written("odd.csv", "2031-03-11", 5, volts + np.arange(count) % 5 / 10)
        found = check([sound, odd], declared, ["en50160-2010-lv"], quantities=["voltage"])
        verdicts = {each.id: each.verdict for each in found.findings}
        assert verdicts["en50160-2010-lv/voltage-all/voltage.an@2031-03-03T00:00:00+00:00"] is Verdict.PASS
        assert verdicts["recording/nominal/voltage.an.mean@2031-03-11T00:00:00+00:00"] is Verdict.REFUSED
