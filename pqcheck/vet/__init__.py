"""Is the recording itself sound: findings about it, and `Trust` as data (docs/method/soundness.md).

One pass collects what the checks need (`collect`), then the checks look at what each time base shows (`checks`), and
what they say becomes findings and doubts (`into_findings`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import ModuleType

from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.model.findings import Finding, in_order
from pqcheck.model.recording import Block, Channel, Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet import checks
from pqcheck.vet.checks import file_notes, handheld
from pqcheck.vet.collect import StreamCollector
from pqcheck.vet.into_findings import findings_of, proposals_of, remarks_of, trust_of
from pqcheck.vet.left_out import excluded_named, signs_within, with_signs
from pqcheck.vet.outcome import Outcome, Proposal
from pqcheck.vet.time_base import TimeBase, grids, grouped
from pqcheck.vet.trust import Trust

__all__ = ["Proposal", "Trust", "Vetted", "Vetting", "vet"]


class Vetted(Struct, frozen=True):
    """What vetting found: findings of kind recording and safety, the doubts judging obeys, lines for people.

    `proposals` are corrections that would make the recording consistent, for a person to sign.
    """

    findings: tuple[Finding, ...]
    trust: tuple[Trust, ...]
    remarks: tuple[str, ...]
    proposals: tuple[Proposal, ...] = ()
    smallest_moves: Mapping[tuple[int, Channel], float] = field(default_factory=dict)
    """The smallest move between neighbouring readings, by stream and channel."""


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
        self._spots = handheld.SpotWatch(recording, site)
        self._collectors = [
            StreamCollector(stream, site, checks.COUNTED_OF_CHANNELS, checks.COUNTED_OF_MAIN, checks.COLLECTED)
            for stream in recording.streams
        ]

    def feed(self, stream_number: int, block: Block) -> None:
        """Take what is needed from a block; nothing of its arrays is kept."""
        self._collectors[stream_number].feed(block)
        self._spots.feed(stream_number, block)

    def finish(self) -> Vetted:
        """Run the checks."""
        outcomes = excluded_named(self.outcomes(), self._site)
        noted = list(file_notes.note_outcomes(self._recording.all_notes()))
        channels = sum(len(stream.channels) for stream in self._recording.streams)
        findings = findings_of([*((outcome, ()) for outcome in outcomes), *noted], self._recording)
        return Vetted(
            in_order(with_signs(findings, self._signs_left_out()).values()),
            trust_of(outcomes),
            remarks_of([*outcomes, *(outcome for outcome, _ in noted)], channels),
            proposals_of(outcomes),
            {
                (number, channel): statistics.resolution
                for number, collector in enumerate(self._collectors)
                for channel, statistics in collector.channels.items() if 0 < statistics.resolution < math.inf
            },
        )

    def outcomes(self) -> list[Outcome]:
        """What the checks of the values say."""
        return list(_outcomes(self._time_bases(), self._spots, self._recording.zone))

    def _signs_left_out(self) -> Iterator[Finding]:
        """Danger signs of what was recorded and is not judged, each part looked at as a recording of its own."""
        site = replace(self._site, spot_checks=())
        for part in self._recording.left_out:
            own = replace(self._recording, streams=part.streams, left_out=())
            vetting = Vetting(own, site)
            for number, stream in enumerate(own.streams):
                for block in stream.blocks(None):
                    vetting.feed(number, block)
            yield from findings_of(
                ((outcome, ()) for outcome in signs_within(vetting.outcomes(), part.spans, part.why)), own
            )

    def _time_bases(self) -> list[TimeBase]:
        coarse = [collector.finish() for collector in self._collectors]
        parts = zip(self._recording.streams, self._collectors, coarse, grids(coarse), strict=True)
        return [
            TimeBase(number, stream, self._site, self._recording.zone, collector.channels,
                     grouped(collector.channels), means.coarse_us, means.series, collector.collected, grid)
            for number, (stream, collector, means, grid) in enumerate(parts)
        ]


def _outcomes(bases: Sequence[TimeBase], spots: handheld.SpotWatch, zone: str) -> Iterator[Outcome]:
    """What all checks say, in the order of `checks`."""
    related = [base for base in bases if base.grid.crossing]
    outcomes: list[Outcome] = []
    if bases:
        outcomes += _of(checks.OF_THE_RECORDING, max(bases, key=lambda base: base.stream.axis.count))
    for base in bases:
        place = {name: number for number, name in enumerate(base.groups)}
        outcomes += _of(checks.BEFORE_CHANNELS, base)
        outcomes += sorted(_of(checks.OF_CHANNELS, base), key=lambda outcome: place[outcome.channel])
        outcomes += _of(checks.AFTER_CHANNELS, base)
    for base in related:
        outcomes += _of(checks.OF_RELATIONS, base)
    yield from outcomes
    if related:
        yield from _of(checks.OF_THE_PERIOD, max(related, key=lambda base: len(base.grid.data)))
    yield from handheld.examine(spots, zone)
    doubts = tuple(outcome for outcome in outcomes if outcome.verdict is not Verdict.PASS)
    for base in bases:
        yield from _of(checks.DANGER_SIGNS, replace(base, doubts=doubts))


def _of(modules: Iterable[ModuleType], base: TimeBase) -> list[Outcome]:
    """What some checks say about one time base."""
    return [replace(outcome, stream=base.number) for module in modules for outcome in module.examine(base)]
