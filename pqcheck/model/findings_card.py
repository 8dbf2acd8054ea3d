"""A result as a notebook shows it: danger signs, the answer, the criteria that matter most, and one plot of margins.

Markup without scripts or addresses. It leaves colours to the notebook, so that it is read on a dark one too; verdicts
are words.
"""

from __future__ import annotations

import html
from collections.abc import Sequence

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    answer,
    by_loss,
    clock,
    criteria,
    danger_signs,
    limit_text,
    margin_percent,
    outside_text,
    reading_text,
)
from pqcheck.model.verdict import Verdict

MOST_ROWS = 12
_DECIDED = (Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
_HEADS = ("verdict", "rule", "channel", "from", "reading", "limit", "outside", "why not shown")
_CELL = "text-align:left;padding:0 .8em .15em 0;vertical-align:top"
_WIDTH, _LINE, _NAMES = 640, 18, 330
"""Of the plot: width, height of a bar with its space, and where the bars begin; in pixels."""


def as_card(findings: Findings) -> str:
    """The result as HTML: fails first, then what is not shown, then passes by margin; what is cut is counted."""
    asked = _ordered(criteria(findings.findings))
    signs = [
        f"<p><strong>DANGER SIGN: {_text(sign.title)}.</strong> "
        f"{_text(f'{sign.reason.text} {sign.reason.advice}') if sign.reason else ''}</p>"
        for sign in danger_signs(findings)
    ]
    name = f"<p>{_text(str(findings.site['name']))}</p>" if findings.site.get("name") else ""
    parts = [*signs, name, f"<p><strong>{_text(answer(findings))}</strong></p>"]
    if asked:
        parts += [_table(asked[:MOST_ROWS]), _left(len(asked) - MOST_ROWS), _plot(asked)]
    return f"<div>{''.join(parts)}</div>"


def _ordered(asked: Sequence[Finding]) -> list[Finding]:
    order = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.WAIVED, Verdict.PASS)
    return sorted(by_loss(asked), key=lambda finding: order.index(finding.verdict))


def _left(left: int) -> str:
    return f"<p>{left} more criteria; to_frame() holds all of them.</p>" if left > 0 else ""


def _table(shown: Sequence[Finding]) -> str:
    rows = [_row("th", _HEADS)]
    for finding in shown:
        open_ = finding.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED) and finding.reason is not None
        why = finding.reason.text if open_ and finding.reason is not None else ""
        start = clock(finding.period.start) if finding.period is not None else "-"
        rows.append(_row("td", (
            finding.verdict.value, f"{finding.table} {finding.rule}", finding.channel, start, reading_text(finding),
            limit_text(finding), outside_text(finding), why,
        )))  # fmt: skip
    return f"<table>{''.join(rows)}</table>"


def _row(kind: str, cells: Sequence[str]) -> str:
    written = "".join(f'<{kind} style="{_CELL}">{_text(cell)}</{kind}>' for cell in cells)
    return f"<tr>{written}</tr>"


def _plot(asked: Sequence[Finding]) -> str:
    """Margins of what was decided, smallest first: a bar to the right is room left, one to the left lies beyond."""
    decided = [finding for finding in asked if finding.verdict in _DECIDED]
    known = [(margin, each) for each in decided if (margin := margin_percent(each)) is not None]
    shown = sorted(known, key=lambda entry: entry[0])[:MOST_ROWS]
    if not shown:
        return ""
    reach = max(min(max(abs(margin) for margin, _ in shown), 100.0), 1.0)
    low = min(0.0, *(margin for margin, _ in shown))
    span = reach + min(-low, 100.0)
    zero = _NAMES + (_WIDTH - _NAMES - 60) * min(-low, 100.0) / span
    scale = (_WIDTH - _NAMES - 60) / span
    bars = []
    for at, (margin, finding) in enumerate(shown):
        length = min(abs(margin), 100.0) * scale
        left, middle = (zero - length if margin < 0 else zero), at * _LINE + 13
        fill = 'fill="none" stroke="currentColor"' if margin >= 0 else 'fill="currentColor"'
        bars.append(
            f'<text x="0" y="{middle}">{_text(f"{finding.channel} {finding.rule}"[:52])}</text>'
            f'<rect x="{left:.1f}" y="{at * _LINE + 3}" width="{max(length, 1):.1f}" height="{_LINE - 6}" {fill}/>'
            f'<text x="{max(left + length, zero) + 4:.1f}" y="{middle}">{margin:.3g} %</text>'
        )
    height = len(shown) * _LINE + 4
    words = "Margin in percent of the limit where it was decided, smallest first; a filled bar lies beyond the limit."
    return (
        f'<p>{words}</p><svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{height}" font-size="11" '
        f'font-family="sans-serif" fill="currentColor" role="img" aria-label="{words}">{"".join(bars)}'
        f'<line x1="{zero:.1f}" x2="{zero:.1f}" y1="0" y2="{height}" stroke="currentColor"/></svg>'
    )


def _text(text: str) -> str:
    return html.escape(text)
