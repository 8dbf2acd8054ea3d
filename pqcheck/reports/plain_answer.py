"""The answer in plain words: one headline, and one sentence with numbers for each kind of limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Finding, Findings, Verdict
from pqcheck.findings_words import required
from pqcheck.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.reports.plain import allowance, capital, listed, quantity_words, range_words, reading, time_words
from pqcheck.reports.plots.material import Material

VOLTAGE = quantity_words("voltage")
Array = NDArray[np.float64]
_RANK = {
    Verdict.FAIL: 0, Verdict.REFUSED: 1, Verdict.INCONCLUSIVE: 2, Verdict.WAIVED: 3, Verdict.PASS: 4,
}  # fmt: skip


def headline(findings: Findings) -> str:
    """One sentence that fits any question."""
    asked = [one for one in required(findings) if one.kind == "limit"]
    verdict = findings.verdict
    if verdict is Verdict.FAIL:
        failed = [one for one in asked if one.verdict is Verdict.FAIL]
        if not failed:
            return "The recording shows a danger sign; see above. No limit is broken, but act on the sign first."
        words = {quantity_words(one.quantity) for one in failed}
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


def governing(asked: Sequence[Finding]) -> list[Finding]:
    """One finding with a reading per quantity: failures, then the smallest margin; voltage before others."""
    best: dict[str, Finding] = {}

    def key(one: Finding) -> tuple[bool, int, float]:
        margin = one.margin.percent_of_limit if one.margin is not None else None
        # A rule that was judged says more than one that was not; what could not be judged is told further down.
        unread = one.statistic is None or one.statistic.value is None
        return (unread, _RANK.get(one.verdict, 9), margin if margin is not None else float("inf"))

    for one in asked:
        if one.kind != "limit" or one.quantity is None:
            continue
        held = best.get(one.quantity)
        if held is None or key(one) < key(held):
            best[one.quantity] = one
    chosen = [one for one in best.values() if one.statistic is not None and one.statistic.value is not None]
    return sorted(chosen, key=lambda one: (_RANK.get(one.verdict, 9) > 0, one.quantity != "voltage", *key(one)))


def sentence_of(one: Finding, material: Material) -> str:
    """What was seen against what is allowed."""
    if one.statistic is None or one.statistic.value is None or one.limit is None:
        return f"{capital(quantity_words(one.quantity))} was not judged."
    if one.quantity == "voltage":
        return _voltage(one, material)
    name = capital(_name(one))
    unit = one.statistic.unit if one.statistic.unit != "1" else ""
    value = reading(one.statistic.value, one.limit, unit)
    allowed = range_words(one.limit)
    if one.verdict in (Verdict.FAIL, Verdict.WAIVED):
        asked = f"the rule asks for it {allowance(one)}"
        return f"{name} was beyond the allowed range ({allowed}) for {_outside(one)}; {asked}."
    if one.limit.low is not None and one.limit.high is not None:
        return f"{name} stayed within {allowed} {allowance(one)}, as asked."
    return f"{name} was at most {value} {allowance(one)}; {allowed} is allowed."


def _name(one: Finding) -> str:
    if one.order is not None:
        return f"{quantity_words(one.quantity)} (number {one.order})"
    return quantity_words(one.quantity)


def _outside(one: Finding) -> str:
    counts, statistic = one.intervals, one.statistic
    if counts is None or statistic is None or statistic.interval_s is None:
        return "part of the time"
    return time_words(counts.outside * statistic.interval_s)


def _voltage(one: Finding, material: Material) -> str:
    assert one.limit is not None
    allowed = range_words(one.limit)
    seen = _lowest_and_highest(material, one.phase)
    if one.verdict in (Verdict.FAIL, Verdict.WAIVED):
        extent = ""
        if seen is not None:
            low, high = (reading(edge, one.limit, "") for edge in seen)
            extent = f" It lay between {low} and {high} V."
        return (
            f"The voltage was outside the allowed range of {allowed} for {_outside(one)}; the rule asks for it to be "
            f"inside {allowance(one)}.{extent}"
        )
    if seen is not None:
        low, high = (reading(edge, one.limit, "") for edge in seen)
        return f"The voltage stayed between {low} and {high} V; the allowed range is {allowed}, {allowance(one)}."
    return f"The voltage kept to the allowed range of {allowed} {allowance(one)}."


def voltage_seen(material: Material) -> str:
    """What the voltage was, when no rule about it was judged."""
    seen = _lowest_and_highest(material, None)
    return f"The voltage lay between {seen[0]:.4g} and {seen[1]:.4g} V." if seen is not None else ""


def _lowest_and_highest(material: Material, phase: str | None) -> tuple[float, float] | None:
    """Over all phases of one kind (to neutral, or between lines), interruptions left out."""
    if material.gathered is None:
        return None
    kind = LINE_TO_LINE if phase in LINE_TO_LINE else LINE_TO_NEUTRAL
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
