"""The result of vetting: on a terminal, half-way through a survey, and as corrections proposed in TOML."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import clock, first_few, outside_text
from pqcheck.model.verdict import Verdict
from pqcheck.plan.recording_so_far import SoFar
from pqcheck.reports.text import danger_text, grid, more_line, point, text_of, wrap
from pqcheck.site.site_values import Correction
from pqcheck.vet.outcome import Proposal
from pqcheck.vet.vetting_result import Examined

MOST_ROWS = 20
_HEAD = """\
# Corrections that would make the recording consistent, proposed from the numbers alone.
# Nothing here is in force. Check each on site or on the photos, then copy it into the site file without the leading
# number sign and sign it with a reason and an author. The order matters: swaps before reversals.
"""


def as_text(result: Examined, *, everything: bool = False, quiet: bool = False) -> str:
    """The whole text, ending in a line feed. Danger signs come first, also when quiet."""
    parts = [danger_text(result.findings), answer(result)]
    if not quiet:
        handheld = [line for line in result.findings.remarks if line.startswith("Handheld:")]
        parts += [
            _listed("Cannot be trusted", result.refused, everything),
            _listed("Open", result.open_, everything),
            _listed("Notes", result.notes, everything),
            corrections_text(result.corrections),
            "\n".join(map(wrap, handheld)),
            _all(result.findings) if everything else _counts(result.findings),
        ]
    return text_of(parts)


def answer(result: Examined) -> str:
    """The answer in one sentence. It speaks of the recording, never of the safety of the installation."""
    refused, open_ = len(result.refused), len(result.open_)
    missing = f"{result.not_read} " if result.not_read else ""
    if refused:
        rest = f", {open_} leave{'s' if open_ == 1 else ''} a question open" if open_ else ""
        return f"REFUSED: {missing}{refused} check{'s' if refused > 1 else ''} found what cannot be trusted{rest}."
    if open_:
        rest = f"{open_} check{'s leave' if open_ > 1 else ' leaves'} a question open"
        return f"OPEN: {missing}Nothing is refused; {rest}." if missing else f"OPEN: nothing is refused; {rest}."
    if missing:
        return f"OPEN: {missing}No check found anything against what was read."
    unseen = not_checked(result.findings)
    return f"SOUND: no check found anything against the recording{unseen}."


def not_checked(findings: Findings) -> str:
    """That the clamps were not looked at although currents were recorded; empty where they were."""
    clamps = [finding for finding in findings.findings if finding.rule in ("polarity", "two-element")]
    if any(finding.verdict is not Verdict.NOT_APPLICABLE for finding in clamps):
        return ""
    if not any(finding.quantity == "current" and finding.rule == "completeness" for finding in findings.findings):
        return ""
    load = any(finding.reason is not None and finding.reason.code == "load-too-small" for finding in clamps)
    power = any(finding.quantity == "active_power" and finding.rule == "completeness" for finding in findings.findings)
    why = "too little load" if load else "no power of a phase was recorded" if power else "no power was recorded"
    return f"; clamps not checked, {why}"


def corrections_text(corrections: Sequence[Correction]) -> str:
    """The corrections applied, with reason and author."""
    if not corrections:
        return ""
    lines = ["Corrections applied, as declared in the site file:"]
    for correction in corrections:
        given = {key: value for key, value in correction.settings.items() if value not in (None, ())}
        settings = ", ".join(f"{key} {_setting(value)}" for key, value in given.items())
        lines.append(point(f"- {correction.kind} ({settings}): {correction.reason}; {correction.author}"))
    return "\n".join(lines)


def _setting(value: object) -> str:
    return " and ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def _listed(title: str, findings: Sequence[Finding], everything: bool) -> str:
    if not findings:
        return ""
    folded: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        text = finding.reason.text if finding.reason is not None else finding.title
        same = text.removeprefix(f"{finding.channel}: ").removeprefix(f"{finding.channel} ")
        folded.setdefault((finding.rule, same), []).append(finding)
    lines = [f"{title}:"]
    shown = list(folded.items())[: None if everything else MOST_ROWS]
    for (rule, _), group in shown:
        first = group[0]
        text = first.reason.text if first.reason is not None else first.title
        more = f" The same for {len(group) - 1} more." if len(group) > 1 else ""
        lines.append(point(f"- {rule}: {text}{more}"))
        if first.reason is not None and first.reason.advice:
            lines.append(wrap(first.reason.advice, "    "))
        if first.windows and first.rule != "representative":
            count = len(first.windows)
            times = f"{clock(first.windows[0].start)} to {clock(first.windows[0].end)}"
            lines.append(wrap(f"{times}{f' and {count - 1} more' if count > 1 else ''}", "    "))
    return "\n".join([*lines, *more_line(len(folded) - len(shown), "", "  ")])


def _counts(findings: Findings) -> str:
    own = [finding for finding in findings.findings if finding.kind == "recording"]
    passed = sum(finding.verdict is Verdict.PASS for finding in own)
    silent = sorted(
        {finding.rule for finding in own if finding.verdict is Verdict.NOT_APPLICABLE}
        - {finding.rule for finding in own if finding.verdict is not Verdict.NOT_APPLICABLE}
    )
    text = f"{passed} checks of channels passed."
    if silent:
        text += f" No input for: {', '.join(silent)}."
    return wrap(text + " --all lists every check.")


def _all(findings: Findings) -> str:
    own = [finding for finding in findings.findings if finding.kind == "recording"]
    rows = [
        (finding.rule, finding.channel, finding.verdict.value, finding.reason.code if finding.reason else "")
        for finding in own
    ]
    return grid(rows, ("check", "channel", "verdict", "reason"))


def half_way_text(state: SoFar) -> str:
    """The state half-way through a survey, ending in a line feed."""
    parts = [f"So far, up to {clock(state.seen_until)}:", _proven(state), _removal(state), _room(state), _never(state)]
    if state.refused:
        rules = Counter(f"{finding.table} {finding.rule}" for finding in state.refused)
        parts.append(_fold("Refused while the recording is not put right:", rules))
    return text_of(parts)


def _proven(state: SoFar) -> str:
    lines = []
    if state.failed:
        lines.append(f"Proven already, whatever comes: {len(state.failed)} fail.")
        for finding in list(state.failed)[:MOST_ROWS]:
            detail = f", intervals outside: {outside_text(finding)}" if finding.intervals else ""
            lines.append(point(f"- {finding.table} {finding.rule}, {finding.channel}{detail}"))
        if len(state.failed) > MOST_ROWS:
            lines.append(f"  {len(state.failed) - MOST_ROWS} more.")
    if state.passed:
        lines.append(f"Proven already: {len(state.passed)} pass for complete periods.")
    return "\n".join(lines) or "Nothing is proven yet."


def _removal(state: SoFar) -> str:
    lines = []
    for removal in state.removal:
        if removal.complete:
            plural = "s" if removal.complete > 1 else ""
            lines.append(
                f"{removal.complete} full {removal.length}{plural}; the next is complete at {clock(removal.next)}."
            )
        else:
            lines.append(
                f"The first full {removal.length} is complete at {clock(removal.first)}: do not remove the recorder "
                "earlier."
            )
        if removal.after_hole:
            lines.append(f"Counted from the end of the last hole, a {removal.length} without one is complete at "
                         f"{clock(removal.after_hole)}.")
    return "\n".join(map(wrap, lines))


def _room(state: SoFar) -> str:
    if not state.room:
        return ""
    rows = []
    for room in list(state.room)[:MOST_ROWS]:
        note = f"{room.proof_left} more" if room.proof_left >= 0 else "too much is lost for a proven pass"
        if room.proof_left < 0 and room.coverage_left is not None and room.left >= 0:
            note = f"{room.coverage_left} more lost under the declared coverage" if room.coverage_left >= 0 else \
                "too much is lost for the declared coverage"
        rows.append(
            (
                f"{room.table} {room.rule}",
                room.channel,
                f"{room.outside} of {room.allowed}",
                room.lost,
                note,
                clock(room.end),
            )
        )
    headers = ("rule", "tightest channel", "outside, allowed", "lost", "the period can bear", "ends")
    text = "What the running periods can still bear (intervals):\n" + grid(rows, headers)
    if len(state.room) > MOST_ROWS:
        text += f"\n{len(state.room) - MOST_ROWS} more rules."
    return text


def _never(state: SoFar) -> str:
    if not state.never:
        return ""
    lines = ["Inconclusive anyway, however long you wait:"]
    folded: dict[tuple[str, str], set[str]] = {}
    for finding in state.never:
        if finding.reason is not None:
            folded.setdefault((finding.reason.text, finding.reason.advice), set()).add(
                f"{finding.table} {finding.rule}"
            )
    for (text, advice), rules in list(folded.items())[:MOST_ROWS]:
        lines.append(wrap(f"- {first_few(sorted(rules))}: {text} {advice}", "  ", "    "))
    if len(folded) > MOST_ROWS:
        lines.append(f"  {len(folded) - MOST_ROWS} more.")
    return "\n".join(lines)


def _fold(title: str, rules: Counter[str]) -> str:
    named = ", ".join(f"{rule} ({count})" if count > 1 else rule for rule, count in sorted(rules.items())[:MOST_ROWS])
    return wrap(f"{title} {named}.")


def as_toml(proposals: Sequence[Proposal]) -> str:
    """The file of ``vet --propose``."""
    if not proposals:
        return _HEAD + "#\n# Nothing to propose.\n"
    parts = [_HEAD]
    for proposal in proposals:
        lines = [f"# why: {line}" for line in _lines(proposal.why)]
        lines += ["# [[corrections]]", f'# kind = "{proposal.kind}"']
        lines += [f"# {key} = {_toml(value)}" for key, value in proposal.settings.items()]
        lines += [
            '# reason = ""      # what shows it: photo, handheld reading, site visit',
            '# author = ""      # who signs for it',
        ]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _toml(value: str | float | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(f'"{item}"' for item in value) + "]"
    return f"{value:g}" if value != int(value) else f"{int(value)}"


def _lines(text: str) -> list[str]:
    return text.replace("\r", " ").split("\n")
