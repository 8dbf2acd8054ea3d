"""What the numbers of a file say about its columns: medians against the nominal, and ratios between columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.model.recording import Channel
from pqcheck.site.site_values import Site

_CLOSE = 0.2
"""A median within this share of a nominal speaks for it; line-to-line and phase voltages are 1.7 apart."""


class Evidence(Struct, frozen=True):
    """Readings of the first rows by column number, and what the site declares.

    All samples hold the same rows, NaN where a cell is blank; `known` are columns whose header says everything.
    """

    samples: Mapping[int, NDArray[np.float64]]
    site: Site | None = None
    known: Mapping[int, Channel] = field(default_factory=dict)
    medians: dict[int, float] = field(default_factory=dict)

    @property
    def connection(self) -> str | None:
        """The declared connection."""
        return self.site.supply.connection if self.site is not None else None

    def nominal(self, phase: str | None) -> float | None:
        """Declared nominal voltage of a phase, in volts."""
        value = self.site.supply.nominal(phase) if self.site is not None and phase else None
        return float(value) if value is not None else None

    def median(self, column: int) -> float | None:
        """Median of the readings that are not zero (a dead run says nothing about the unit)."""
        if column not in self.medians:
            values = np.abs(self.samples.get(column, np.zeros(0)))
            values = values[np.isfinite(values) & (values > 0)]
            self.medians[column] = float(np.median(values)) if values.size else float("nan")
        middle = self.medians[column]
        return None if np.isnan(middle) else middle

    def unit(self, channel: Channel, column: int) -> tuple[str, str] | None:
        """The unit that the size of the readings shows, and the sentence for it."""
        median = self.median(column)
        if median is None:
            return None
        if channel.quantity == "voltage" and channel.phase != "ng":
            return self._voltage_unit(channel, median)
        if channel.quantity == "frequency":
            return ("Hz", f"the median {median:.4g} is a frequency in hertz") if 40 < median < 70 else (
                ("mHz", f"the median {median:.6g} is a frequency in millihertz") if 40e3 < median < 70e3 else None)
        if channel.quantity == "current":
            return "A", "no unit is written, amperes assumed"
        if channel.quantity in ("voltage_thd", "current_thd", "current_tdd"):
            return "%", "no unit is written, percent assumed"
        if channel.quantity in ("power_factor", "displacement_power_factor"):
            return ("1", f"the median is {median:.3g}") if median <= 1 else ("%", f"the median is {median:.3g}")
        return None

    def _voltage_unit(self, channel: Channel, median: float) -> tuple[str, str] | None:
        known = [value for phase in ("an", "ab") if (value := self.nominal(phase)) is not None]
        for nominal in known:
            for unit, size in (("V", 1.0), ("kV", 1000.0)):
                if abs(median * size / nominal - 1) < _CLOSE:
                    return unit, f"the median {median:.4g} fits the nominal {nominal:g} V in {unit}"
        if known:
            return None
        return ("V", f"no unit is written, volts assumed from the median {median:.4g}") if 50 < median < 1000 else None

    def ratio(self, pairs: Sequence[int], column: int) -> float | None:
        """Median of line-to-line columns over that of one column."""
        above = [value for pair in pairs if (value := self.median(pair)) is not None]
        own = self.median(column)
        return float(np.median(above)) / own if above and own else None

    def nearest_nominal(self, channel: Channel, column: int) -> tuple[str, str] | None:
        """Whether a voltage lies at the phase-to-neutral or at the line-to-line nominal; None when neither is near."""
        median = self.median(column)
        if median is None or self.site is None:
            return None
        volts = median * (1000 if channel.unit == "kV" else 1)
        neutral, line = self.nominal(channel.phase), self.nominal("ab")
        if neutral is not None and abs(volts / neutral - 1) < _CLOSE:
            return "neutral", f"the median {volts:.4g} V fits {neutral:g} V to neutral"
        if line is not None and abs(volts / line - 1) < _CLOSE:
            return "line", f"the median {volts:.4g} V fits {line:g} V line to line"
        return None
