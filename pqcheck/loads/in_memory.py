"""A recording kept in memory, so that it can be judged many times without reading the files again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from pqcheck.model.recording import Block, Channel, Recording, Stream

MOST_VALUES = 60_000_000
"""Beyond it (about half a gigabyte) the files are read again each time."""


def in_memory(recording: Recording) -> Recording:
    """The same recording with its blocks in memory; unchanged when it is too large for that."""
    if sum(stream.axis.count * len(stream.channels) for stream in recording.streams) > MOST_VALUES:
        return recording
    return replace(recording, streams=tuple(_in_memory(stream) for stream in recording.streams))


def _in_memory(stream: Stream) -> Stream:
    kept = [
        Block(
            block.axis,
            {channel: values.copy() for channel, values in block.values.items()},
            None if block.flagged is None else block.flagged.copy(),
            {channel: mask.copy() for channel, mask in block.lower_bounds.items()},
            {channel: mask.copy() for channel, mask in block.upper_bounds.items()},
        )
        for block in stream.blocks(None)
    ]

    def blocks(channels: Sequence[Channel] | None = None) -> Iterator[Block]:
        wanted = None if channels is None else set(channels)
        for block in kept:
            values = {channel: array for channel, array in block.values.items() if wanted is None or channel in wanted}
            yield Block(block.axis, values, block.flagged, block.lower_bounds, block.upper_bounds)

    return replace(stream, blocks=blocks)
