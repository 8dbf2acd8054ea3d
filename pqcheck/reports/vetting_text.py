"""The result of vetting on a terminal: danger signs, what cannot be trusted, what is open, notes, counts."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from pqcheck.findings import Finding, Findings, Verdict
from pqcheck.reports.grid import grid
from pqcheck.reports.words import clock
from pqcheck.site.model import Correction
from pqcheck.vetting.examined import Examined

MOST_ROWS = 20
_WIDTH = 100


def as_text(result: Examined, *, everything: bool = False, quiet: bool = False) -> str:
    """The whole text, ending in a line feed. Danger signs come first, also when quiet."""
    danger = [one for one in result.findings.findings if one.kind == "safety"]
    parts = [danger_text(danger), answer(result)]
    if not quiet:
        handheld = [line for line in result.findings.remarks if line.startswith("Handheld:")]
        parts += [
            _listed("Cannot be trusted", result.refused, everything),
            _listed("Open", result.open_, everything),
            _listed("Notes", result.notes, everything) if result.notes else "",
            corrections_text(result.corrections),
            "\n".join(_wrap(line) for line in handheld),
            _all(result.findings) if everything else _counts(result.findings),
        ]
    return "\n\n".join(part for part in parts if part) + "\n"


def danger_text(signs: Iterable[Finding]) -> str:
    """Danger signs: what was seen, why it can hurt, who must act today."""
    lines = []
    for one in signs:
        lines.append(_wrap(f"DANGER SIGN: {one.title}."))
        if one.reason is not None:
            lines += [_wrap(one.reason.text, "  "), _wrap(one.reason.advice, "  ")]
        if one.windows:
            more = f" and {len(one.windows) - 1} more times" if len(one.windows) > 1 else ""
            lines.append(_wrap(f"First at {clock(one.windows[0].start)}{more}.", "  "))
    return "\n".join(lines)


def answer(result: Examined) -> str:
    """The answer in one sentence. It speaks of the recording, never of the safety of the installation."""
    refused, open_ = len(result.refused), len(result.open_)
    if refused:
        rest = f", {open_} leave{'s' if open_ == 1 else ''} a question open" if open_ else ""
        return f"REFUSED: {refused} check{'s' if refused > 1 else ''} found what cannot be trusted{rest}."
    if open_:
        return f"OPEN: nothing is refused; {open_} check{'s leave' if open_ > 1 else ' leaves'} a question open."
    return "SOUND: no check found anything against the recording."


def corrections_text(corrections: Sequence[Correction]) -> str:
    """The corrections applied, with reason and author."""
    if not corrections:
        return ""
    lines = ["Corrections applied, as declared in the site file:"]
    for one in corrections:
        given = {key: value for key, value in one.settings.items() if value not in (None, ())}
        settings = ", ".join(f"{key} {_setting(value)}" for key, value in given.items())
        lines.append(_wrap(f"- {one.kind} ({settings}): {one.reason}; {one.author}", "  "))
    return "\n".join(lines)


def _setting(value: object) -> str:
    return " and ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def _listed(title: str, findings: Sequence[Finding], everything: bool) -> str:
    if not findings:
        return ""
    folded: dict[tuple[str, str], list[Finding]] = {}
    for one in findings:
        text = one.reason.text if one.reason is not None else one.title
        same = text.removeprefix(f"{one.channel}: ").removeprefix(f"{one.channel} ")
        folded.setdefault((one.rule, same), []).append(one)
    lines = [f"{title}:"]
    rows = list(folded.items())
    for (rule, _), group in rows if everything else rows[:MOST_ROWS]:
        first = group[0]
        text = first.reason.text if first.reason is not None else first.title
        more = f" The same for {len(group) - 1} more." if len(group) > 1 else ""
        lines.append(_wrap(f"- {rule}: {text}{more}", "  "))
        if first.reason is not None and first.reason.advice:
            lines.append(_wrap(first.reason.advice, "    "))
        if first.windows and first.rule != "representative":
            count = len(first.windows)
            times = f"{clock(first.windows[0].start)} to {clock(first.windows[0].end)}"
            lines.append(_wrap(f"{times}{f' and {count - 1} more' if count > 1 else ''}", "    "))
    if not everything and len(rows) > MOST_ROWS:
        lines.append(f"  {len(rows) - MOST_ROWS} more; --all lists them.")
    return "\n".join(lines)


def _counts(findings: Findings) -> str:
    own = [one for one in findings.findings if one.kind == "recording"]
    passed = sum(one.verdict is Verdict.PASS for one in own)
    silent = sorted({one.rule for one in own if one.verdict is Verdict.NOT_APPLICABLE}
                    - {one.rule for one in own if one.verdict is not Verdict.NOT_APPLICABLE})
    text = f"{passed} checks of channels passed."
    if silent:
        text += f" No input for: {', '.join(silent)}."
    return _wrap(text + " --all lists every check.")


def _all(findings: Findings) -> str:
    own = [one for one in findings.findings if one.kind == "recording"]
    rows = [(one.rule, one.channel, one.verdict.value, one.reason.code if one.reason else "") for one in own]
    return grid(rows, ("check", "channel", "verdict", "reason"))


def _wrap(text: str, indent: str = "") -> str:
    hanging = indent + ("  " if text.startswith("- ") else "")
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=hanging, break_on_hyphens=False)
