"""What is kept of one channel while the data pass by: counts and runs, never the values.

Rms voltages, currents, powers and the like ("full" channels) are looked at value by value here; the many others at
every `stride`-th value (sampled.py).
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.passes import marks
from pqcheck.recording import Channel
from pqcheck.vetting.pieces import Bins, Holes, Pieces
from pqcheck.vetting.runs import Mask, mask_runs

Array = NDArray[Any]

SHORTEST_RUN = 10
"""Pairs of equal neighbours below which a run is not even kept (thresholds.json may ask for more)."""
SHORTEST_COPY = 60
"""Equal values 24 h apart below which a run is not kept (design principle 11)."""
SHORTEST_LINE = 6
"""Bends of zero below which a straight stretch is not kept."""
ROUNDED_LINE = 12
"""The same for values rounded to few digits, where a short straight stretch is chance."""
SAMPLES_OF_MARK = 256
_SPREAD, _SIXTY_FOUR = 0x9E3779B97F4A7C15, 2**64 - 1


class Peak(Struct):
    """The highest value so far: how often it was reached, how many readings lie just below, and the runs at it."""

    value: float = float("-inf")
    count: int = 0
    near: int = 0
    runs: Pieces = field(default_factory=Pieces)


class Lines(Struct):
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


class Tally(Struct, dict=True):
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
    pairs: int = 0
    repeats: int = 0
    copy_pairs: int = 0
    copy_equal: int = 0
    lowest: float = float("inf")
    highest: float = float("-inf")
    resolution: float = float("inf")
    level_sum: float = 0.0
    level_count: int = 0
    moves: int = 0
    peak: Peak = field(default_factory=lambda: Peak())
    mark: int = 0
    """The same for channels that agree in every value looked at."""
    _last: Array | None = None
    _day_before: Array | None = None

    # Most of a thousand channels never have any of these, so they are made when something is found.

    @cached_property
    def gaps(self) -> Pieces:
        """Runs of slots without a value."""
        return Pieces()

    @cached_property
    def before_gap(self) -> list[tuple[int, float, float]]:
        """For each hole its slot, the lowest of the last three values before it and the first one after it."""
        return []

    @cached_property
    def bins(self) -> Bins:
        """Repeats per bin of pairs."""
        return Bins()

    @cached_property
    def equal_runs(self) -> Pieces:
        """Runs of equal neighbours."""
        return Pieces()

    @cached_property
    def copies(self) -> Pieces:
        """Runs of values equal to those of the day before."""
        return Pieces()

    @cached_property
    def lines(self) -> Lines:
        """Straight stretches to the last digit."""
        return Lines()

    @cached_property
    def rounded_lines(self) -> Lines:
        """Straight stretches within the rounding."""
        return Lines()

    @cached_property
    def over(self) -> Pieces:
        """Runs of readings marked as over range."""
        return Pieces()

    @property
    def valid(self) -> int:
        """Slots with a value."""
        return self.expected - self.missing

    @property
    def steps(self) -> float:
        """Distance between the lowest and the highest reading in steps of the instrument: two values are one step."""
        moved = np.isfinite(self.resolution) and self.resolution > 0
        return (self.highest - self.lowest) / self.resolution if moved else 0.0

    @property
    def level(self) -> float:
        """Mean of the sampled absolute values, NaN when there is none."""
        return self.level_sum / self.level_count if self.level_count else float("nan")

    def take(self, slot: int, values: Array, over_range: Mask | None, holes: Holes) -> None:
        """Look at every value of one chunk that begins at `slot`; `holes` are those of the chunk."""
        size = values.size
        if not size:
            return
        self.count_holes(size, holes)
        if holes.count and self.channel.quantity == "voltage":
            self._around(slot, values, holes)
        if over_range is not None:
            self.mark_over_range(slot, over_range)
        if holes.count == size:
            self._last, self._day_before = None, None
            return
        self.lowest = min(self.lowest, float(np.fmin.reduce(values)))
        self.highest = max(self.highest, float(np.fmax.reduce(values)))
        few = np.abs(values[:: max(1, size // 64)])
        few = few[~np.isnan(few)] if holes.count else few
        self.level_sum += float(few.sum())
        self.level_count += int(few.size)
        self._equal_neighbours(slot, values)
        self._day_apart(slot, values)
        self._straight(slot, values)
        self._ceiling(slot, values, bool(holes.count))
        sample = np.ascontiguousarray(values[:: max(1, size // SAMPLES_OF_MARK)], np.float64)
        self.moves += int(np.count_nonzero(sample[1:] != sample[:-1]))
        self.add_mark(int(marks(sample[np.newaxis])[0]))

    def add_mark(self, mark: int) -> None:
        """Add the mark of a chunk (`passes.marks`)."""
        self.mark = (self.mark * _SPREAD + mark) & _SIXTY_FOUR

    def count_holes(self, size: int, holes: Holes) -> None:
        """Add a chunk to the slots expected and missing."""
        self.expected += size
        if holes.count:
            self.missing += holes.count
            self.gaps.add(holes.slots, holes.lengths, holes.sizes)

    def mark_over_range(self, slot: int, marks: Mask) -> None:
        """Keep the runs of readings marked as over range."""
        if marks.any():
            starts, lengths = mask_runs(marks)
            self.over.add(starts + slot, lengths, lengths)

    def _around(self, slot: int, values: Array, holes: Holes) -> None:
        """What the voltage did next to a hole: lowest of the last three values before it, first one after it."""
        for start, length in zip(holes.starts[:200].tolist(), holes.lengths[:200].tolist(), strict=True):
            before = values[max(0, start - 3) : start]
            last = float(before.min()) if before.size else float("nan")
            if not before.size and self._last is not None and slot > 0:
                last = float(self._last[-1])
            end = start + length
            after = float(values[end]) if end < values.size else float("nan")
            self.before_gap.append((slot + start, last, after))

    def _equal_neighbours(self, slot: int, values: Array) -> None:
        carried = self._last is not None and slot > 0
        chain = np.concatenate((self._last[-1:], values)) if carried and self._last is not None else values
        first = slot - (1 if carried else 0)
        self._last = values[-3:].copy()
        if chain.size < 2:
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
        sizes = np.abs(steps[:4096])
        moved = sizes[sizes > 0]
        if moved.size:
            self.resolution = min(self.resolution, float(moved.min()))
        width = self.bin_pairs
        base = first // width
        where = np.flatnonzero(equal)
        held = np.bincount((where + first) // width - base, minlength=(first + steps.size - 1) // width - base + 1)
        edges = np.arange(held.size + 1) * width + base * width
        amount = np.diff(np.clip(edges, first, first + steps.size)).astype(np.int64)
        self.bins.add(base, held[np.newaxis], amount)
        self.keep_runs(equal, first, chain, repeats)

    def keep_runs(self, equal: Mask, first: int, chain: Array, repeats: int) -> None:
        """Keep runs of equal neighbours that are long, or that may go on in the next chunk."""
        if repeats < SHORTEST_RUN - 1 and not (repeats and (equal[0] or equal[-1])):
            return
        starts, lengths = mask_runs(equal)
        keep = (lengths >= SHORTEST_RUN - 1) | (starts == 0) | (starts + lengths == equal.size)
        starts, lengths = starts[keep], lengths[keep]
        self.equal_runs.add(starts + first, lengths, chain[starts])

    def _day_apart(self, slot: int, values: Array) -> None:
        """Values equal to those exactly 24 h earlier: number of pairs, and runs with their moves."""
        if not self.day_slots:
            return
        day, before = self.day_slots, self._day_before
        if before is not None and before.size == day and values.size <= day:
            now, then, offset = values, before[: values.size], 0
        elif before is not None and before.size == day:
            chain = np.concatenate((before, values))
            now, then, offset = chain[day:], chain[:-day], 0
        elif values.size > day:
            now, then, offset = values[day:], values[:-day], day
        else:
            now, then, offset = values[:0], values[:0], 0
        if now.size:
            self.keep_copies(now, now == then, slot + offset)
        if values.size >= day:
            self._day_before = values[-day:].copy()
        else:
            self._day_before = None if before is None else np.concatenate((before, values))[-day:]

    def keep_copies(self, now: Array, equal: Mask, first: int) -> None:
        """Count values equal to those of the day before and keep the long runs of them."""
        hits = int(np.count_nonzero(equal))
        self.copy_equal += hits
        self.copy_pairs += int(now.size)
        if hits < SHORTEST_COPY and not (hits and (equal[0] or equal[-1])):
            return
        starts, lengths = mask_runs(equal)
        keep = (lengths >= SHORTEST_COPY) | (starts == 0) | (starts + lengths == equal.size)
        starts, lengths = starts[keep], lengths[keep]
        # Flickering between neighbouring steps agrees with the day before by chance.
        least = 2.5 * self.resolution if np.isfinite(self.resolution) else 0.0
        changed = np.concatenate(([0], np.cumsum(np.append(False, np.abs(now[1:] - now[:-1]) > least))))
        self.copies.add(starts + first, lengths, changed[starts + lengths] - changed[starts])

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
