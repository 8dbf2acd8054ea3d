"""The answer in plain words: one headline and a sentence with numbers for each kind of limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import has_reading, margin_percent, rank, required
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plain import (
    allowance,
    capital,
    listed,
    quantity_words,
    range_words,
    reading,
    subject_words,
    time_words,
)
from pqcheck.reports.plots.material import Material
from pqcheck.reports.when_outside import name_of, outside_of, voltage_kind

VOLTAGE = quantity_words("voltage")
Array = NDArray[np.float64]


def headline(findings: Findings) -> str:
    """One sentence that fits any question."""
    asked = [finding for finding in required(findings) if finding.kind == "limit"]
    verdict = findings.verdict
    if verdict is Verdict.FAIL:
        failed = [finding for finding in asked if finding.verdict is Verdict.FAIL]
        if not failed:
            return "The recording shows a danger sign; see above. No limit is broken, but act on the sign first."
        words = {subject_words(finding) for finding in failed}
        names = listed(sorted(words, key=lambda name: (name != VOLTAGE, name)))
        return f"Not every limit was kept: {names} went beyond what is allowed."
    if verdict is Verdict.REFUSED:
        return "The recording cannot be trusted for all of this question. Nothing that can was beyond a limit."
    if verdict is Verdict.INCONCLUSIVE:
        if not asked:
            return "None of the limits applies to this place and recording, so nothing was judged."
        return "The question cannot be answered fully yet. Nothing recorded breaks a limit, but something is missing."
    if verdict is Verdict.WAIVED:
        return "A limit was passed, within an exception that has been agreed."
    return "Every limit that was checked was kept."


def event_sentences(asked: Sequence[Finding]) -> list[str]:
    """What the events recorded are, beside each ride-through curve."""
    sentences = []
    for finding in asked:
        if finding.channel != "events" or finding.intervals is None:
            continue
        counts, curve = finding.intervals, finding.title.split(" (")[0]
        placed = f"Of {counts.valid} dips, swells and interruptions listed, {counts.outside or 'none'}"
        word = "lies" if counts.outside == 1 else "lie"
        more = f" {finding.reason.text}" if finding.reason is not None else ""
        sentences.append(f"{placed} {word} outside the curve '{curve}' of {finding.table}.{more}")
    return sentences


def governing(asked: Sequence[Finding]) -> list[Finding]:
    """One finding with a reading per quantity and kind of voltage: failures first, then by margin; voltage first."""
    best: dict[tuple[str, str], Finding] = {}

    def key(finding: Finding) -> tuple[bool, int, float]:
        margin = margin_percent(finding)
        # A rule that was judged says more than one that was not; what could not be judged is told further down.
        return (not has_reading(finding), rank(finding.verdict), margin if margin is not None else float("inf"))

    for finding in asked:
        if finding.kind != "limit" or finding.quantity is None:
            continue
        about = finding.quantity, voltage_kind(finding)
        held = best.get(about)
        if held is None or key(finding) < key(held):
            best[about] = finding
    chosen = [finding for finding in best.values() if has_reading(finding)]
    return sorted(
        chosen, key=lambda criterion: (rank(criterion.verdict) > 0, criterion.quantity != "voltage", *key(criterion))
    )


def sentence_of(finding: Finding, material: Material) -> str:
    """What was seen against what is allowed."""
    if finding.statistic is None or finding.statistic.value is None or finding.limit is None:
        return f"{capital(quantity_words(finding.quantity))} was not judged."
    if finding.quantity == "voltage":
        return _voltage(finding, material)
    name = capital(_name(finding))
    unit = finding.statistic.unit if finding.statistic.unit != "1" else ""
    value = reading(finding.statistic.value, finding.limit, unit)
    allowed = range_words(finding.limit)
    if finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
        asked = f"the rule asks for it {allowance(finding)}"
        return f"{name} was beyond the allowed range ({allowed}) for {_outside(finding, material)}; {asked}."
    if finding.limit.low is not None and finding.limit.high is not None:
        return f"{name} stayed within {allowed} {allowance(finding)}, as asked."
    return f"{name} was at most {value} {allowance(finding)}; {allowed} is allowed."


def _name(finding: Finding) -> str:
    if finding.order is not None:
        return f"{quantity_words(finding.quantity)} (number {finding.order})"
    return quantity_words(finding.quantity)


def _outside(finding: Finding, material: Material) -> str:
    """How long, over all that was judged and on any phase; of several periods the worst one too."""
    if finding.intervals is None or finding.statistic is None or finding.statistic.interval_s is None:
        return "part of the time"
    outside = outside_of(finding, material.findings)
    if finding.period is None or not outside.periods:
        return time_words(finding.intervals.outside * finding.statistic.interval_s)
    if outside.periods == 1:
        return time_words(outside.seconds)
    of = f" of the {round(outside.judged / 86400)} days judged" if outside.judged >= 1.5 * 86400 else ""
    worst = f", {time_words(outside.worst_period)} of them in the worst {finding.period.length}"
    return f"{time_words(outside.seconds)}{of}{worst if outside.worst_period < outside.seconds else ''}"


def _voltage(finding: Finding, material: Material) -> str:
    assert finding.limit is not None
    name = capital(name_of(finding, required(material.findings)))
    allowed = range_words(finding.limit)
    seen = _lowest_and_highest(material, LINE_TO_LINE if finding.phase in LINE_TO_LINE else LINE_TO_NEUTRAL)
    if finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
        extent = ""
        if seen is not None:
            low, high = (reading(edge, finding.limit, "") for edge in seen)
            extent = f" It lay between {low} and {high} V."
        return (
            f"{name} was outside the allowed range of {allowed} for {_outside(finding, material)}; the rule asks for "
            f"it to be inside {allowance(finding)}.{extent}"
        )
    if seen is not None:
        low, high = (reading(edge, finding.limit, "") for edge in seen)
        return f"{name} stayed between {low} and {high} V; the allowed range is {allowed}, {allowance(finding)}."
    return f"{name} kept to the allowed range of {allowed} {allowance(finding)}."


def voltage_seen(material: Material) -> str:
    """What the voltage was, when no rule about it was judged."""
    for kind, words in ((LINE_TO_NEUTRAL, ""), (LINE_TO_LINE, " between phases")):
        seen = _lowest_and_highest(material, kind)
        if seen is not None:
            return f"The voltage{words} lay between {seen[0]:.4g} and {seen[1]:.4g} V."
    return ""


def _lowest_and_highest(material: Material, kind: Sequence[str]) -> tuple[float, float] | None:
    """Over the phases of one kind (to neutral, or between lines), interruptions left out."""
    if material.gathered is None:
        return None
    lows, highs = [], []
    for name in kind:
        judged = material.judged("voltage", name)
        track = material.gathered.find("voltage", name)
        values = judged.values if judged is not None else track.mean.astype(float) if track is not None else None
        nominal = material.site.supply.nominal(name)
        if values is None or nominal is None:
            continue
        start, step = (judged.start_us, judged.interval_us) if judged is not None else (track.start_us, track.step_us)  # type: ignore[union-attr]
        kept = values[values > 0.05 * float(nominal)] if not material.frame.excluded else _kept(
            values, start, step, material, 0.05 * float(nominal)
        )  # fmt: skip
        if len(kept):
            lows.append(float(np.min(kept)))
            highs.append(float(np.max(kept)))
    return (min(lows), max(highs)) if lows else None


def _kept(values: Array, start: int, step: int, material: Material, floor: float) -> Array:
    keep = values > floor
    for first, last in material.frame.excluded:
        a = max((first - start) // step, 0)
        keep[a : max(-(-(last - start) // step), a)] = False
    return values[keep]
