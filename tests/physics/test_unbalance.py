"""Unbalance: published triples, phasor vectors, and magnitudes against phasors at random."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.physics.unbalance import deviation_unbalance, negative_sequence_unbalance, sequence_components


def phasor(magnitude: float, degrees: float) -> complex:
    return complex(magnitude * np.exp(1j * math.radians(degrees)))


def of_phasors(a: Any, b: Any, c: Any) -> Any:
    """Zero- and negative-sequence unbalance in percent, from phasors."""
    zero, positive, negative = np.abs(sequence_components(a, b, c))
    return np.stack([100 * zero / positive, 100 * negative / positive])


@pytest.mark.parametrize(
    ("lines", "deviation", "sequence"),
    [
        # Worked examples E6 to E9 (printed 1.09, 1.96, 2.5, 1.8 %; exact values derived).
        ((462, 463, 455), 1.0870, 1.0914),
        ((460, 467, 450), 1.9608, 2.1465),
        ((203, 210, 212), 2.5600, 2.6064),
        ((220, 216, 213), 1.6949, 1.8770),
        # C84.1 notes, line-to-line cases, derived (deviation also in public worked examples).
        ((480, 476, 472), 0.84, 0.97),
        ((450, 470, 460), 2.17, 2.51),
        # IEC 61000-4-30, derived and checked against the phasor triangle.
        ((400, 396, 404), 1.000000, 1.154782),
    ],
)
def test_line_to_line_triples(lines: tuple[float, float, float], deviation: float, sequence: float) -> None:
    def digits(value: float) -> float:
        return 0.51 * 10 ** -max(2, len(str(value).split(".")[1]))

    assert deviation_unbalance(*lines) == pytest.approx(deviation, abs=digits(deviation))
    assert negative_sequence_unbalance(*lines) == pytest.approx(sequence, abs=digits(sequence))


@pytest.mark.parametrize(
    ("van", "vbn", "vcn", "lines", "deviation", "of_neutral", "negative", "zero"),
    [
        # Phasor cases of the C84.1 notes, derived: LVUR, PVUR, VUF, V0/V1 in percent.
        ((277, 0), (270, -120), (284, 120), (473.73, 479.83, 485.85), 1.27, 2.53, 1.46, 1.46),
        ((108, 0), (120, -120), (120, 120), (197.54, 207.85, 197.54), 3.42, 6.90, 3.45, 3.45),
        ((268, 1), (280, -118), (277, 121), (472.21, 484.79, 472.01), 1.77, 2.55, 1.78, 0.97),
    ],
)
def test_phasor_vectors(
    van: tuple[float, float], vbn: tuple[float, float], vcn: tuple[float, float], lines: tuple[float, float, float],
    deviation: float, of_neutral: float, negative: float, zero: float,
) -> None:
    a, b, c = phasor(*van), phasor(*vbn), phasor(*vcn)
    between = (abs(a - b), abs(b - c), abs(c - a))
    assert between == pytest.approx(lines, abs=0.01)
    assert deviation_unbalance(*between) == pytest.approx(deviation, abs=5.1e-3)
    assert deviation_unbalance(abs(a), abs(b), abs(c)) == pytest.approx(of_neutral, abs=5.1e-3)
    assert negative_sequence_unbalance(*between) == pytest.approx(negative, abs=5.1e-3)
    assert of_phasors(a, b, c) == pytest.approx((zero, negative), abs=5.1e-3)


@pytest.mark.parametrize(
    ("magnitudes", "percent"),
    [((73, 80, 87), 5.051814855), ((152, 140, 128), 4.948716593)],
)
def test_testing_states_of_iec_61000_4_30(magnitudes: tuple[float, float, float], percent: float) -> None:
    # Line-to-neutral magnitudes in percent of Udin, 120 degrees apart (from memory); u2 = u0, derived.
    a, b, c = (phasor(m, d) for m, d in zip(magnitudes, (0, -120, 120), strict=True))
    assert of_phasors(a, b, c) == pytest.approx((percent, percent), abs=5e-9)
    assert negative_sequence_unbalance(abs(a - b), abs(b - c), abs(c - a)) == pytest.approx(percent, abs=5e-9)


def test_magnitudes_agree_with_phasors_everywhere() -> None:
    random = np.random.default_rng(20_000)
    magnitude = random.uniform(0.3, 1.7, size=(3, 20_000)) * 230
    angle = np.radians(np.array([[0.0], [-120.0], [120.0]]) + random.uniform(-25, 25, size=(3, 20_000)))
    a, b, c = magnitude * np.exp(1j * angle)
    _, expected = of_phasors(a, b, c)
    found = negative_sequence_unbalance(np.abs(a - b), np.abs(b - c), np.abs(c - a))
    # Above 100 % the phases turn the other way, which magnitudes cannot show: they give the inverse.
    expected = np.where(expected > 100, 1e4 / expected, expected)
    assert np.abs(found - expected).max() < 1e-10


def test_near_balance_nothing_is_lost_to_cancellation() -> None:
    # 400 V and two values a hundred-millionth apart, by the printed formula in 60 digits.
    lines = ("400", "400.000004", "399.999996")
    with localcontext() as context:
        context.prec = 60
        squares = [Decimal(text) ** 2 for text in lines]
        beta = sum(square**2 for square in squares) / sum(squares) ** 2
        root = (3 - 6 * beta).sqrt()
        exact = 100 * ((1 - root) / (1 + root)).sqrt()
    assert negative_sequence_unbalance(*map(float, lines)) == pytest.approx(float(exact), rel=1e-7)


@given(st.floats(min_value=1e-3, max_value=1e6))
def test_balance_is_exactly_zero(voltage: float) -> None:
    assert negative_sequence_unbalance(voltage, voltage, voltage) == 0


@pytest.mark.parametrize(
    "lines", [(400, 100, 250), (0, 0, 0), (400, 400, math.nan), (-400, 400, 400), (math.nan, math.nan, math.nan)]
)
def test_what_cannot_be_three_line_voltages(lines: tuple[float, float, float]) -> None:
    assert np.isnan(negative_sequence_unbalance(*lines))


def test_a_triangle_without_area_is_as_unbalanced_as_can_be() -> None:
    # One phase voltage lost and collapsed onto another: U2 = U1.
    assert negative_sequence_unbalance(200.0, 200.0, 400.0) == pytest.approx(100.0, abs=1e-5)


def test_deviation_of_nothing_is_nothing() -> None:
    assert np.isnan(deviation_unbalance([0.0, 1.0], [0.0, math.nan], [0.0, 1.0])).all()


def test_sequence_components_of_a_balanced_system() -> None:
    zero, positive, negative = sequence_components(phasor(230, 0), phasor(230, -120), phasor(230, 120))
    assert abs(positive) == pytest.approx(230)
    assert abs(zero) == pytest.approx(0, abs=1e-12)
    assert abs(negative) == pytest.approx(0, abs=1e-12)
