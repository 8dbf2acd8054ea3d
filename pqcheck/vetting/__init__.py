"""Is the recording itself sound: findings about it, and `Trust` as data (docs/method/soundness.md)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from pqcheck.findings import Finding, Verdict
from pqcheck.recording import Block, Channel, Recording, RowSpan
from pqcheck.site.model import Site
from pqcheck.vetting.assemble import findings_of, in_stream, proposals_of, remarks_of, trust_of
from pqcheck.vetting.checks import channel_checks, cross_checks
from pqcheck.vetting.danger import danger_outcomes, watches
from pqcheck.vetting.gather import Gathered, Gatherer
from pqcheck.vetting.grid import canonical_factor, grids
from pqcheck.vetting.handheld import HandheldWatch, handheld_outcomes
from pqcheck.vetting.neutral import watch_for
from pqcheck.vetting.outcome import Outcome, Proposal
from pqcheck.vetting.representative import representative_outcome
from pqcheck.vetting.thresholds import threshold
from pqcheck.vetting.timeline import clock_outcome, note_outcomes
from pqcheck.vetting.trust import Trust

__all__ = ["Proposal", "Trust", "Vetted", "Vetting", "vet"]


class Vetted(Struct, frozen=True):
    """What vetting found: findings of kind recording and safety, the doubts judging obeys, lines for people.

    `proposals` are corrections that would make the recording consistent, for a person to sign.
    """

    findings: tuple[Finding, ...]
    trust: tuple[Trust, ...]
    remarks: tuple[str, ...]
    proposals: tuple[Proposal, ...] = ()


def vet(recording: Recording, site: Site) -> Vetted:
    """Vet a recording on its own, in one pass; corrections must have been applied before."""
    vetting = Vetting(recording, site)
    for number, stream in enumerate(recording.streams):
        for block in stream.blocks(None):
            vetting.feed(number, block)
    return vetting.finish()


class Vetting:
    """Collects what the checks need during one pass over the data, then runs them.

    Call `feed` once per block, streams in any order, blocks of a stream in time order, values already corrected.
    Raises SiteError when a spot check lies outside the recording.
    """

    def __init__(self, recording: Recording, site: Site) -> None:
        self._recording = recording
        self._site = site
        self._handheld = HandheldWatch(recording, site)
        self._gatherers = [
            _gatherer(number, recording, site) for number in range(len(recording.streams))
        ]

    def feed(self, stream_number: int, block: Block) -> None:
        """Take what is needed from a block; nothing of its arrays is kept."""
        self._gatherers[stream_number].feed(block)
        if self._handheld.spots:
            self._handheld.take(stream_number, block)

    def finish(self) -> Vetted:
        """Run the checks."""
        outcomes = list(self._outcomes([gatherer.finish() for gatherer in self._gatherers]))
        unplaced: tuple[RowSpan, ...] = ()
        noted = list(note_outcomes(self._recording.all_notes()))
        channels = sum(len(stream.channels) for stream in self._recording.streams)
        return Vetted(
            findings_of([*((outcome, unplaced) for outcome in outcomes), *noted], self._recording),
            trust_of(outcomes),
            remarks_of([*outcomes, *(outcome for outcome, _ in noted)], channels),
            proposals_of(outcomes),
        )

    def _outcomes(self, gathered: Sequence[Gathered]) -> Iterator[Outcome]:
        zone = self._recording.zone
        grid_list = grids(gathered)
        found: list[Outcome] = []
        for one in gathered:
            found += in_stream(channel_checks(one, self._site), one.number)
        for grid in grid_list:
            found += in_stream(cross_checks(grid, self._site), grid.number)
        yield from found
        main = max(grid_list, key=lambda grid: len(grid.data), default=None)
        if main is not None:
            overall = [clock_outcome(main, zone), representative_outcome(main, self._site, zone)]
            yield from in_stream(overall, main.number)
        yield from handheld_outcomes(self._handheld, zone)
        doubted = [outcome for outcome in found if outcome.verdict is not Verdict.PASS]
        yield from danger_outcomes(gathered, grid_list, self._site, doubted)


def _gatherer(number: int, recording: Recording, site: Site) -> Gatherer:
    stream = recording.streams[number]
    volts = [channel for channel in stream.channels if channel.quantity == "voltage"]
    units = {channel.unit for channel in volts}
    # Legs are added and compared as they stand; in mixed units there is no see-saw to watch.
    scale = canonical_factor("voltage", units.pop()) if len(units) == 1 else 0.0
    return Gatherer(
        number, stream, watches(site, stream.channels), _dark_below(site, volts),
        watch_for(site.supply, stream.channels, scale),
    )


def _dark_below(site: Site, volts: Sequence[Channel]) -> dict[Channel, float]:
    """Interruption threshold of every mean voltage with a nominal, in its own unit."""
    share = threshold("interruption", "below_percent") / 100
    return {
        channel: share * float(nominal) / canonical_factor("voltage", channel.unit)
        for channel in volts
        if channel.reading == "mean" and (nominal := site.supply.nominal(channel.phase or "")) is not None
    }
