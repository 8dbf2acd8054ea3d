"""What the figures are drawn from, and the small questions all of them ask of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct, field

from pqcheck.limit_tables import LimitTable
from pqcheck.model.clock import parse_iso
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.observe.gather import PLOT_POINTS, Gathered, Judged
from pqcheck.observe.observation import Observation
from pqcheck.observe.reduce import Reducer, members_per_point
from pqcheck.reports.plots.labels import phase_label, phase_line
from pqcheck.reports.plots.time_axis import Span
from pqcheck.reports.plots.trend import Curve, Frame
from pqcheck.site.site_values import Site

MOST_MARKS = 400


class Material(Struct, frozen=True, dict=True):
    """One report: findings, the thinned recording (None without one), the site, observations."""

    findings: Findings
    site: Site
    gathered: Gathered | None = None
    observations: tuple[Observation, ...] = ()
    tables: tuple[LimitTable, ...] = field(default=())

    @cached_property
    def frame(self) -> Frame:
        """The span of all figures, and what the site excludes."""
        assert self.gathered is not None
        excluded = tuple((exclusion.from_us, exclusion.to_us) for exclusion in self.site.exclusions)
        return Frame(self.gathered.start_us, self.gathered.end_us, self.gathered.zone, excluded)

    @cached_property
    def is_design(self) -> bool:
        """Whether a design was judged (a scenario, or spectra of operating points) and no supply was recorded."""
        return bool(self.site.scenario) or any(finding.snapshot is not None for finding in self.findings.findings)

    def curve(self, quantity: str, phase: str | None, order: int | None = None) -> Curve | None:
        """The line of a channel, thinned, its band from recorded minimum and maximum columns where they exist."""
        assert self.gathered is not None
        best = None
        for channel, track in self.gathered.plots.items():
            if (channel.quantity, channel.phase, channel.order, channel.reading) != (quantity, phase, order, "mean"):
                continue
            if channel.hertz is None and (best is None or track.interval_us < best.interval_us):
                best = track
        if best is None:
            return self._judged_curve(quantity, phase) if order is None else None
        low, high = best.low, best.high
        for reading in ("min", "max"):
            extreme = self.gathered.plots.get(Channel(quantity, phase, order, None, reading, best.channel.unit))
            if extreme is not None and len(extreme.mean) == len(best.mean):
                low = np.fmin(low, extreme.low) if reading == "min" else low
                high = np.fmax(high, extreme.high) if reading == "max" else high
        return Curve(phase_label(phase), best.start_us, best.step_us, best.mean, low, high, phase_line(quantity, phase))

    def curves(self, quantity: str, phases: Iterable[str | None], order: int | None = None) -> list[Curve]:
        """The lines of those of the phases that have one, in their order."""
        return [curve for phase in phases if (curve := self.curve(quantity, phase, order)) is not None]

    def judged(self, quantity: str, phase: str | None) -> Judged | None:
        """The judged series of a quantity, the longest interval first (fewest values, steadiest)."""
        assert self.gathered is not None
        candidates = [series for series in self.gathered.judged if (series.quantity, series.phase) == (quantity, phase)]
        return max(candidates, key=lambda series: series.interval_us, default=None)

    def _judged_curve(self, quantity: str, phase: str | None) -> Curve | None:
        series = self.judged(quantity, phase)
        if series is None or not len(series.values):
            return None
        thin = Reducer(len(series.values), members_per_point(len(series.values), series.interval_us, PLOT_POINTS))
        thin.feed(series.values, 0, 1.0)
        step = series.interval_us * thin.members
        return Curve(
            phase_label(phase), series.start_us, step, thin.mean, thin.low, thin.high, phase_line(quantity, phase)
        )

    def interval_us(self, quantity: str) -> int:
        """The recorded interval of a quantity."""
        assert self.gathered is not None
        held = [track.interval_us for channel, track in self.gathered.plots.items() if channel.quantity == quantity]
        return min(held, default=self.gathered.judged[0].interval_us if self.gathered.judged else 0)

    def phases(self, quantity: str) -> list[str | None]:
        """Phases at hand for a quantity, recorded or formed; [None] for a system quantity."""
        assert self.gathered is not None
        from pqcheck.model.quantities import QUANTITIES

        held = {
            channel.phase
            for channel in self.gathered.plots
            if channel.quantity == quantity and channel.order is None and channel.reading == "mean"
        }
        held |= {series.phase for series in self.gathered.judged if series.quantity == quantity}
        return [phase for phase in (*QUANTITIES[quantity].phases, None) if phase in held]


def windows_of(findings: Sequence[Finding]) -> tuple[Span, ...]:
    """Evidence windows of what fails, as spans; the first few hundred of each."""
    spans: list[Span] = []
    for finding in findings:
        if finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
            for window in finding.windows[:MOST_MARKS]:
                spans.append((parse_iso(window.start)[0], parse_iso(window.end)[0]))
    return joined(spans)


def joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Overlapping and touching spans as one."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return tuple(merged)
