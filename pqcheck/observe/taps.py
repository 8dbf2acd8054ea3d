"""A staircase: steps of one size that all phases share and that no current explains, as a tap changer makes them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.clock import DAY, duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import (
    Array,
    alike,
    clean_voltage,
    correlation,
    level_changes,
    level_steps,
    spread,
    total_current,
    values,
)
from pqcheck.site.site_values import Site

LEAST_STEP = 0.003
"""Share of the nominal voltage below which a step is no step; regulators are built with steps of 0.5 to 2.5 %."""
LARGEST_STEP = 0.03
LEAST_COUNT = 6
EVEN = 0.35
"""Largest spread of the sizes (quartile distance, in steps) that still is one size."""
APART = 1.4
"""How many times the smallest step looked at the one size must be: smaller ones would have been seen and were not."""
BELOW = 0.75
FEW_BELOW = 0.25
"""Share of the steps that may be smaller than three quarters of the one size."""
FINER = 1.1
AGAINST = -0.5
OFTEN_A_DAY = 30
MOST_SHARE = 0.35
QUIET = 3.0
"""A step must be this many times the usual change from point to point; of a house with 0.6 V between readings, steps
from 1.9 V on can be seen."""


def tap_steps(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation when enough such steps were seen."""
    tracks = gathered.tracks("voltage", LINE_TO_NEUTRAL) or gathered.tracks("voltage", LINE_TO_LINE)
    if not tracks or not all(alike(tracks[0], track) for track in tracks) or len(tracks[0].mean) > 210_000:
        return []
    levels = [clean_voltage(track) for track in tracks]
    nominal = float(np.nanmedian(levels[0]))
    # A device that waits before it moves leaves the voltage quiet between its steps; a step must stand out from that.
    usual = max(float(np.nanmedian(np.abs(np.diff(level)))) for level in levels)
    least = max(LEAST_STEP * nominal, QUIET * usual)
    changes = np.stack([level_changes(level) for level in levels])
    mean = changes.mean(axis=0)
    steps = level_steps(levels[0], least)
    steps = steps[_shared(changes[:, steps], mean[steps], least, nominal)]
    places: list[int] = steps[standing_out(np.abs(mean[steps]), least)].tolist()
    # A voltage that steps at every turn is noise or load, no device that waits before it moves.
    if not LEAST_COUNT <= len(places) <= MOST_SHARE * len(mean):
        return []
    middle, uneven = one_size(np.abs(mean[places]))
    matched = _with_current(gathered, tracks[0], places)
    if uneven > EVEN or (matched is not None and (matched > 0.5 or _follow_current(gathered, tracks[0], places))):
        return []
    return [_observation(tracks[0], places, middle, nominal, uneven, matched, len(tracks))]


def standing_out(sizes: Array, least: float) -> NDArray[np.bool_]:
    """Which sizes belong to steps of one size that stand apart from smaller ones; none where sizes thin out evenly, as
    those of loads and noise do above any bound."""
    bound = least
    while np.count_nonzero(sizes >= bound) >= LEAST_COUNT:
        kept = sizes >= bound
        single, uneven = one_size(sizes[kept])
        below = np.count_nonzero(sizes[kept] < BELOW * single)
        if single >= APART * bound and uneven <= EVEN and below <= FEW_BELOW * np.count_nonzero(kept):
            return np.asarray(kept & (sizes >= BELOW * single))
        bound *= FINER
    return np.zeros(len(sizes), np.bool_)


def one_size(sizes: Array) -> tuple[float, float]:
    """The size of one step, and how far the steps scatter about whole multiples of it (quartile distance).

    A device may take two steps within one interval, so multiples count as the same size.
    """
    single = float(np.median(sizes[sizes <= 1.4 * np.percentile(sizes, 25)]))
    multiples = np.maximum(np.rint(sizes / single), 1)
    single = float(np.median(sizes / multiples))
    away = sizes / single - multiples
    return single, float(np.percentile(away, 75) - np.percentile(away, 25))


def _shared(changes: Array, mean: Array, least: float, nominal: float) -> NDArray[np.bool_]:
    """Which steps have the size of a tap and are about equal in every phase."""
    size = np.abs(mean)
    alike = (np.abs(changes - mean) <= 0.35 * size).all(axis=0)
    return np.asarray(alike & (size >= least) & (size <= LARGEST_STEP * nominal))


def _with_current(gathered: Gathered, track: Track, places: list[int]) -> float | None:
    """Share of the steps at which the current steps against the voltage, as a load would, less those at which it steps
    with it, which happens as often where both are strangers; None without currents."""
    current = total_current(gathered)
    if current is None or not alike(current, track):
        return None
    amperes, volts = values(current), values(track)
    least = 0.1 * spread(amperes)
    if least == 0:
        return 0.0
    against = level_changes(amperes)[places] * np.sign(level_changes(volts)[places])
    with np.errstate(invalid="ignore"):
        opposed, along = np.count_nonzero(against < -least), np.count_nonzero(against > least)
        return max(float(opposed - along), 0.0) / len(places)


def _follow_current(gathered: Gathered, track: Track, places: list[int]) -> bool:
    """Whether the steps of the voltage go against those of the current, however small, as loads make them."""
    current = total_current(gathered)
    assert current is not None
    volts, amperes = values(track), values(current)
    return correlation(level_changes(volts)[places], level_changes(amperes)[places]) < AGAINST


def _observation(
    track: Track, places: list[int], size: float, nominal: float, uneven: float, matched: float | None, phases: int
) -> Observation:
    days = len(track.mean) * track.step_us / DAY
    rate = len(places) / days
    grade: Grade = "likely" if phases > 1 and matched is not None and matched < 0.25 else "possible"
    current = (
        "The current was not recorded, so a load that switches cannot be told from a regulator."
        if matched is None
        else f"The current steps the other way, as a load would make it, at {100 * matched:.0f} % more of the steps "
             "than it steps along."
    )
    text = (
        f"{len(places)} steps of about {size:.2g} V ({100 * size / nominal:.2g} % of the voltage), in all recorded "
        f"phases at once, {rate:.1f} a day: the picture of a tap changer or regulator at work upstream, which is its "
        "normal job."
    )
    if rate > OFTEN_A_DAY:
        text += " That is often for such a device; tell the operator of the network."
    against = [current] if matched is None or matched > 0 else []
    against.append("A large load of another customer, switched on and off, can make even steps as well.")
    if phases == 1:
        against.append("Only one phase was recorded, so it cannot be seen whether all phases step together.")
    spans = tuple((track.start_us + (p - 1) * track.step_us, track.start_us + (p + 1) * track.step_us) for p in places)
    return Observation(
        "tap-steps", "Steps like those of a tap changer", grade, text,
        (f"The changes are one or several such steps (quartile distance {100 * uneven:.0f} % of a step), seen in "
         f"{duration_text(track.step_us)} values.", *([] if matched is None else [current])),
        tuple(against), "fig-tap-steps",
        {"steps": float(len(places)), "size_V": size, "size_percent": 100 * size / nominal, "per_day": rate}, spans,
        f"the voltage is raised and lowered in steps of about {size:.2g} V on all phases at once, as a tap changer or "
        "regulator of the network does",
    )  # fmt: skip
