"""Findings with their evidence windows: when, how long, how far, and what else was recorded at that moment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from pqcheck.model.clock import duration_text, parse_iso
from pqcheck.model.findings import Finding, Window
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    beyond,
    by_loss,
    clock,
    has_reading,
    limit_text,
    number,
    outside_text,
    reading_text,
)
from pqcheck.model.verdict import Verdict
from pqcheck.observe.gather import Track
from pqcheck.reports.html.event_classes import event_classes
from pqcheck.reports.html.judged_criteria import JudgedCriterion, verdict_mark
from pqcheck.reports.html.markup import Child, Markup, table, tag
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.choose import figure_for
from pqcheck.reports.plots.labels import phase_label
from pqcheck.reports.plots.material import Material

MOST_FINDINGS = 40
MOST_WINDOWS = 6
_SEARCHED = 20_000


def with_evidence(criteria: Sequence[JudgedCriterion]) -> list[JudgedCriterion]:
    """Criteria whose windows are listed: what is not met, worst first, up to a limit."""
    failed = {
        id(criterion.worst): criterion
        for criterion in criteria
        if criterion.worst.verdict in (Verdict.FAIL, Verdict.WAIVED) and len(criterion.worst.windows)
    }
    ordered = by_loss([finding.worst for finding in failed.values()])
    return [failed[id(finding)] for finding in ordered][:MOST_FINDINGS]


def evidence_part(
    chosen: Sequence[JudgedCriterion], criteria: Sequence[JudgedCriterion], material: Material, drawn: Sequence[Drawn]
) -> Markup:
    """One block per criterion that is not met."""
    failed = sum(
        criterion.worst.verdict in (Verdict.FAIL, Verdict.WAIVED) and len(criterion.worst.windows) > 0
        for criterion in criteria
    )
    intro = (
        "No criterion failed, so no times are listed here."
        if not chosen
        else "For every criterion not met: the worst stretches in time order, with what else was recorded at the "
        "worst moment. The findings file lists every stretch, those of passed criteria too."
    )
    blocks: list[Child] = []
    told: dict[tuple[object, ...], JudgedCriterion] = {}
    for criterion in chosen:
        shown = tuple((window.start, window.end, window.worst) for window in _worst_windows(criterion.worst))
        before = told.setdefault((criterion.worst.channel, shown), criterion)
        blocks.append(_block(criterion, material, drawn, before if before is not criterion else None))
    if failed > len(chosen):
        blocks.append(tag("p", f"{failed - len(chosen)} more criteria with evidence are in the findings file."))
    blocks += event_classes(material)
    return tag(
        "section", tag("h2", "Findings and their times", id="evidence"), tag("p", intro), *blocks,
        aria_labelledby="evidence",
    )  # fmt: skip


def _block(
    criterion: JudgedCriterion, material: Material, drawn: Sequence[Drawn], before: JudgedCriterion | None
) -> Markup:
    worst = criterion.worst
    figure = figure_for(worst, drawn)
    statistic, counts = worst.statistic, worst.intervals
    unit = statistic.unit if statistic is not None else ""
    numbers = []
    if has_reading(worst):
        numbers.append(f"Reading {reading_text(worst)}, limit {limit_text(worst)}.")
    if counts is not None:
        numbers.append(
            f"Intervals outside: {outside_text(worst)} "
            f"({counts.missing} missing, {counts.excluded} excluded)."
        )
    if worst.reason is not None:
        numbers.append(f"{worst.reason.text} {worst.reason.advice}")
    shown = _worst_windows(worst)
    rest = len(worst.windows) - len(shown)
    others = sum(f.verdict is worst.verdict for f in criterion.findings) - 1
    if rest > 0 and before is None:
        numbers.append(f"The {len(shown)} worst of {len(worst.windows)} stretches are listed.")
    if others > 0:
        numbers.append(f"{others} more periods of this criterion have the same verdict.")
    return tag(
        "article",
        tag("h3", verdict_mark(worst.verdict), " ", worst.title),
        tag("p", f"{worst.table} {worst.rule}, {worst.clause}. ", " ".join(numbers), " ",
            tag("a", "Row in the table", href=f"#{criterion.anchor}"), " ",
            tag("a", "Plot", href=f"#{figure}") if figure else None),
        _windows(worst, shown, unit, material) if before is None else tag(
            "p", "Its worst stretches are those of ", tag("a", before.worst.title, href=f"#e-{before.anchor}"), "."),
        id=f"e-{criterion.anchor}",
    )  # fmt: skip


def _worst_windows(finding: Finding) -> list[Window]:
    chosen = sorted(finding.windows[:_SEARCHED], key=lambda window: beyond(finding.limit, window.worst), reverse=True)
    return sorted(chosen[:MOST_WINDOWS], key=lambda window: parse_iso(window.start)[0])


def _windows(finding: Finding, shown: Sequence[Window], unit: str, material: Material) -> Markup:
    beside = list(_beside(material, finding))
    heads = ["From", "To", "Length", "Worst", "At", "Phase", *(name for name, _ in beside), "File and rows"]
    rows = []
    for window in shown:
        start, end = datetime.fromisoformat(window.start), datetime.fromisoformat(window.end)
        instant = parse_iso(window.worst_at)[0]
        length = duration_text(round((end - start).total_seconds() * 1e6))
        rows.append(
            [
                clock(window.start), clock(window.end), length, number(window.worst, unit), clock(window.worst_at),
                phase_label(finding.phase) if finding.phase else "-", *(_at(track, instant) for _, track in beside),
                "; ".join(f"{row.file} {row.first}" + (f" to {row.last}" if row.last != row.first else "")
                          for row in window.rows) or "-",
            ]
        )  # fmt: skip
    return table(heads, rows, label=f"Times outside: {finding.title}")


def _beside(material: Material, finding: Finding) -> Iterator[tuple[str, Track]]:
    """Columns of what else was recorded: current, reactive power, frequency of the phase or the total."""
    gathered = material.gathered
    if gathered is None:
        return
    line = finding.phase[0] if finding.phase and finding.phase[0] in "abc" else None
    for quantity, heading in (("current", "Current"), ("reactive_power", "Reactive power"), ("frequency", "Frequency")):
        if quantity == finding.quantity:
            continue
        for phase in (line, "total", None) if quantity != "frequency" else (None,):
            track = gathered.find(quantity, phase)
            if track is not None:
                yield (f"{heading}, {phase_label(phase)}" if phase else heading), track
                break


def _at(track: Track, instant_us: int) -> str:
    value = track.at(instant_us)
    return number(float(f"{value:.5g}"), track.unit) if value is not None else "not recorded"


def open_part(criteria: Sequence[JudgedCriterion]) -> Markup:
    """What was not judged or not applicable, and why; rules with the same reason together."""
    groups: dict[tuple[str, str, str, str], list[str]] = {}
    for criterion in criteria:
        for finding in criterion.findings:
            reason = finding.reason
            if reason is None or finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
                continue
            key = (finding.verdict.value, f"{finding.table} {finding.rule}", reason.code, reason.advice)
            groups.setdefault(key, []).append(reason.text)
    rows = []
    for (verdict, rule, _, advice), texts in groups.items():
        several = f" ({len(texts)} findings)" if len(texts) > 1 else ""
        other = len(set(texts)) - 1
        more = f" {other} others differ only in their numbers." if other > 0 else ""
        rows.append((rule + several, verdict_mark(Verdict(verdict)), texts[0] + more, advice))
    inner = (
        table(("Rule", "Verdict", "Why", "What would settle it"), rows, label="What was not judged")
        if rows
        else tag("p", "Every rule was judged.")
    )
    return tag(
        "section", tag("h2", "Not judged, and remarks to verdicts", id="open"),
        tag("p", f"{VERDICT_WORDS[Verdict.INCONCLUSIVE]} means that trusted data show neither outcome; "
                 f"{VERDICT_WORDS[Verdict.REFUSED]} that the data cannot be trusted for the rule."),
        inner, aria_labelledby="open",
    )  # fmt: skip
