"""Is the distortion of the voltage there while the plant is off? Then not all of it is the plant's."""

from __future__ import annotations

import numpy as np

from pqcheck.model.clock import HOUR
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import Array, alike, correlation, spans_of, total_current, values
from pqcheck.physics.distortion import fundamental_from_rms
from pqcheck.site.site_values import Site

OFF_BELOW = 0.15
"""Share of the usual high current (95 % mark) below which a plant counts as off."""
LEAST_OFF_HOURS = 4
SAME = 0.9
LOWER = 0.6


def background(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation when the plant was off for some hours and on for some."""
    # Demand distortion is harmonic amperes over a fixed current, so it tells on and off as well.
    current = total_current(gathered) or next(iter(gathered.tracks("current_tdd", "abc")), None)
    distortion = next(iter(gathered.tracks("voltage_thd", (*LINE_TO_NEUTRAL, *LINE_TO_LINE))), None)
    if current is None or distortion is None or not alike(current, distortion):
        return []
    amperes, percent = values(current), values(distortion)
    good = ~(np.isnan(amperes) | np.isnan(percent))
    if not good.any():
        return []
    off = good & (amperes < OFF_BELOW * np.percentile(amperes[good], 95))
    running = good & (amperes > 0.5 * np.percentile(amperes[good], 95))
    hours = float(np.count_nonzero(off)) * current.step_us / HOUR
    if hours < LEAST_OFF_HOURS or float(np.count_nonzero(running)) * current.step_us / HOUR < LEAST_OFF_HOURS:
        return []
    without, with_ = float(np.median(percent[off])), float(np.median(percent[running]))
    own = _harmonic_amperes(gathered, current, amperes)
    r = correlation(own, percent)
    return [_observation(hours, without, with_, r, tuple(spans_of(off, current.start_us, current.step_us)))]


def _harmonic_amperes(gathered: Gathered, current: Track, amperes: Array) -> Array:
    """Own harmonic current: from the demand distortion, from current and its distortion, else the current itself."""
    for tdd in gathered.tracks("current_tdd", "abc"):
        if alike(tdd, current):
            return values(tdd)
    for phase in "abc":
        thd, own = gathered.find("current_thd", phase), gathered.find("current", phase)
        if thd is not None and own is not None and alike(thd, current) and alike(own, current):
            # The harmonic part of the rms current: distortion times the fundamental.
            return fundamental_from_rms(values(own) * (values(thd) / 100), values(thd))
    return amperes


def _observation(
    hours: float, without: float, with_: float, r: float, spans: tuple[tuple[int, int], ...]
) -> Observation:
    title, grade, text = _by_operation(hours, without, with_, r)
    evidence = (
        f"Middle distortion of the voltage {without:.2f} % over {hours:.0f} hours off, {with_:.2f} % while running; "
        f"correlation with the site's own harmonic current r = {r:.2f}.",
    )
    against = (
        "One measuring place cannot share out distortion between the site and the network; capacitors and filters "
        "left on while the plant is off change it too.",
        "Background that follows the same daily rhythm as the plant hides in such a comparison.",
    )
    numbers = {"off_hours": hours, "off_percent": without, "on_percent": with_, "r": r}
    return Observation("background", title, grade, text, evidence, against, "fig-background", numbers, spans)


def _by_operation(hours: float, without: float, with_: float, r: float) -> tuple[str, Grade, str]:
    """Title, grade and text by the distortion with the plant off and on."""
    if with_ > 0 and without >= SAME * with_:
        return (
            "Distortion that is there while the plant is off", "shown",
            f"While the site drew little current ({hours:.0f} hours), the voltage was as distorted as while it ran: "
            f"{without:.2f} % against {with_:.2f} %. So distortion comes in from the network; how it divides stays "
            "open.",
        )  # fmt: skip
    if with_ > 0 and without <= LOWER * with_ and r > 0.6:
        return (
            "Distortion that rises with the site's own current", "possible",
            f"While the site drew little current ({hours:.0f} hours), the voltage was distorted by {without:.2f} %, "
            f"while it ran by {with_:.2f} %. Part of the distortion goes with the site's own operation.",
        )  # fmt: skip
    return (
        "Distortion and the site's operation", "undetermined",
        f"The voltage was distorted by {without:.2f} % while the site drew little current and by {with_:.2f} % while "
        "it ran; that does not tell where the distortion comes from.",
    )  # fmt: skip
