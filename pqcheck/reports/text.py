"""Text for a terminal: paragraphs of one width, tables, danger signs first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from pqcheck.model.findings import Findings
from pqcheck.model.findings_words import danger_signs

WIDTH = 100


def wrap(text: str, first: str = "", rest: str | None = None, width: int = WIDTH) -> str:
    """A paragraph broken into lines: `first` indents the first one, `rest` the others (default: the same)."""
    return textwrap.fill(
        text, width, initial_indent=first, subsequent_indent=first if rest is None else rest, break_on_hyphens=False
    )


def point(text: str, indent: str = "  ") -> str:
    """A paragraph whose further lines stand below its text where it begins with ``- `` or a box to tick."""
    hanging = 4 if text.startswith("[ ]") else 2 if text.startswith("- ") else 0
    return wrap(text, indent, indent + " " * hanging)


def grid(rows: Iterable[Sequence[object]], heads: Sequence[str] = ()) -> str:
    """A table of texts, to the left; with heads a line of dashes below them."""
    from tabulate import tabulate

    return tabulate(list(rows), list(heads), tablefmt="simple" if heads else "plain", disable_numparse=True)


def text_of(parts: Iterable[str]) -> str:
    """Parts with a blank line between them, empty ones left out, ending in a line feed."""
    return "\n\n".join(part for part in parts if part) + "\n"


def danger_text(findings: Findings) -> str:
    """Danger signs: what was seen and when, why it can hurt, who must act today."""
    lines = []
    for finding in danger_signs(findings):
        lines.append(wrap(f"DANGER SIGN: {finding.title}."))
        if finding.reason is not None:
            lines += [wrap(finding.reason.text, "  "), wrap(finding.reason.advice, "  ")]
    return "\n".join(lines)


def more_line(left: int, what: str = "", indent: str = "") -> list[str]:
    """The line that counts what was cut; nothing when all was shown."""
    return [f"{indent}{left} more{what}; --all lists them."] if left > 0 else []
