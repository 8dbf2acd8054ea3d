"""Rows that have no place on the time line, or contradict others there, as streams of their own (see `LeftOut`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pqcheck.io.timeline.blocks import Watch, blocks_of
from pqcheck.io.timeline.row_index import Rows
from pqcheck.io.timeline.stream_plan import FileRows, SlotRuns, StreamPlan, plan_of
from pqcheck.io.timeline.time_grid import Ints, merged_ranges
from pqcheck.model.recording import Axis, Channel, LeftOut, Stream


def sequences(instants: Ints, rows: Ints) -> list[tuple[Ints, Ints]]:
    """Rows that follow each other in the file and in time: a clock that was reset twice wrote the same dates twice."""
    cuts = np.flatnonzero((np.diff(rows) != 1) | (np.diff(instants) <= 0)) + 1
    return list(zip(np.split(instants, cuts), np.split(rows, cuts), strict=True)) if rows.size else []


def stream_of(plan: StreamPlan, watch: Watch) -> Stream:
    """The stream that a plan describes."""
    return Stream(plan.axis, plan.channels, lambda channels: blocks_of(plan, channels, watch), Rows(plan))


def contradicting(plan: StreamPlan, slots_of: Mapping[Channel, Sequence[Ints]], watch: Watch) -> list[LeftOut]:
    """What each of several rows says about the slots in which they contradict each other.

    `slots_of` are these slots by channel. Beside the channels of a file stand those of others that it lacks.
    """
    parts: list[LeftOut] = []
    if not slots_of:
        return parts
    all_slots = np.unique(np.concatenate([slots for each in slots_of.values() for slots in each]))
    axis = plan.axis
    for file in plan.files:
        first, end = file.extent
        slots = all_slots[(all_slots >= first) & (all_slots < end)]
        if not slots.size or not any(channel in file.columns for channel in slots_of):
            continue
        # All of the file, not these slots alone: what is usual shows what is not.
        low, high = first, end
        starts, ends = merged_ranges(slots, np.ones(slots.size, np.int64))
        spans = tuple((axis.start_us + a * axis.interval_us, axis.start_us + b * axis.interval_us)
                      for a, b in zip(starts.tolist(), ends.tolist(), strict=True))
        own = Axis(axis.start_us + low * axis.interval_us, axis.interval_us, high - low)
        others = [
            _part(other, other.within(low, high), low, without=file.columns) for other in plan.files
            if other is not file and any(channel not in file.columns for channel in other.columns)
        ]
        for runs in _apart(file.within(low, high)):
            lone = _part(file, runs, low)
            view = plan_of(own, (lone, *(other for other in others if other.slot.size)))
            _, row, count = lone.within(int(slots[0]) - low, int(slots[-1]) + 1 - low)
            if not row.size:
                continue
            top, bottom = file.table.row_numbers.of(np.array([row.min(), (row + count).max() - 1])).tolist()
            parts.append(LeftOut(
                (stream_of(view, watch),), spans,
                f"This is what {file.table.name} says; in its rows {top} to {bottom} other rows for the same time "
                "contradict it, so nothing is judged there.",
            ))
    return parts


def _part(file: FileRows, runs: SlotRuns, low: int, without: Mapping[Channel, int] | None = None) -> FileRows:
    """Some rows of a file on an axis that begins at slot `low`, without some channels."""
    slot, row, count = runs
    columns = {channel: column for channel, column in file.columns.items() if channel not in (without or {})}
    return FileRows(file.table, slot - low, row, count, columns)


def _apart(runs: SlotRuns) -> list[SlotRuns]:
    """Runs in as few groups as needed so that in none of them two rows describe one slot."""
    slot, _, count = runs
    layer = np.zeros(slot.size, np.int64)
    ends: list[int] = []
    for number, (first, size) in enumerate(zip(slot.tolist(), count.tolist(), strict=True)):
        place = next((at for at, end in enumerate(ends) if end <= first), len(ends))
        ends[place:place + 1] = [first + size]
        layer[number] = place
    return [(slot[layer == at], runs[1][layer == at], count[layer == at]) for at in range(len(ends))]
