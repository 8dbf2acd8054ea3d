"""A staircase: steps of one size that all phases share and that no current explains, as a tap changer makes them."""

from __future__ import annotations

import numpy as np

from pqcheck.clock import DAY, duration_text
from pqcheck.observing.gather import Gathered, Track
from pqcheck.observing.observation import Grade, Observation
from pqcheck.observing.steps import (
    Array,
    alike,
    change_at,
    clean_voltage,
    correlation,
    level_steps,
    spread,
    total_current,
    values,
)
from pqcheck.site.model import Site

LEAST_STEP = 0.003
"""Share of the nominal voltage below which a step is no step; regulators are built with steps of 0.5 to 2.5 %."""
LARGEST_STEP = 0.03
LEAST_COUNT = 6
EVEN = 0.35
"""Largest spread of the sizes (quartile distance over median) that still is one size."""
AGAINST = -0.5
OFTEN_A_DAY = 30


def tap_steps(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation when enough such steps were seen."""
    tracks = [track for phase in ("an", "bn", "cn") if (track := gathered.find("voltage", phase)) is not None]
    tracks = tracks or [track for phase in ("ab", "bc", "ca") if (track := gathered.find("voltage", phase)) is not None]
    if not tracks or not all(alike(tracks[0], track) for track in tracks) or len(tracks[0].mean) > 210_000:
        return []
    levels = [clean_voltage(track) for track in tracks]
    nominal = float(np.nanmedian(levels[0]))
    places = [
        place
        for place in level_steps(levels[0], LEAST_STEP * nominal).tolist()
        if _shared(levels, place, nominal)
    ]
    if len(places) < LEAST_COUNT:
        return []
    sizes = np.array([abs(np.mean([change_at(one, place) for one in levels])) for place in places])
    middle = float(np.median(sizes))
    uneven = float(np.percentile(sizes, 75) - np.percentile(sizes, 25)) / middle
    matched = _with_current(gathered, tracks[0], places)
    if uneven > EVEN or (matched is not None and (matched > 0.5 or _follow_current(gathered, tracks[0], places))):
        return []
    return [_observation(tracks[0], places, middle, nominal, uneven, matched, len(tracks))]


def _shared(levels: list[Array], place: int, nominal: float) -> bool:
    changes = [change_at(one, place) for one in levels]
    if any(np.isnan(one) for one in changes):
        return False
    mean = float(np.mean(changes))
    if not LEAST_STEP * nominal <= abs(mean) <= LARGEST_STEP * nominal:
        return False
    return all(abs(one - mean) <= 0.35 * abs(mean) for one in changes)


def _with_current(gathered: Gathered, track: Track, places: list[int]) -> float | None:
    """Share of the steps at which the current steps against the voltage, as a load would; None without currents."""
    current = total_current(gathered)
    if current is None or not alike(current, track):
        return None
    amperes, volts = values(current), values(track)
    least = 0.1 * spread(amperes)
    if least == 0:
        return 0.0
    hits = sum(change_at(amperes, place) * np.sign(change_at(volts, place)) < -least for place in places)
    return float(hits) / len(places)


def _follow_current(gathered: Gathered, track: Track, places: list[int]) -> bool:
    """Whether the steps of the voltage go against those of the current, however small, as loads make them."""
    current = total_current(gathered)
    assert current is not None
    volts, amperes = values(track), values(current)
    pairs = np.array([(change_at(volts, place), change_at(amperes, place)) for place in places])
    return correlation(pairs[:, 0], pairs[:, 1]) < AGAINST


def _observation(
    track: Track, places: list[int], size: float, nominal: float, uneven: float, matched: float | None, phases: int
) -> Observation:
    days = len(track.mean) * track.step_us / DAY
    rate = len(places) / days
    grade: Grade = "likely" if phases > 1 and matched is not None and matched < 0.25 else "possible"
    current = (
        "The current was not recorded, so a load that switches cannot be told from a regulator."
        if matched is None
        else f"At {100 * matched:.0f} % of the steps the current steps the other way, as a load would make it."
    )
    text = (
        f"{len(places)} steps of about {size:.2g} V ({100 * size / nominal:.2g} % of the voltage), in all recorded "
        "phases "
        f"at once, {rate:.1f} a day: the picture of a tap changer or regulator at work upstream, which is its "
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
        (f"Sizes lie close together (quartile distance {100 * uneven:.0f} % of the middle size), seen in "
         f"{duration_text(track.step_us)} values.", *([] if matched is None else [current])),
        tuple(against), "fig-tap-steps",
        {"steps": float(len(places)), "size_V": size, "size_percent": 100 * size / nominal, "per_day": rate}, spans,
    )  # fmt: skip
