"""What a load study may not leave out: columns without a reading, neutral currents at worst, an undeclared neutral."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pqcheck.cli import main

SITE = """\
name = "Heron Yard"
time_zone = "UTC"
[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
[source_impedance]
resistance = "0.01 ohm"
reactance = "0.02 ohm"
"""


def studied(folder: Path, columns: dict[str, str], ratings: str, load: str, source: str = "") -> tuple[int, Any]:
    """Exit status and findings of a study; `columns` are headers with one cell for every row, `{w}` a small wobble."""
    rows = [",".join(["time", *columns])]
    for at in range(1008):
        cells = (
            cell.replace("{w}", f"{(at * (number + 3)) % 7}{(at + 2 * number) % 5}")
            for number, cell in enumerate(columns.values())
        )
        rows.append(",".join([f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0:00Z", *cells]))
    (folder / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    new = f'\n[ratings]\n{ratings}\n[[new_load]]\nname = "press"\n{load}\n'
    (folder / "site.toml").write_text(SITE + source + new, encoding="utf-8")
    out = folder / "found.json"
    out.unlink(missing_ok=True)
    status = main(["load", str(folder / "week.csv"), "--site", str(folder / "site.toml"), "--json", str(out)])
    return status, json.loads(out.read_text(encoding="utf-8"))


def columns(volts: str = "230.{w}", **amperes: str) -> dict[str, str]:
    made = {f"voltage.{phase}n [V]": volts for phase in "abc"}
    return made | {f"current.{phase} [A]": cell for phase, cell in amperes.items()}


THREE = 'current = "150 A"\npower_factor = 0.95'


@pytest.mark.parametrize("cell", ["-205.{w}", "", "NaN", "---"])
def test_a_phase_without_one_reading_leaves_its_rating_open(tmp_path: Path, cell: str) -> None:
    """205 A and 150 A are more than 340 A; a column that holds no reading shows nothing of it."""
    whole, _ = studied(tmp_path, columns(a="205.{w}", b="100.{w}", c="100.{w}"), 'service = "340 A"', THREE)
    status, document = studied(tmp_path, columns(a=cell, b="100.{w}", c="100.{w}"), 'service = "340 A"', THREE)
    assert (whole, status) == (1, 3)
    open_ = [each for each in document["findings"] if each["rule"] == "service" and each["phase"] == "a"]
    assert open_ and {each["verdict"] for each in open_} == {"inconclusive"}


@pytest.mark.parametrize(("load", "worst"), [
    ('current = "60 A"\npower_factor = 0.95\nspectrum = "single-phase-square"', 81.9),
    ('current = "60 A"\npower_factor = 0.95\nphases = ["a"]', 82.66),
])  # fmt: skip
def test_the_neutral_at_worst_is_the_sum(tmp_path: Path, load: str, worst: float) -> None:
    """Root mean squares add up to no more than their sum, and to that where they are in phase (Minkowski)."""
    currents = columns(a="50.{w}", b="50.{w}", c="50.{w}", n="22.{w}")
    _, document = studied(tmp_path, currents, 'neutral = "200 A"', load)
    found = [each for each in document["findings"] if each["rule"] == "neutral" and "arithmetic" in each["id"]]
    assert found and found[0]["statistic"]["value"] == pytest.approx(worst, abs=0.3)


def test_an_undeclared_neutral_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    currents = columns("212.{w}", a="10.{w}", b="10.{w}", c="10.{w}")
    load = 'current = "150 A"\npower_factor = 0.95\nphases = ["a"]'
    studied(tmp_path, currents, 'service = "400 A"', load)
    assert "The impedance of the neutral is not declared" in " ".join(capsys.readouterr().out.split())
    both = 'neutral_resistance = "0.0001 ohm"\nneutral_reactance = "0.0001 ohm"\n'
    studied(tmp_path, currents, 'service = "400 A"', load, both)
    assert "neutral is not declared" not in capsys.readouterr().out


def test_exported_apparent_power_loads_the_transformer(tmp_path: Path) -> None:
    made = columns(a="180.{w}", b="180.{w}", c="180.{w}") | {"apparent_power.total [kVA]": "-124.{w}"}
    load = 'apparent_power = "50 kVA"\npower_factor = 0.95'
    status, document = studied(tmp_path, made, 'transformer = "160 kVA"', load)
    assert status == 1
    total = [each for each in document["findings"] if each["rule"] == "transformer" and each["phase"] == "total"]
    assert max(each["statistic"]["value"] for each in total) > 170_000


def test_a_declared_linear_load_is_no_missing_spectrum(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    currents = columns(a="10.{w}", b="10.{w}", c="10.{w}")
    studied(tmp_path, currents, 'service = "400 A"', 'current = "10 A"\npower_factor = 1\nspectrum = "linear"')
    assert "no spectrum is declared" not in capsys.readouterr().out


SIX_PULSE = 'current = "220 A"\npower_factor = 0.95\nspectrum = "six-pulse"'


def harmonics(orders: dict[int, float]) -> dict[str, str]:
    made = columns(a="100.{w}", b="100.{w}", c="100.{w}")
    for phase in "abc":
        for order, amperes in orders.items():
            made[f"current_harmonic.{phase}.h{order} [A]"] = f"{amperes:g}{'' if amperes < 1 else '.'}{{w}}"
    return made


def test_orders_that_only_the_new_load_has_derate_the_transformer(tmp_path: Path) -> None:
    """A record of orders 5 and 7, and the same with the others next to zero, are the same load."""
    dry = 'transformer = "250 kVA"\ntransformer_type = "dry"\ntransformer_eddy_loss = "8 %"'
    few = {5: 20.0, 7: 10.0}
    every = {order: few.get(order, 0.01) for order in range(5, 50) if order % 6 in (1, 5)}
    for number, orders in enumerate((few, every)):
        (tmp_path / str(number)).mkdir()
        status, document = studied(tmp_path / str(number), harmonics(orders), dry, SIX_PULSE)
        derated = [each for each in document["findings"] if each["rule"] == "transformer_derated"]
        assert status == 1 and "fail" in {each["verdict"] for each in derated}


def test_a_record_without_orders_leaves_the_derating_open(tmp_path: Path) -> None:
    dry = 'transformer = "400 kVA"\ntransformer_type = "dry"\ntransformer_eddy_loss = "8 %"'
    status, document = studied(tmp_path, columns(a="100.{w}", b="100.{w}", c="100.{w}"), dry, SIX_PULSE)
    (derated,) = [each for each in document["findings"] if each["rule"] == "transformer_derated"]
    assert status == 3 and derated["verdict"] == "inconclusive"


@pytest.mark.parametrize(("rating", "verdict"), [(4, "fail"), (13, "inconclusive")])
def test_the_declared_k_rating_is_a_criterion(tmp_path: Path, rating: int, verdict: str) -> None:
    """Orders of what is there were not recorded: a K-factor below the rating is a lower bound and no pass."""
    ratings = f'transformer = "250 kVA"\ntransformer_k_factor = {rating}'
    status, document = studied(tmp_path, harmonics({5: 20.0, 7: 10.0}), ratings, SIX_PULSE)
    found, _ = [each for each in document["findings"] if each["rule"] == "transformer_k_factor"]
    assert found["verdict"] == verdict and status == {"fail": 1, "inconclusive": 3}[verdict]


def test_the_spectrum_in_phase_alone_fails_no_rating(tmp_path: Path) -> None:
    """Order 5: 30 A and 43 A are 57 A by the exponent 1.4 and 73 A in phase: K by hand for both, on 361 A."""
    record = harmonics({order: 30.0 if order == 5 else 0.01 for order in range(3, 50, 2)})
    load = 'current = "220 A"\npower_factor = 0.95\nharmonics = {"5" = 20}'
    for variant, fifth in (("", (30**1.4 + 43.1**1.4) ** (1 / 1.4)), ("-arithmetic", 73.1)):
        (tmp_path / f"k{variant}").mkdir()
        ratings = 'transformer = "250 kVA"\ntransformer_k_factor = 1'
        _, document = studied(tmp_path / f"k{variant}", record, ratings, load)
        (found,) = [
            each for each in document["findings"]
            if each["rule"] == "transformer_k_factor" and each["id"].split("@")[0].endswith(f"+new-load{variant}")
        ]
        rated = 250_000 / (3**0.5 * 400)
        assert found["statistic"]["value"] == pytest.approx((315.7**2 + 25 * fifth**2) / rated**2, rel=0.03)
    between = 'transformer = "250 kVA"\ntransformer_k_factor = 1.6'
    status, document = studied(tmp_path, record, between, load)
    found = next(each for each in document["findings"] if each["rule"] == "transformer_k_factor")
    assert status == 3 and found["reason"]["code"] == "phase-angles-unknown"


@pytest.mark.parametrize("thd", ["", "30.{w}"])
def test_a_k_rating_without_recorded_orders_is_open(tmp_path: Path, thd: str) -> None:
    """A total says nothing of the K-factor: 30 % of order 5 and of order 25 differ twentyfold in it."""
    made = columns(a="200.{w}", b="200.{w}", c="200.{w}")
    made |= {f"current_thd.{phase} [%]": thd for phase in "abc" if thd}
    ratings = 'transformer = "250 kVA"\ntransformer_k_factor = 4'
    status, document = studied(tmp_path, made, ratings, 'current = "30 A"\npower_factor = 0.95\nspectrum = "linear"')
    (found,) = [each for each in document["findings"] if each["rule"] == "transformer_k_factor"]
    assert (status, found["verdict"]) == (3, "inconclusive")


def test_a_k_rating_with_the_orders_of_some_phases_is_open(tmp_path: Path) -> None:
    """The phase without orders may be the one with the largest K-factor."""
    made = {header: cell for header, cell in harmonics({order: 0.5 for order in range(3, 50, 2)}).items()
            if not header.startswith("current_harmonic.c")}  # fmt: skip
    ratings = 'transformer = "250 kVA"\ntransformer_k_factor = 4'
    status, document = studied(tmp_path, made, ratings, 'current = "30 A"\npower_factor = 0.95\nspectrum = "linear"')
    found = [each["verdict"] for each in document["findings"] if each["rule"] == "transformer_k_factor"]
    assert status == 3 and "inconclusive" in found
