"""Does the site's own current pull its voltage down? Steps of voltage against steps of current, magnitude and sign.

V = E - Zs I: with a steady source, dV/dI = -(R cos phi + X sin phi), negative and small; a source that varies under a
load of constant power gives -V/I, negative and large, so the sign alone proves nothing. The result is an indication,
never a proof (docs/method/observations.md).
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import SECOND, duration_text
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import Array, alike, clean_voltage, correlation, spread, values
from pqcheck.site.site_values import Site

LARGEST_SHARE = 0.2
"""A slope up to one fifth of V/I can be a source impedance (a convention of this tool, no standard's)."""
STRONG, WEAK = -0.9, -0.6
LEAST_STEPS = 12
LITTLE = 0.1
"""Share of the movement of the voltage up to which the own load explains hardly any of it, twice its error added."""
SEESAW = -0.7
LEAST_SWING = 0.01
"""Share of the voltage that the swing of the current must explain before anything is said."""


class Slope(Struct, frozen=True):
    """Regression of voltage steps on current steps: slope and r of the steps, slope of the levels, V/I, steps used,
    standard error of the slope."""

    steps: float
    r: float
    levels: float
    intercept: float
    ratio: float
    count: int
    error: float


def slope_of(voltage: Array, current: Array) -> Slope | None:
    """Slope of V on I from consecutive differences; None when the current hardly steps."""
    rise_v, rise_i = np.diff(voltage), np.diff(current)
    good = ~(np.isnan(rise_v) | np.isnan(rise_i))
    rise_v, rise_i = rise_v[good], rise_i[good]
    swing = spread(current)
    if swing <= 0 or len(rise_i) < LEAST_STEPS:
        return None
    used = np.abs(rise_i) >= 0.1 * swing
    if np.count_nonzero(used) < LEAST_STEPS:
        used = np.ones(len(rise_i), bool)
    x, y = rise_i[used], rise_v[used]
    steps = float(x @ y / (x @ x))
    pairs = ~(np.isnan(voltage) | np.isnan(current))
    levels, intercept = np.polyfit(current[pairs], voltage[pairs], 1)
    high = current[pairs] >= np.median(current[pairs])
    ratio = float(np.median(voltage[pairs][high] / np.maximum(current[pairs][high], 1e-9)))
    return Slope(steps, correlation(x, y), float(levels), float(intercept), ratio, int(np.count_nonzero(used)),
                 float(np.sqrt(np.sum((y - steps * x) ** 2) / max(len(x) - 1, 1) / (x @ x))))


def own_load(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation per phase whose voltage and current were recorded together."""
    observations = []
    for phase in "abc":
        voltage, current = gathered.find("voltage", f"{phase}n"), gathered.find("current", phase)
        if voltage is None or current is None or not alike(voltage, current):
            continue
        slope = slope_of(clean_voltage(voltage), values(current))
        if slope is None:
            continue
        observation = _observation(phase, slope, voltage, current, gathered, site)
        if observation is not None:
            observations.append(observation)
    return observations


def _observation(
    phase: str, slope: Slope, voltage: Track, current: Track, gathered: Gathered, site: Site
) -> Observation | None:
    swing = spread(values(current))
    middle = float(np.nanmedian(clean_voltage(voltage)))
    explained = abs(slope.steps) * swing
    share = abs(slope.steps) / slope.ratio if slope.ratio else float("inf")
    numbers = {
        "slope_V_per_A": slope.steps, "r": slope.r, "levels_V_per_A": slope.levels, "share_of_V_over_I": share,
        "intercept_V": float(np.nanmedian(clean_voltage(voltage) - slope.steps * values(current))),
        "steps": float(slope.count),
    }  # fmt: skip
    against = list(_against(slope, voltage, gathered, site, phase))
    evidence = (
        f"Steps of voltage on steps of current: {slope.steps:.4g} V/A, r = {slope.r:.2f}, {slope.count} steps of "
        f"{duration_text(voltage.step_us)} values; over the levels {slope.levels:.4g} V/A.",
        f"Voltage over current is {slope.ratio:.4g} ohm, {1 / share:.0f} times the slope." if share > 0 else "",
    )
    title, figure = f"Own load and voltage, phase {phase}", "fig-volt-ampere"

    def unclaimed(grade: Grade, text: str) -> Observation:
        kept = _without_line(numbers)
        return Observation(f"own-load-{phase}", title, grade, text, evidence, tuple(against), figure, kept)

    if _seesaw(gathered):
        text = (
            "The two legs move against each other while their sum holds still, as they do when the neutral has a bad "
            "contact. Then a slope of voltage on current says nothing about the supply; see to the neutral first."
        )
        return unclaimed("undetermined", text)
    if slope.steps > 0 and slope.r > -WEAK:
        text = (
            "Voltage and current rise and fall together, as they do when the supply varies and the load follows. The "
            "own load does not pull this voltage down."
        )
        return unclaimed("possible", text)
    if slope.steps < 0 and share > LARGEST_SHARE and slope.r < WEAK:
        text = (
            "Current rises where voltage falls, but the slope is about as large as voltage over current: a varying "
            "supply under loads of constant power looks like this. Whether the own load pulls the voltage cannot be "
            "told."
        )
        return unclaimed("undetermined", text)
    moves = spread(clean_voltage(voltage))
    if moves >= LEAST_SWING * middle and (abs(slope.steps) + 2 * slope.error) * swing < LITTLE * moves:
        text = (
            f"The voltage hardly moves with the own load: the usual swing of {swing:.3g} A explains about "
            f"{explained:.2g} V of the {moves:.3g} V over which the voltage moves. What moves it lies elsewhere."
        )
        kept = _without_line(numbers)
        return Observation(f"own-load-{phase}", title, "likely", text, evidence, tuple(against), figure, kept, (),
                           f"the voltage of phase {phase} hardly moves with the load of this site")
    if slope.steps >= 0 or slope.r > WEAK or explained < LEAST_SWING * middle:
        if explained < LEAST_SWING * middle and slope.r <= WEAK:
            return None
        text = "Voltage and current steps hardly go together. Whether the own load pulls the voltage cannot be told."
        return unclaimed("undetermined", text)
    grade: Grade = "likely"
    consistent = 0.5 <= abs(slope.levels / slope.steps) <= 2 if slope.steps else False
    if slope.r > STRONG or not consistent or _exports(gathered, phase):
        grade = "possible"
    text = (
        f"The voltage falls as this site draws more: about {abs(slope.steps):.3g} V for each ampere, "
        f"{explained:.3g} V over "
        f"the usual swing of {swing:.3g} A. The impedance that this points to, about {abs(slope.steps):.2g} ohm, lies "
        "upstream of the measuring point (at a service entrance: service drop, transformer and network)."
    )
    return Observation(f"own-load-{phase}", title, grade, text, evidence, tuple(against), figure, numbers, (),
                       f"the voltage of phase {phase} falls as this site draws more")


def _seesaw(gathered: Gathered) -> bool:
    """Whether exactly two legs were recorded and their voltages mirror each other."""
    first, second = gathered.find("voltage", "an"), gathered.find("voltage", "bn")
    if first is None or second is None or gathered.find("voltage", "cn") is not None or not alike(first, second):
        return False
    return correlation(np.diff(clean_voltage(first)), np.diff(clean_voltage(second))) < SEESAW


def _without_line(numbers: dict[str, float]) -> dict[str, float]:
    """No line is drawn where no slope is claimed."""
    kept = {"r": "r", "slope_V_per_A": "step_slope", "share_of_V_over_I": "share_of_V_over_I"}
    return {name: numbers[held] for held, name in kept.items()}


def _exports(gathered: Gathered, phase: str) -> bool:
    for name in (phase, "total"):
        power = gathered.find("active_power", name)
        if power is not None and np.nanmin(power.mean, initial=0) < -0.02 * np.nanmax(np.abs(power.mean), initial=1):
            return True
    return False


def _against(slope: Slope, voltage: Track, gathered: Gathered, site: Site, phase: str) -> list[str]:
    points = [
        "A supply that sinks at the same hours as the load rises (the evening peak of a street) makes the slope too "
        "large while r stays high; differences do not cure that."
    ]
    if voltage.step_us > 10 * SECOND:
        points.append(
            f"Values over {duration_text(voltage.step_us)} blur the short steps that would tell cause from "
            "coincidence; values over 3 s or less are better."
        )
    if slope.steps and not 0.5 <= abs(slope.levels / slope.steps) <= 2:
        points.append("The slope over the levels differs from that of the steps: something else moves the voltage too.")
    others = [p for p in "abc" if p != phase and gathered.find("voltage", f"{p}n") is not None]
    together = [p for p in others if _moves_along(gathered, phase, p)]
    if others and len(together) == len(others):
        points.append("The other phases fall at the same moments, so a common cause upstream is not excluded.")
    if _exports(gathered, phase):
        points.append("Power flows out of the site at times; with generation the sign of the current no longer tells.")
    declared = _declared_impedance(site)
    if declared is not None and slope.steps and abs(slope.steps) > 2 * declared:
        points.append(
            f"The declared short-circuit current points to {declared:.2g} ohm, less than half of this slope; a bad "
            "contact or another cause would have to add the rest."
        )
    return points


def _moves_along(gathered: Gathered, phase: str, other: str) -> bool:
    first, second = gathered.find("voltage", f"{phase}n"), gathered.find("voltage", f"{other}n")
    current, own = gathered.find("current", other), gathered.find("current", phase)
    if first is None or second is None or not alike(first, second):
        return False
    # Where the other phase's own current moves as well, its voltage says nothing about a common cause.
    if (
        current is not None and own is not None and alike(current, own)
        and correlation(np.diff(values(current)), np.diff(values(own))) > 0.5
    ):  # fmt: skip
        return False
    return correlation(np.diff(clean_voltage(first)), np.diff(clean_voltage(second))) > 0.7


def _declared_impedance(site: Site) -> float | None:
    if site.pcc is None or not site.pcc.short_circuit_current or not site.supply.line_to_neutral:
        return None
    return float(site.supply.line_to_neutral) / float(site.pcc.short_circuit_current)
