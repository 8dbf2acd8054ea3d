"""What was observed and what was not, with the cause of a hole as far as it can be shown; interruptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import duration_text
from pqcheck.findings import Verdict
from pqcheck.recording import Channel
from pqcheck.site.model import Site
from pqcheck.vetting.gather import Gathered
from pqcheck.vetting.grid import canonical_factor
from pqcheck.vetting.outcome import Outcome, Span
from pqcheck.vetting.tally import Tally
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


def completeness_outcomes(gathered: Gathered, groups: Mapping[str, list[Channel]], site: Site) -> Iterator[Outcome]:
    """One outcome per group of channels: name to channels (one rms channel, or all orders of a phase)."""
    start, interval = gathered.stream.axis.start_us, gathered.stream.axis.interval_us
    cause = hole_causes(gathered, site)
    for name, channels in groups.items():
        tallies = [gathered.tallies[channel] for channel in channels]
        worst = max(tallies, key=lambda tally: tally.missing)
        first = channels[0]
        expected = worst.expected
        if not worst.missing:
            yield Outcome("completeness", Verdict.PASS, name, first.quantity, first.phase, value=100.0, unit="%")
            continue
        starts, lengths, _ = worst.gaps.joined()
        share = 100 * (expected - worst.missing) / expected
        if worst.missing == expected:
            yield Outcome(
                "completeness", Verdict.INCONCLUSIVE, name, first.quantity, first.phase, code="never-observed",
                text=f"{name} holds no value at all.", advice="Check the channel, or leave the column out.",
                spans=(Span(start, start + expected * interval, expected, float(expected), start),),
                value=0.0, unit="%",
            )
            continue
        longest = int(lengths.max())
        causes = sorted({cause[int(slot)] for slot in starts.tolist() if int(slot) in cause})
        text = f"{name}: {worst.missing} of {expected} intervals were not observed ({share:.4g} % complete), the " \
               "longest " \
               f"hole is {duration_text(longest * interval)}"
        if len(tallies) > 1:
            text += f" (worst of {len(tallies)} orders)"
        if causes:
            text += "; cause: " + ", ".join(causes)
        spans = tuple(
            Span(start + int(slot) * interval, start + (int(slot) + int(size)) * interval, int(size), float(size),
                 start + int(slot) * interval)
            for slot, size in zip(starts.tolist(), lengths.tolist(), strict=True)
        )
        yield Outcome(
            "completeness", Verdict.INCONCLUSIVE, name, first.quantity, first.phase, code="gap", text=text + ".",
            advice="Nothing can be repaired. If the supply was out, declare the span in [[exclusions]] with the "
                   "outage log; otherwise the holes count as unobserved.",
            spans=spans, value=share, unit="%",
        )


def hole_causes(gathered: Gathered, site: Site) -> dict[int, str]:
    """Cause of every hole by its first slot, from what the voltages did next to it."""
    found: dict[int, set[str]] = {}
    for channel, tally in gathered.tallies.items():
        if channel.quantity != "voltage" or channel.reading not in ("mean", "min") or channel.phase is None:
            continue
        nominal = site.supply.nominal(channel.phase)
        if nominal is None:
            continue
        scale = canonical_factor("voltage", channel.unit)
        for slot, before, _after in tally.before_gap:
            found.setdefault(slot, set()).add(
                "unknown" if np.isnan(before) else
                "out" if before * scale < threshold("completeness", "collapsed_percent") / 100 * float(nominal) else
                "standing"
            )
    words = {}
    for slot, kinds in found.items():
        if "out" in kinds and "standing" not in kinds:
            words[slot] = "supply out (shown: the voltages collapsed before the hole)"
        elif "standing" in kinds and "out" not in kinds:
            words[slot] = "recorder out (likely: the voltages stood up to the hole)"
        else:
            words[slot] = "unknown"
    return words


def interruption_outcome(gathered: Gathered, site: Site) -> Outcome:
    """Intervals in which every voltage lies below the interruption threshold."""
    volts = [channel for channel in gathered.stream.channels if channel.quantity == "voltage"
             and channel.reading == "mean" and channel.phase and site.supply.nominal(channel.phase) is not None]
    if not volts:
        return Outcome("interruption", Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                       text="No voltage with a nominal was recorded.", advice="Nothing to do.")
    starts, lengths, _ = gathered.dark.joined()
    if not starts.size:
        return Outcome("interruption", Verdict.PASS, "voltage", "voltage")
    start, interval = gathered.stream.axis.start_us, gathered.stream.axis.interval_us
    spans = tuple(
        Span(start + int(slot) * interval, start + (int(slot) + int(size)) * interval, int(size), 0.0,
             start + int(slot) * interval)
        for slot, size in zip(starts.tolist(), lengths.tolist(), strict=True)
    )
    total = int(lengths.sum())
    return Outcome(
        "interruption", Verdict.INCONCLUSIVE, "voltage", "voltage", code="interruption", likelihood="shown",
        text=f"All voltages lie below {threshold('interruption', 'below_percent'):g} % of nominal in {total} intervals "
             f"({duration_text(total * interval)}), in {len(spans)} stretch{'es' if len(spans) > 1 else ''}: the "
             "supply, or the measuring point, was dead.",
        advice="Declare the span in [[exclusions]] with reason and outage log; until then it counts as missing.",
        spans=spans,
    )


def unseen(tally: Tally) -> bool:
    """Whether a channel holds nothing at all."""
    return tally.missing >= tally.expected
