"""Blocks of a stream cut anew onto a shorter axis, whole days from its start."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.model.recording import DAY, Axis, Block, Channel

Array = NDArray[Any]


def cut_blocks(blocks: Iterator[Block], axis: Axis) -> Iterator[Block]:
    """Blocks that together cover `axis`, each of whole days from its start, from blocks that cover at least that span.

    The arrays handed out are new and may be kept. `axis` has the interval of the blocks and lies on their grid.
    """
    step = max(1, DAY // axis.interval_us)
    done, waiting = 0, 0
    parts: list[Block] = []
    for block in blocks:
        piece = _inside(block, axis)
        if piece is None:
            continue
        parts.append(piece)
        waiting += piece.axis.count
        while waiting >= step:
            whole = waiting // step * step
            joined = _joined(parts, axis.start_us + done * axis.interval_us, axis.interval_us)
            yield _slice(joined, 0, whole)
            parts = [_slice(joined, whole, waiting)] if waiting > whole else []
            done, waiting = done + whole, waiting - whole
    if waiting:
        yield _joined(parts, axis.start_us + done * axis.interval_us, axis.interval_us)


def _inside(block: Block, axis: Axis) -> Block | None:
    first = max(0, (axis.start_us - block.axis.start_us) // axis.interval_us)
    last = min(block.axis.count, (axis.end_us - block.axis.start_us) // axis.interval_us)
    if last <= first:
        return None
    # The reader reuses its arrays for the next block.
    return _copied(_slice(block, first, last))


def _slice(block: Block, first: int, last: int) -> Block:
    return replace(
        block,
        axis=Axis(block.axis.start_us + first * block.axis.interval_us, block.axis.interval_us, last - first),
        values={channel: values[first:last] for channel, values in block.values.items()},
        flagged=None if block.flagged is None else block.flagged[first:last],
        lower_bounds={channel: mask[first:last] for channel, mask in block.lower_bounds.items()},
        upper_bounds={channel: mask[first:last] for channel, mask in block.upper_bounds.items()},
    )


def _copied(block: Block) -> Block:
    return replace(
        block,
        values={channel: values.copy() for channel, values in block.values.items()},
        flagged=None if block.flagged is None else block.flagged.copy(),
        lower_bounds={channel: mask.copy() for channel, mask in block.lower_bounds.items()},
        upper_bounds={channel: mask.copy() for channel, mask in block.upper_bounds.items()},
    )


def _joined(parts: list[Block], start_us: int, interval_us: int) -> Block:
    count = sum(part.axis.count for part in parts)
    axis = Axis(start_us, interval_us, count)
    if len(parts) == 1:
        return replace(parts[0], axis=axis)
    values: dict[Channel, Array] = {
        channel: np.concatenate([part.values[channel] for part in parts]) for channel in parts[0].values
    }
    flagged = None
    if any(part.flagged is not None for part in parts):
        flagged = np.concatenate([
            part.flagged if part.flagged is not None else np.zeros(part.axis.count, np.bool_) for part in parts
        ])
    counts = [part.axis.count for part in parts]
    return Block(
        axis, values, flagged,
        _joined_masks([part.lower_bounds for part in parts], counts),
        _joined_masks([part.upper_bounds for part in parts], counts),
    )


def _joined_masks(masks: Sequence[Mapping[Channel, Array]], counts: Sequence[int]) -> dict[Channel, Array]:
    """The masks of parts of so many slots, one behind the other; False where a part has none of a channel."""
    marked = sorted({channel for each in masks for channel in each})
    return {
        channel: np.concatenate([
            each.get(channel, np.zeros(count, np.bool_)) for each, count in zip(masks, counts, strict=True)
        ])
        for channel in marked
    }
