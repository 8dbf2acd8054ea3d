"""Power factor against P and S, and whether the frequency can be one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.site.model import Site
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median, nan_median, nan_percentile
from pqcheck.vetting.outcome import Outcome, Subject
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


def power_factor_outcomes(grid: Grid) -> Iterator[Outcome]:
    """Per phase and total: recorded power factor against |P|/S, and never beyond 1."""
    seen = False
    for phase in (*PHASES, "total"):
        factor = grid.get("power_factor", phase)
        if factor is None:
            continue
        seen = True
        name = f"power_factor.{phase}"
        passed = Outcome("power-factor", Verdict.PASS, name, "power_factor", phase)
        with np.errstate(invalid="ignore"):
            known = np.isfinite(factor)
            beyond = float(np.mean(np.abs(factor[known]) > 1 + threshold("power-factor", "beyond_one")))
        if beyond > threshold("power-factor", "share"):
            yield _refused(name, phase, f"The power factor of {phase} lies beyond 1 in {100 * beyond:.3g} % of the "
                                        "intervals")
            continue
        active, apparent = grid.get("active_power", phase), _apparent(grid, phase)
        if active is None or apparent is None:
            yield passed
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            loaded = known & np.isfinite(active) & np.isfinite(apparent)
            loaded &= apparent > threshold("power-factor", "significant") * nan_percentile(apparent, 95)
            gap = np.abs(np.abs(factor) - np.minimum(np.abs(active) / apparent, 1.0))
        if np.count_nonzero(loaded) < threshold("ratio", "fewest_points"):
            yield passed
            continue
        off = float(np.mean(gap[loaded] > threshold("power-factor", "within")))
        # Averages of a ratio and ratios of averages differ while the load changes; only a lasting difference counts.
        if off <= threshold("power-factor", "off_share"):
            yield passed
            continue
        yield _refused(
            name, phase,
            f"The power factor of {phase} differs from P/S by more than {threshold('power-factor', 'within'):g} in "
            f"{100 * off:.3g} % of the loaded intervals (median {median(gap[loaded]):.3g})",
        )
    if not seen:
        yield Outcome("power-factor", Verdict.NOT_APPLICABLE, "power_factor", "power_factor", code="no-input",
                      text="No power factor was recorded.", advice="Nothing to do.")


def _apparent(grid: Grid, phase: str) -> Array | None:
    apparent = grid.get("apparent_power", phase)
    if apparent is not None:
        return np.abs(apparent)
    volts, amps = grid.get("voltage", f"{phase}n"), grid.get("current", phase)
    if phase != "total" and volts is not None and amps is not None:
        return np.asarray(volts * amps)
    return None


def _refused(name: str, phase: str, text: str) -> Outcome:
    return Outcome(
        "power-factor", Verdict.REFUSED, name, "power_factor", phase, code="power-factor-mismatch", likelihood="shown",
        text=text + ": the column is another factor (displacement), another phase, or in another unit.",
        advice="Check what the column holds.", subjects=(Subject("power_factor", (phase,)),),
    )


def frequency_outcome(grid_series: Array | None, site: Site) -> Outcome:
    """Whether the frequency is near 50 or 60 Hz and near the declared one; `grid_series` in Hz or None."""
    if grid_series is None or not np.isfinite(grid_series).any():
        return Outcome("frequency", Verdict.NOT_APPLICABLE, "frequency", "frequency", code="no-input",
                       text="No frequency was recorded.", advice="Nothing to do.")
    middle = nan_median(grid_series)
    declared = float(site.supply.frequency) if site.supply.frequency is not None else None
    known = [declared] if declared else [50.0, 60.0]
    if any(abs(middle - one) <= threshold("frequency", "within_hz") for one in known):
        return Outcome("frequency", Verdict.PASS, "frequency", "frequency", value=middle, unit="Hz")
    expected = f"the declared {declared:g} Hz" if declared else "50 or 60 Hz"
    return Outcome(
        "frequency", Verdict.REFUSED, "frequency", "frequency", code="frequency-doubtful", likelihood="shown",
        text=f"The frequency is typically {middle:.4g} Hz, not near {expected}: wrong declaration, unit or column.",
        advice="Correct [supply] frequency or the column mapping.", subjects=(Subject("frequency"),), value=middle,
        unit="Hz",
    )
