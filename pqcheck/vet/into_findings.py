"""What the checks say becomes findings, doubts and lines for people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from pqcheck.model.clock import iso
from pqcheck.model.findings import Finding, Limit, Margin, Period, Reason, Statistic, Window, in_order
from pqcheck.model.recording import Channel, Recording, RowSpan, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import ITSELF, Refusal
from pqcheck.vet.checks import interruption
from pqcheck.vet.outcome import Outcome, Proposal, Subject
from pqcheck.vet.trust import Trust

MOST_WINDOWS = 1000
"""Windows written per finding; the sentence carries the totals."""

NOTHING_AGAINST = "Nothing speaks against the recording itself"

PARTS_OFF = frozenset({
    "lost-lead", "phase-out", "lead-or-phase", "no-voltage", "dead-clamp", "jaw-open", "power-mismatch", "sum-mismatch",
})
"""Doubts under which nothing is proposed: first the part that is off, then another look."""
RATIOS_OFF = frozenset({
    "kirchhoff", "scale", "scale-step", "columns-alike", "connection-doubtful",
})
"""Doubts under which no other correction than that of a ratio is proposed."""

_WORST_FIRST = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_APPLICABLE)


def findings_of(
    outcomes: Iterable[tuple[Outcome, tuple[RowSpan, ...]]], recording: Recording
) -> tuple[Finding, ...]:
    """One finding per check, channel and stream; where two streams say something about one channel, the worse stays."""
    kept: dict[str, Finding] = {}
    carriers = _Carriers(recording)
    for outcome, rows in outcomes:
        finding = _finding(outcome, recording, carriers, rows)
        other = kept.get(finding.id)
        if other is None or _WORST_FIRST.index(finding.verdict) < _WORST_FIRST.index(other.verdict):
            kept[finding.id] = finding
    return in_order(kept.values())


def _finding(
    outcome: Outcome, recording: Recording, carriers: _Carriers, rows: tuple[RowSpan, ...]
) -> Finding:
    check, kind = outcome.check, "safety" if outcome.check.danger else "recording"
    zone = recording.zone
    stream = recording.streams[outcome.stream] if recording.streams else None
    start, end = (stream.axis.start_us, stream.axis.end_us) if stream else (0, 0)
    if "at_us" in outcome.more:
        # A spot check is about one moment, and there may be several of a channel.
        start = int(outcome.more["at_us"])
        end = start + (stream.axis.interval_us if stream else 0)
    statistic = limit = margin = None
    if outcome.value is not None:
        interval = stream.axis.interval_us / 1e6 if stream else None
        statistic = Statistic(outcome.statistic or "report_only", None, interval, outcome.value, outcome.unit)
        if outcome.low is not None or outcome.high is not None:
            limit = Limit(outcome.low, outcome.high, outcome.unit)
            edge = outcome.high if outcome.high is not None else outcome.low
            gap = outcome.value - edge if edge is not None else 0.0
            distance = -gap if outcome.high is not None else gap
            margin = Margin(distance, outcome.unit, 100 * distance / edge if edge else None)
    reason = Reason(outcome.code, outcome.text, outcome.advice) if outcome.code else None
    return Finding(
        kind=kind,
        table=kind,
        rule=check.name,
        clause="",
        title=check.question,
        quantity=outcome.quantity,
        phase=outcome.phase,
        order=outcome.order,
        verdict=outcome.verdict,
        period=Period("recording", iso(start, zone), iso(end, zone)) if stream else None,
        channel=outcome.channel,
        reason=reason,
        statistic=statistic,
        limit=limit,
        margin=margin,
        proven=outcome.likelihood == "shown" or outcome.sound,
        windows=_windows(outcome, stream, carriers, zone, rows) if outcome.spans else (),
    )


def _windows(
    outcome: Outcome, stream: Stream | None, carriers: _Carriers, zone: str, rows: tuple[RowSpan, ...]
) -> tuple[Window, ...]:
    interval = stream.axis.interval_us if stream else 1
    channel = carriers.of(outcome) if stream is not None and not rows else None
    made = []
    for span in outcome.spans[:MOST_WINDOWS]:
        count = span.intervals or max(1, (span.end_us - span.start_us) // interval)
        placed = rows
        if stream is not None and channel is not None:
            placed = stream.index.rows(channel, span.start_us, span.end_us)
        start, end = iso(span.start_us, zone), iso(span.end_us, zone)
        worst_at = iso(span.worst_us, zone) if span.worst_us else start
        made.append(Window(start, end, count, span.worst, worst_at, placed))
    return tuple(made)


class _Carriers:
    """The recorded channels that carry the evidence of outcomes, by what the outcomes say they are about."""

    def __init__(self, recording: Recording) -> None:
        self._by_quantity: list[dict[str, list[Channel]]] = []
        for stream in recording.streams:
            kept: dict[str, list[Channel]] = {}
            for channel in stream.channels:
                kept.setdefault(channel.quantity, []).append(channel)
            self._by_quantity.append(kept)

    def of(self, outcome: Outcome) -> Channel | None:
        """The channel of an outcome, None when there is none."""
        fitting = [
            channel for channel in self._by_quantity[outcome.stream].get(outcome.quantity or "", ())
            if (outcome.phase is None or channel.phase == outcome.phase)
            and (outcome.order is None or channel.order == outcome.order)
        ]
        named = (channel for channel in fitting if channel.name == outcome.channel)
        return next(named, fitting[0] if fitting else None)


def trust_of(outcomes: Iterable[Outcome]) -> tuple[Trust, ...]:
    """All doubts, each once."""
    kept: dict[Trust, None] = {}
    for outcome in outcomes:
        if outcome.verdict is Verdict.REFUSED or (
            outcome.verdict is Verdict.INCONCLUSIVE and outcome.code in outcome.check.refuses
        ):
            for doubt in doubts(outcome):
                kept[doubt] = None
    return tuple(kept)


def doubts(outcome: Outcome) -> list[Trust]:
    """The doubts that a refused or open outcome raises, by what its check refuses."""
    allows: Literal["nothing", "lower bound"] = "lower bound" if outcome.check.lower_bound else "nothing"
    kept = []
    for subject in outcome.subjects:
        for refusal in outcome.check.refuses[outcome.code]:
            if refusal.only_if not in ("", subject.quantity):
                continue
            itself = refusal.quantities == ITSELF
            if itself and outcome.bounds:
                continue
            kept.append(Trust(
                (subject.quantity,) if itself else refusal.quantities, _phases(refusal, subject), subject.start_us,
                subject.end_us, allows, outcome.code, outcome.text, outcome.advice, subject.orders if itself else (),
                outcome.verdict, subject.readings, subject.recorded_us,
            ))
    return kept


def _phases(refusal: Refusal, subject: Subject) -> tuple[str, ...]:
    """Phases that are refused; empty for all."""
    if refusal.phases == "all":
        return ()
    if refusal.phases == "total":
        return ("total",)
    if refusal.phases == "same":
        return subject.phases
    # A lost lead takes lines with it, but only the power of its own phase.
    legs = [phase for phase in subject.phases if len(phase) == 1 or phase.endswith("n")] or subject.phases
    return tuple(sorted({letter for phase in legs for letter in phase if letter in "abc"}))


def remarks_of(outcomes: Sequence[Outcome], channels: int) -> tuple[str, ...]:
    """Lines that every report prints: the differences to handheld readings, that no voltage shows interruptions, and
    one line when nothing is doubted.

    Doubts themselves are findings and need no line here.
    """
    lines = [outcome.remark for outcome in outcomes if outcome.remark]
    supply = [outcome for outcome in outcomes if outcome.check is interruption.CHECK]
    if supply and all(outcome.verdict is Verdict.NOT_APPLICABLE for outcome in supply):
        lines.append(supply[0].text)
    if channels and not any(outcome.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE) for outcome in outcomes):
        kinds = len({outcome.check.name for outcome in outcomes if outcome.verdict is not Verdict.NOT_APPLICABLE})
        lines.append(f"{NOTHING_AGAINST}: {kinds} kinds of check on {channels} channels.")
    return tuple(lines)


def proposals_of(outcomes: Iterable[Outcome]) -> tuple[Proposal, ...]:
    """Corrections that would make the recording consistent, each once, in the order of the checks.

    Beside a clamp or lead that is off, or a wrong ratio, angles show a mixture: then no clamp is to be moved.
    """
    kept: list[Proposal] = []
    outcomes = tuple(outcomes)
    codes = {outcome.code for outcome in outcomes if outcome.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)}
    for outcome in outcomes:
        for proposal in outcome.proposals:
            if codes & PARTS_OFF or (codes & RATIOS_OFF and proposal.kind != "scale"):
                continue
            if not any(other.kind == proposal.kind and other.settings == proposal.settings for other in kept):
                kept.append(proposal)
    return tuple(kept)
