"""Short dips beside peaks of the own current: does a large load start when the voltage dips, or not?

The recorder keeps the lowest voltage and the highest current of each interval, not when within it they fell: that both
lie in one interval, again and again, is what can be seen.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.clock import DAY, MINUTE, duration_text, local_clock
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import alike, spans_of
from pqcheck.site.site_values import Site

LEAST_DIP = 0.03
"""Share of the voltage by which a minimum must lie below its mean: a drop that lamps show."""
TIMES_USUAL = 4.0
"""A dip or a peak stands out by this many times the usual distance of extreme and mean."""
LEAST_PEAK = 0.5
"""Share of the middle current by which a maximum must stand above its mean."""
LEAST_COUNT = 3
TOGETHER = 0.8
APART = 0.2
OFTEN = 0.5
"""Share of the days on which a clock time must come up to be named."""
MOST_CLOCKS = 3


def load_starts(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation per phase whose minimum voltage and maximum current were recorded together."""
    made = []
    for phase in "abc":
        tracks = (gathered.find("voltage", f"{phase}n"), gathered.find("voltage", f"{phase}n", None, "min"),
                  gathered.find("current", phase), gathered.find("current", phase, None, "max"))
        volts, lowest, amperes, highest = tracks
        if volts is None or lowest is None or amperes is None or highest is None:
            continue
        if all(alike(volts, other) for other in (lowest, amperes, highest)):
            made += _observed(phase, volts, lowest, amperes, highest, gathered.zone)
    return made


def _observed(
    phase: str, volts: Track, lowest: Track, amperes: Track, highest: Track, zone: str
) -> list[Observation]:
    level = float(np.nanmedian(volts.mean))
    drop, rise = volts.mean - lowest.low, highest.high - amperes.mean
    known = ~(np.isnan(drop) | np.isnan(rise)) & (lowest.low > level / 3)
    if not known.any():
        return []
    dips = known & (drop >= max(LEAST_DIP * level, TIMES_USUAL * float(np.median(drop[known]))))
    middle = float(np.median(amperes.mean[known]))
    peaks = known & (rise >= max(LEAST_PEAK * middle, TIMES_USUAL * float(np.median(rise[known]))))
    count = int(np.count_nonzero(dips))
    if count < LEAST_COUNT:
        return []
    share = float(np.count_nonzero(dips & peaks)) / count
    back = float(np.count_nonzero(dips & peaks)) / max(int(np.count_nonzero(peaks)), 1)
    deepest, top = float(lowest.low[dips].min()), float(highest.high[dips].max())
    step = duration_text(volts.step_us)
    clocks = _clocks(dips, volts, zone)
    seen = f"{count} short dips on phase {phase}, down to {deepest:.4g} V{clocks}"
    numbers = {"dips": float(count), "share_with_peak": share, "lowest_V": deepest, "highest_A": top}
    spans = tuple(spans_of(dips, volts.start_us, volts.step_us))
    same = f"Of {count} intervals of {step} with a dip, {round(share * count)} hold a peak of the current too."
    if share >= TOGETHER:
        grade: Grade = "likely" if back >= OFTEN else "possible"
        text = (
            f"{seen}: in the same intervals the current of this phase peaks, up to {top:.3g} A where {middle:.3g} A "
            "are usual, as when a motor or another large load of this site starts."
        )
        against = ("Voltage minimum and current maximum lie in the same interval, which does not show that they fell "
                   "at the same moment; a dip from outside makes running motors draw more as well.",)
        plain = f"short dips on phase {phase}{clocks} come when a large load of this site starts"
        title = f"Dips when a load starts, phase {phase}"
        return [Observation(f"load-starts-{phase}", title, grade, text, (same,), against, "", numbers, spans, plain)]
    if share <= APART:
        text = (
            f"{seen}: the current of this phase hardly peaks in the same intervals, so no large load of this site "
            "starts then."
        )
        against = ("A load on another phase, or one that stops, is not seen in this current.",)
        plain = f"short dips on phase {phase}{clocks} come without a start of this site's loads"
        title = f"Dips without a start of the own load, phase {phase}"
        return [Observation(f"load-starts-{phase}", title, "likely", text, (same,), against, "", numbers, spans, plain)]
    return []


def _clocks(dips: NDArray[np.bool_], volts: Track, zone: str) -> str:
    """The clock times at which most of the dips come, where they come up on half of the days."""
    local = local_clock(volts.times_us[dips], zone)
    days = max(len(volts.mean) * volts.step_us / DAY, 1)
    # Nearby intervals of fine recordings are one clock time.
    minutes, counts = np.unique(local % DAY // MINUTE // 10 * 10, return_counts=True)
    often = sorted(minutes[counts >= OFTEN * days].tolist())[:MOST_CLOCKS]
    texts = [f"{minute // 60:02}:{minute % 60:02}" for minute in often]
    return f" (mostly from {' and from '.join(texts)} on)" if texts else ""
