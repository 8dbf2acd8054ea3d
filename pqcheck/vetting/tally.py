"""What is kept of one channel while the data pass by: counts and runs, never the values.

Rms voltages, currents, powers and the like ("full" channels) are looked at value by value; harmonic orders and the
other many channels at every `stride`-th value, because a week of 3-second values has three hundred of them.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.recording import Channel
from pqcheck.vetting.runs import Mask, Slots, mask_runs

Array = NDArray[Any]

SHORTEST_RUN = 10
"""Pairs of equal neighbours below which a run is not even kept (thresholds.json may ask for more)."""
SHORTEST_COPY = 60
"""Equal values 24 h apart below which a run is not kept (design principle 11)."""
SHORTEST_LINE = 6
"""Bends of zero below which a straight stretch is not kept."""
ROUNDED_LINE = 12
"""The same for values rounded to few digits, where a short straight stretch is chance."""
MOST_RUNS = 2000
"""Runs kept per channel and kind; worst data alternate at every interval, and memory must not grow with them."""
SAMPLES_OF_DIGEST = 256


@dataclass
class Pieces:
    """Runs found chunk by chunk: first slot, length, and one number per run."""

    starts: list[Slots] = field(default_factory=list)
    lengths: list[Slots] = field(default_factory=list)
    numbers: list[Array] = field(default_factory=list)
    kept: int = 0

    def add(self, starts: Slots, lengths: Slots, numbers: Array) -> None:
        """Keep the runs, up to MOST_RUNS per channel."""
        room = MOST_RUNS - self.kept
        if starts.size and room > 0:
            self.starts.append(starts[:room])
            self.lengths.append(lengths[:room])
            self.numbers.append(np.asarray(numbers[:room], np.float64))
            self.kept += min(room, int(starts.size))

    def joined(self, *, add: bool = True) -> tuple[Slots, Slots, Array]:
        """All runs; one that goes on across a border of chunks is one run, its numbers added up or the first kept."""
        if not self.starts:
            nothing = np.empty(0, np.int64)
            return nothing, nothing, np.empty(0)
        first, count, number = (np.concatenate(part) for part in (self.starts, self.lengths, self.numbers))
        new = np.append(True, first[1:] != first[:-1] + count[:-1])
        heads = np.flatnonzero(new)
        numbers = np.add.reduceat(number, heads) if add else number[heads]
        return first[heads], np.add.reduceat(count, heads), numbers


@dataclass
class Peak:
    """The highest value so far: how often it was reached, how many readings lie just below, and the runs at it."""

    value: float = float("-inf")
    count: int = 0
    near: int = 0
    runs: Pieces = field(default_factory=Pieces)


@dataclass
class Lines:
    """Straight stretches, and how often the channel is straight at all: `straight` of `moving` points."""

    runs: Pieces = field(default_factory=Pieces)
    moving: int = 0
    straight: int = 0

    def look(
        self, slot: int, moving: int, line: Mask, shortest: int, sizes: Array, values: Array | None = None,
        step: float = 0.0,
    ) -> None:
        """Keep runs of `line` (bends of zero) of at least `shortest` with the size of their steps.

        Of rounded `values` only those on one chord are kept.
        """
        count = int(np.count_nonzero(line))
        self.moving += moving
        self.straight += count
        if count < shortest:
            return
        starts, lengths = mask_runs(line)
        keep = lengths >= shortest
        if values is not None:
            for number in np.flatnonzero(keep).tolist():
                piece = values[starts[number] : starts[number] + lengths[number] + 2]
                chord = np.linspace(float(piece[0]), float(piece[-1]), piece.size)
                keep[number] = float(np.abs(piece - chord).max()) <= 0.75 * step
        starts, lengths = starts[keep], lengths[keep]
        self.runs.add(starts + slot, lengths + 2, sizes[starts])


@dataclass
class Tally:
    """One channel. `expected` slots seen so far, `missing` of them without a value.

    `pairs`/`repeats` count neighbours (at `stride`) and those of equal value, in total and per bin of `bin_pairs`.
    `resolution` is the smallest step between neighbours, `level` sum and count of sampled absolute values.
    """

    channel: Channel
    full: bool
    stride: int
    bin_pairs: int
    day_slots: int
    expected: int = 0
    missing: int = 0
    gaps: Pieces = field(default_factory=Pieces)
    before_gap: list[tuple[int, float, float]] = field(default_factory=list)
    pairs: int = 0
    repeats: int = 0
    bins: list[tuple[int, Slots, Slots]] = field(default_factory=list)
    equal_runs: Pieces = field(default_factory=Pieces)
    copies: Pieces = field(default_factory=Pieces)
    copy_pairs: int = 0
    copy_equal: int = 0
    lines: Lines = field(default_factory=lambda: Lines())
    rounded_lines: Lines = field(default_factory=lambda: Lines())
    peak: Peak = field(default_factory=Peak)
    lowest: float = float("inf")
    highest: float = float("-inf")
    resolution: float = float("inf")
    level_sum: float = 0.0
    level_count: int = 0
    over: Pieces = field(default_factory=Pieces)
    moves: int = 0
    digest: Any = field(default_factory=lambda: hashlib.blake2b(digest_size=8))
    _last: Array | None = None
    _day_before: Array | None = None

    @property
    def valid(self) -> int:
        """Slots with a value."""
        return self.expected - self.missing

    @property
    def level(self) -> float:
        """Mean of the sampled absolute values, NaN when there is none."""
        return self.level_sum / self.level_count if self.level_count else float("nan")

    def take(self, slot: int, values: Array, over_range: Mask | None) -> None:
        """Count one chunk that begins at `slot`."""
        size = values.size
        if not size:
            return
        self.expected += size
        unobserved = np.isnan(values)
        holes = int(np.count_nonzero(unobserved))
        if holes:
            self.missing += holes
            starts, lengths = mask_runs(unobserved)
            self.gaps.add(starts + slot, lengths, lengths)
            if self.channel.quantity == "voltage":
                self._around(slot, values, starts, lengths)
        if over_range is not None and over_range.any():
            starts, lengths = mask_runs(over_range)
            self.over.add(starts + slot, lengths, lengths)
        if holes == size:
            self._last, self._day_before = None, None
            return
        sampled = values[:: self.stride] if self.stride > 1 else values
        self._levels(values, sampled, bool(holes))
        self._equal_neighbours(slot, values, sampled)
        self._day_apart(slot, values, sampled)
        if self.full:
            self._straight(slot, values)
            self._ceiling(slot, values, bool(holes))
        step = max(1, size // SAMPLES_OF_DIGEST)
        few = np.ascontiguousarray(values[::step], np.float64)
        self.moves += int(np.count_nonzero(few[1:] != few[:-1]))
        self.digest.update(few.tobytes())

    def _around(self, slot: int, values: Array, starts: Slots, lengths: Slots) -> None:
        """What the voltage did next to a hole: lowest of the last three values before it, first one after it."""
        for start, length in zip(starts[:200].tolist(), lengths[:200].tolist(), strict=True):
            before = values[max(0, start - 3) : start]
            last = float(before.min()) if before.size else float("nan")
            if not before.size and self._last is not None and slot > 0:
                last = float(self._last[-1])
            end = start + length
            after = float(values[end]) if end < values.size else float("nan")
            self.before_gap.append((slot + start, last, after))

    def _levels(self, values: Array, sampled: Array, holes: bool) -> None:
        looked = values if self.full else sampled
        if self.full:
            self.lowest = min(self.lowest, float(np.fmin.reduce(looked)))
            self.highest = max(self.highest, float(np.fmax.reduce(looked)))
        else:
            self.highest = max(self.highest, float(np.fmax.reduce(sampled)))
            if self.highest <= 0 or not np.isfinite(self.highest):
                # An order that is zero is only zero if no single value says otherwise.
                self.highest = max(self.highest, float(np.fmax.reduce(values)))
        few = np.abs(looked[:: max(1, looked.size // 64)])
        good = few[~np.isnan(few)] if holes else few
        self.level_sum += float(good.sum())
        self.level_count += int(good.size)

    def _equal_neighbours(self, slot: int, values: Array, sampled: Array) -> None:
        carried = self._last is not None and slot > 0
        chain = np.concatenate((self._last[-1:], sampled)) if carried and self._last is not None else sampled
        first = slot // self.stride - (1 if carried else 0)
        if chain.size < 2:
            self._last = values[-3:].copy()
            return
        steps = chain[1:] - chain[:-1]
        equal = steps == 0
        known = steps.size - int(np.count_nonzero(np.isnan(steps)))
        repeats = int(np.count_nonzero(equal))
        if repeats:
            # Nothing flows at night: zero beside zero is no sign of a stuck channel, nor of a coarse one.
            zero = equal & (chain[1:] == 0)
            zeros = int(np.count_nonzero(zero))
            if zeros:
                equal &= ~zero
                repeats -= zeros
                known -= zeros
        self.pairs += known
        self.repeats += repeats
        sizes = np.abs(steps if steps.size <= 4096 else steps[:4096])
        moved = sizes[sizes > 0]
        if moved.size:
            self.resolution = min(self.resolution, float(moved.min()))
        where = np.flatnonzero(equal)
        width = self.bin_pairs
        base = first // width
        held = np.bincount((where + first) // width - base, minlength=(first + steps.size - 1) // width - base + 1)
        edges = np.arange(held.size + 1) * width + base * width
        amount = np.diff(np.clip(edges, first, first + steps.size))
        self.bins.append((base, held, amount.astype(np.int64)))
        if repeats >= SHORTEST_RUN - 1 or (repeats and (equal[0] or equal[-1])):
            starts, lengths = mask_runs(equal)
            ends = starts + lengths
            keep = (lengths >= SHORTEST_RUN - 1) | (starts == 0) | (ends == steps.size)
            starts, lengths = starts[keep], lengths[keep]
            if self.stride > 1 and starts.size:
                starts, lengths = self._really_equal(values, starts, lengths, carried)
            self.equal_runs.add(starts + first, lengths, chain[starts])
        tail = sampled[-1:] if self.stride > 1 else values[-3:]
        self._last = tail.copy()

    def _really_equal(self, values: Array, starts: Slots, lengths: Slots, carried: bool) -> tuple[Slots, Slots]:
        """Runs of sampled values whose values in between are equal too."""
        shift = 1 if carried else 0
        good = []
        for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
            piece = values[max(0, (start - shift) * self.stride) : (start - shift + length) * self.stride + 1]
            good.append(bool(piece.size) and bool((piece == piece[0]).all()))
        mask = np.array(good, np.bool_)
        return starts[mask], lengths[mask]

    def _day_apart(self, slot: int, values: Array, sampled: Array) -> None:
        """Values equal to those exactly 24 h earlier: number of pairs, and runs with their moves."""
        if not self.day_slots:
            return
        looked = values if self.full else sampled
        stride = 1 if self.full else self.stride
        day = self.day_slots // stride
        before = self._day_before
        if before is not None and before.size == day and looked.size <= day:
            now, then, offset = looked, before[: looked.size], 0
        elif before is not None and before.size == day:
            chain = np.concatenate((before, looked))
            now, then, offset = chain[day:], chain[:-day], 0
        elif looked.size > day:
            now, then, offset = looked[day:], looked[:-day], day
        else:
            now, then, offset = looked[:0], looked[:0], 0
        if now.size:
            equal = now == then
            hits = int(np.count_nonzero(equal))
            self.copy_equal += hits
            self.copy_pairs += int(now.size)
            if hits >= SHORTEST_COPY or (hits and (equal[0] or equal[-1])):
                starts, lengths = mask_runs(equal)
                keep = (lengths >= SHORTEST_COPY) | (starts == 0) | (starts + lengths == equal.size)
                starts, lengths = starts[keep], lengths[keep]
                # Flickering between neighbouring steps agrees with the day before by chance.
                least = 2.5 * self.resolution if np.isfinite(self.resolution) else 0.0
                changed = np.concatenate(([0], np.cumsum(np.append(False, np.abs(now[1:] - now[:-1]) > least))))
                moves = changed[starts + lengths] - changed[starts]
                self.copies.add(starts + offset + slot // stride, lengths, moves)
        if looked.size >= day:
            self._day_before = looked[-day:].copy()
        else:
            self._day_before = None if before is None else np.concatenate((before, looked))[-day:]

    def _straight(self, slot: int, values: Array) -> None:
        """Stretches that lie on a straight line: what an interpolation at export leaves behind.

        To the last digit where the file holds all digits; within the rounding where the values are rounded, and then
        only over a longer stretch that moves by several steps.
        """
        if values.size < SHORTEST_LINE + 2:
            return
        steps = np.diff(values)
        bend = np.abs(np.diff(steps))
        size = np.abs(steps[1:])
        scale = max(abs(self.highest), abs(self.lowest))
        # Ten units in the last place of what the file can hold: single precision if it was stored so.
        ulp = scale * (1.2e-7 if values.dtype == np.float32 else 2.3e-16)
        # A channel at rest is straight by nature; only where it moves is straightness worth counting.
        moving = int(np.count_nonzero(size > 100 * ulp))
        self.lines.look(slot, moving, (bend <= 10 * ulp) & (size > 100 * ulp), SHORTEST_LINE, size)
        step = self.resolution
        if np.isfinite(step) and step > 1e4 * ulp:
            self.rounded_lines.look(slot, moving, (bend <= 1.01 * step) & (size >= 3 * step), ROUNDED_LINE, size,
                                    values, step)

    def _ceiling(self, slot: int, values: Array, holes: bool) -> None:
        top = float(np.fmax.reduce(values)) if holes else float(values.max())
        if top < self.peak.value:
            return
        if top > self.peak.value:
            self.peak = Peak(top)
        at_top = values == values.dtype.type(top)
        count = int(np.count_nonzero(at_top))
        self.peak.count += count
        if count > 1:
            starts, lengths = mask_runs(at_top)
            self.peak.runs.add(starts + slot, lengths, lengths)
            below = top - max(abs(top) * 0.005, 1.5 * self.resolution if np.isfinite(self.resolution) else 0.0)
            self.peak.near += int(np.count_nonzero(values >= below)) - count
        else:
            self.peak.runs.add(np.flatnonzero(at_top) + slot, np.ones(1, np.int64), np.ones(1))
