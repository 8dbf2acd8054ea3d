"""What was observed and what was not, with the cause of a hole as far as it can be shown."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import first_few
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

COLLAPSED_PERCENT = Threshold(20, "% of nominal", PRACTICE,
                              "A voltage below this just before a hole shows that the supply went first.")

CHECK = Check(
    name="completeness",
    question="Were all intervals observed?",
    looks_at="Every channel: rms quantities one by one, harmonic orders per quantity and phase.",
    how="Slots of the time axis without a value are counted; runs of them are the holes. The last values before a hole "
        "tell its cause: voltages that collapsed first show that the supply went; voltages that stood up to the hole "
        "point to the recorder; without a voltage the cause is unknown. Where channels of another file begin, and end, "
        "later by the same time, two clocks are likely to differ. Cells that are upper bounds (<220) hold no "
        "reading either; they are counted apart and have no cause.",
    example="voltage.an.mean: 13 of 1008 intervals were not observed (98.71 % complete), the longest hole is 130 min; "
            "cause: supply out.",
    codes={"gap": "Intervals are missing", "never-observed": "A channel without any value"},
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per group of channels (one rms channel, or all orders of a phase)."""
    cause = hole_causes(base)
    shifted = _clocks_apart(base)
    for name, channels in base.groups.items():
        worst = max(channels, key=lambda statistics: statistics.missing)
        first = channels[0].channel
        expected = worst.expected
        if not worst.missing:
            yield Outcome(CHECK, Verdict.PASS, name, first.quantity, first.phase, value=100.0, unit="%")
            continue
        starts, lengths, _ = worst.gaps.joined()
        share = 100 * (expected - worst.missing) / expected
        if worst.missing == expected:
            yield Outcome(
                CHECK, Verdict.INCONCLUSIVE, name, first.quantity, first.phase, code="never-observed",
                text=f"{name} holds no value at all"
                     + (", only bounds (such as <220)." if worst.bounded == expected else "."),
                advice="Check the channel, or leave the column out.",
                spans=base.spans(np.array([0]), np.array([expected])), value=0.0, unit="%",
            )
            continue
        apart = shifted.get(name)
        causes = sorted({
            cause[slot] for slot, length in zip(starts.tolist(), lengths.tolist(), strict=True)
            if slot in cause and not (apart and (slot == 0 or slot + length == expected))
        } | ({apart} if apart else set()))
        text = f"{name}: {worst.missing} of {expected} intervals were not observed ({share:.4g} % complete), the " \
               f"longest hole is {duration_text(int(lengths.max()) * base.interval_us)}"
        if worst.bounded:
            text = f"{name}: {worst.missing} of {expected} intervals have no reading, {worst.bounded} of them " \
                   "because the cell is a bound (such as <220)"
        if len(channels) > 1:
            text += f" (worst of {len(channels)} orders)"
        if causes:
            text += "; cause: " + ", ".join(causes)
        bounded = worst.bounded == worst.missing
        advice = "Nothing can be repaired. If the supply was out, declare the span in [[exclusions]] with the outage " \
                 "log; otherwise the holes count as unobserved."
        if apart:
            advice = "Compare the clocks of the recorders. If they differ, set the stamps of one file right before " \
                     "the files are read together; verdicts that need both rest on intervals of different times. " \
                     "If one recorder was really hooked up and removed later, the holes count as unobserved."
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, first.quantity, first.phase, code="gap", text=text + ".",
            advice="Record again with a range, and a resolution, that fit the quantity." if bounded else advice,
            spans=base.spans(starts, lengths), value=share, unit="%",
        )


def _clocks_apart(base: TimeBase) -> dict[str, str]:
    """Cause of the holes at the edges, by group, where some groups begin and end by the same time later than others."""
    early: dict[int, list[str]] = {}
    late: dict[int, list[str]] = {}
    for name, channels in base.groups.items():
        edges = set()
        for statistics in channels:
            starts, lengths, _ = statistics.gaps.joined()
            lead = int(lengths[0]) if starts.size and starts[0] == 0 else 0
            trail = int(lengths[-1]) if starts.size and starts[-1] + lengths[-1] == statistics.expected else 0
            edges.add((lead, trail))
        if len(edges) == 1:
            lead, trail = edges.pop()
            if bool(lead) != bool(trail):
                (late if lead else early).setdefault(lead or trail, []).append(name)
    words: dict[str, str] = {}
    for shift in early.keys() & late.keys():
        if _files(base, early[shift]) & _files(base, late[shift]):
            # One file has one clock.
            continue
        sets = [first_few([name.removesuffix(".mean") for name in names]) for names in (late[shift], early[shift])]
        text = f"clocks apart (likely: {sets[0]} begin and end exactly {duration_text(shift * base.interval_us)} " \
               f"after {sets[1]})"
        words |= dict.fromkeys((*early[shift], *late[shift]), text)
    return words


def _files(base: TimeBase, names: list[str]) -> set[str]:
    axis = base.stream.axis
    return {
        span.file for name in names
        for span in base.stream.index.rows(base.groups[name][0].channel, axis.start_us, axis.end_us)
    }


def hole_causes(base: TimeBase) -> dict[int, str]:
    """Cause of every hole by its first slot, from what the voltages did before it."""
    kinds_of: dict[int, set[str]] = {}
    for channel, statistics in base.channels.items():
        if channel.quantity != "voltage" or channel.reading not in ("mean", "min") or channel.phase is None:
            continue
        nominal = base.site.supply.nominal(channel.phase)
        if nominal is None:
            continue
        scale = canonical_factor("voltage", channel.unit)
        bounds, counts, _ = statistics.under_range.joined()
        for slot, before in statistics.before_gaps:
            if np.any((bounds <= slot) & (slot < bounds + counts)):
                # A cell that says "less than this" is no hole.
                continue
            kinds_of.setdefault(slot, set()).add(
                "unknown" if np.isnan(before) else
                "out" if before * scale < COLLAPSED_PERCENT.value / 100 * float(nominal) else "standing"
            )
    words = {}
    for slot, kinds in kinds_of.items():
        if "out" in kinds and "standing" not in kinds:
            words[slot] = "supply out (shown: the voltages collapsed before the hole)"
        elif "standing" in kinds and "out" not in kinds:
            words[slot] = "recorder out (likely: the voltages stood up to the hole)"
        else:
            words[slot] = "unknown"
    return words
