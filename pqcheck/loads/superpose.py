"""The measured record with new loads added to every interval: a recording like any other, to be judged like any other.

What cannot be predicted from a declaration (flicker, frequency, interharmonics, signalling, energy registers) is left
out of it, so that no such rule can look judged. Described in docs/method/loads.md.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.clock import iso
from pqcheck.loads.addition import Array, Collapse
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.source import Source
from pqcheck.loads.spectral import Law
from pqcheck.loads.superpose_block import CURRENTS, VOLTAGES, BlockAddition
from pqcheck.recording import Block, Channel, Recording, Stream
from pqcheck.site.model import Site

PREDICTED = frozenset(CURRENTS | VOLTAGES)
"""Quantities that the prediction covers."""


class Added(Struct, frozen=True):
    """What is added and how: `everything_on` ignores schedules and profiles, and takes no credit for what feeds in."""

    loads: tuple[NewLoad, ...]
    source: Source | None
    law: Law = "summation"
    everything_on: bool = False
    recorded_demand: float | None = None
    """Demand current that a recorded total demand distortion refers to, where the site's own is another."""

    def scaled(self, by: float) -> Added:
        """The same additions, all of them `by` times as large."""
        return replace(self, loads=tuple(load.scaled(by) for load in self.loads))


def with_addition(recording: Recording, site: Site, added: Added) -> Recording:
    """A recording whose blocks are the measured ones with the additions, worked out when they are read.

    Channels keep their names and units; values become float64. Voltages are left out when the source is unknown.
    Reading raises `SiteError` where the supply cannot deliver the addition.
    """
    streams = []
    for stream in recording.streams:
        kept = tuple(channel for channel in stream.channels if predictable(channel, stream, site, added.source))
        streams.append(Stream(stream.axis, kept, _Walk(stream, site, added, recording.zone, kept).blocks, stream.index))
    return Recording(recording.files, tuple(streams), recording.notes, recording.zone, (), recording.late_notes)


def predictable(channel: Channel, stream: Stream, site: Site, source: Source | None) -> bool:
    """Whether the channel with the new loads follows from what was recorded and declared."""
    if channel.quantity not in PREDICTED or channel.phase == "ng":
        return False
    if channel.reading != "mean" and channel.quantity not in ("voltage", "current"):
        return False
    if channel.quantity in VOLTAGES:
        return source is not None
    if channel.quantity == "current_tdd":
        return site.pcc is not None and site.pcc.maximum_demand_current is not None
    if channel.quantity == "current_trd":
        return site.pcc is not None and site.pcc.rated_current is not None
    if channel.phase == "n" and channel.quantity != "current":
        return False
    if channel.quantity.startswith("current_") and channel.unit in ("%", "% of rms"):
        return any(one.key[:2] == ("current", channel.phase) for one in stream.channels) or any(
            one.key == ("current_harmonic", channel.phase, 1, None, "mean") for one in stream.channels
        )
    return True


class _Walk(Struct, frozen=True):
    stream: Stream
    site: Site
    added: Added
    zone: str
    kept: tuple[Channel, ...]

    def blocks(self, channels: Sequence[Channel] | None = None) -> Iterator[Block]:
        """Blocks with the additions; `channels` limits what is worked out, not what it is worked out from."""
        wanted = self.kept if channels is None else tuple(one for one in channels if one in self.kept)
        work = BlockAddition(
            self.stream, self.site, self.added.loads, self.added.source, self.added.law, self.added.recorded_demand
        )
        for block in self.stream.blocks(None):
            shares = [self._share(load, block) for load in self.added.loads]
            try:
                values = work.values(block, shares, wanted)
            except Collapse as error:
                raise Collapse(_when(error, block, self.zone), error.index) from None
            over = {channel: mask for channel, mask in block.over_range.items() if channel in values}
            yield Block(block.axis, values, block.flagged, over)

    def _share(self, load: NewLoad, block: Block) -> Array:
        axis = block.axis
        if self.added.everything_on:
            # What feeds in takes nothing off an upper bound, unless nothing else is added.
            relief = load.feeds_in and not all(one.feeds_in for one in self.added.loads)
            return np.zeros(axis.count) if relief else np.ones(axis.count)
        starts = axis.start_us + axis.interval_us * np.arange(axis.count, dtype=np.int64)
        return load.share(starts, axis.interval_us, self.zone)


def _when(error: Collapse, block: Block, zone: str) -> str:
    return f"{error} (first at {iso(block.axis.start_us + error.index * block.axis.interval_us, zone)})"
