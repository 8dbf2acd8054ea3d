"""Outcomes of checks to findings, doubts and lines for people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from pqcheck.clock import iso
from pqcheck.findings import Finding, Limit, Margin, Period, Reason, Statistic, Verdict, Window, in_order
from pqcheck.recording import Channel, Recording, RowSpan, Stream
from pqcheck.vetting.catalogue import is_safety, title
from pqcheck.vetting.dependencies import doubts
from pqcheck.vetting.outcome import Outcome, Proposal
from pqcheck.vetting.trust import Trust

MOST_WINDOWS = 1000
"""Windows written per finding; the sentence carries the totals."""

_WORST_FIRST = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_APPLICABLE)


def findings_of(
    outcomes: Iterable[tuple[Outcome, tuple[RowSpan, ...]]], recording: Recording
) -> tuple[Finding, ...]:
    """One finding per check, channel and stream; where two streams say something about one channel, the worse stays."""
    found: dict[str, Finding] = {}
    carriers = _Carriers(recording)
    for outcome, rows in outcomes:
        finding = _finding(outcome, recording, carriers, rows)
        other = found.get(finding.id)
        if other is None or _WORST_FIRST.index(finding.verdict) < _WORST_FIRST.index(other.verdict):
            found[finding.id] = finding
    return in_order(found.values())


def _finding(
    outcome: Outcome, recording: Recording, carriers: _Carriers, rows: tuple[RowSpan, ...]
) -> Finding:
    safety = is_safety(outcome.check)
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
        kind="safety" if safety else "recording",
        table="safety" if safety else "recording",
        rule=outcome.check,
        clause="",
        title=title(outcome.check),
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
            found: dict[str, list[Channel]] = {}
            for channel in stream.channels:
                found.setdefault(channel.quantity, []).append(channel)
            self._by_quantity.append(found)

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
    found: dict[Trust, None] = {}
    for outcome in outcomes:
        if outcome.verdict is Verdict.REFUSED:
            for doubt in doubts(outcome):
                found[doubt] = None
    return tuple(found)


def remarks_of(outcomes: Sequence[Outcome], channels: int) -> tuple[str, ...]:
    """Lines that every report prints: the differences to handheld readings, and one line when nothing is doubted.

    Doubts themselves are findings and need no line here.
    """
    lines = [outcome.remark for outcome in outcomes if outcome.remark]
    if not any(outcome.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE) for outcome in outcomes):
        kinds = len({outcome.check for outcome in outcomes if outcome.verdict is not Verdict.NOT_APPLICABLE})
        lines.append(f"Nothing speaks against the recording itself: {kinds} kinds of check on {channels} channels.")
    return tuple(lines)


def proposals_of(outcomes: Iterable[Outcome]) -> tuple[Proposal, ...]:
    """Corrections that would make the recording consistent, each once, in the order of the checks."""
    found: list[Proposal] = []
    for outcome in outcomes:
        for proposal in outcome.proposals:
            if not any(other.kind == proposal.kind and other.settings == proposal.settings for other in found):
                found.append(proposal)
    return tuple(found)


def in_stream(outcomes: Iterable[Outcome], number: int) -> list[Outcome]:
    """The outcomes, marked as those of one stream."""
    return [replace(outcome, stream=number) for outcome in outcomes]
