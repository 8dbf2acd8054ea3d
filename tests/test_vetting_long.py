"""What vetting keeps of a long recording: little, and the same answers as from a short one."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.model.recording import Axis, Block, Channel, RowSpan, Stream
from pqcheck.vet import vet
from pqcheck.vet.checks.stuck import Repeats
from pqcheck.vet.collect import StreamCollector
from pqcheck.vet.kept_runs import KeptRuns
from tests.recordings import recording, site


class Nowhere:
    """Rows of arrays in memory."""

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        return ()


@pytest.mark.parametrize("hour", [1, 24, 255, 256, 1200])
def test_repeats_are_counted_by_bins_whatever_their_size_and_wherever_chunks_end(hour: int) -> None:
    source = np.random.default_rng(hour)
    interval = 3600 * 1_000_000 // hour
    values = source.integers(0, 2, 7 * hour * 5) + 230.0
    channel = Channel("voltage", "an", unit="V")
    counted = []
    for chunk in (values.size, 7 * hour, 1000):
        collector = StreamCollector(
            Stream(Axis(0, interval, values.size), (channel,), lambda _: iter(()), Nowhere()), site(),
            (Repeats,), (), (),
        )
        for first in range(0, values.size, chunk):
            piece = values[first : first + chunk]
            collector.feed(Block(Axis(first * interval, interval, piece.size), {channel: piece}))
        collector.finish()
        repeats = collector.channels[channel].of(Repeats)
        assert int(repeats.pairs_by_bin.sum(dtype=int)) == repeats.pairs == values.size - 1
        assert int(repeats.repeats_by_bin.sum(dtype=int)) == repeats.repeats == int((np.diff(values) == 0).sum())
        counted.append(repeats.repeats_by_bin.tolist())
    assert counted[0] == counted[1] == counted[2]


def test_only_so_many_runs_are_kept_and_shared_ones_are_not_changed() -> None:
    starts = np.arange(0, 30_000, 10)
    lengths = np.full(starts.size, 3)
    sizes = lengths.astype(float)
    one, other = KeptRuns(), KeptRuns()
    for kept in (one, other):
        kept.add(starts[:1500], lengths[:1500], sizes[:1500])
        kept.add(starts[1500:], lengths[1500:], sizes[1500:])
        kept.add(starts[:5], lengths[:5], sizes[:5])
        first, count, number = kept.joined()
        assert first.tolist() == starts[:2000].tolist()
        assert set(count.tolist()) == {3} and set(number.tolist()) == {3.0}
    assert lengths.tolist() == [3] * 3000


def _sixty_days() -> dict[str, np.ndarray]:
    source = np.random.default_rng(2)
    slots = 60 * 1440
    made = {f"voltage.{phase} [V]": 230 + source.normal(0, 1, slots) for phase in ("an", "bn", "cn")}
    made |= {f"current.{phase} [A]": 50 + source.normal(0, 5, slots) for phase in "abc"}
    for order in range(2, 12):
        made[f"voltage_harmonic.an.h{order} [%]"] = np.abs(source.normal(1, 0.2, slots)).round(3)
    made["voltage.bn [V]"][40 * 1440 + 100 : 40 * 1440 + 1000] = 231.25
    for values in made.values():
        values[11::1440] = np.nan
    return made


def test_a_stuck_channel_in_the_sixth_week_is_found_in_its_stretch() -> None:
    made = _sixty_days()
    place = site()
    whole = vet(recording(made, interval_s=60), place)
    stuck = [each for each in whole.findings if each.reason is not None and each.reason.code == "stuck"]
    assert [each.channel for each in stuck] == ["voltage.bn.mean"]
    assert [(window.start, window.end) for window in stuck[0].windows] == [
        ("2031-04-12T01:40:00+00:00", "2031-04-12T16:40:00+00:00")
    ]
    # The same hours alone, as a day: the stretch is told in the same words.
    day = {name: values[40 * 1440 : 41 * 1440] for name, values in made.items()}
    alone = vet(recording(day, start="2031-04-12T00:00:00+00:00", interval_s=60), place)
    again = [each for each in alone.findings if each.reason is not None and each.reason.code == "stuck"]
    assert [[(window.start, window.end) for window in each.windows] for each in again] == [
        [(window.start, window.end) for window in stuck[0].windows]
    ]
