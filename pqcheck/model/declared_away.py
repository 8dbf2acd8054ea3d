"""What a site file declares away, in words: exclusions, corrections, coverage and time criteria of somebody's own.

Each is somebody's decision and may be right; how many verdicts hang on it stands beside it in every output.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pqcheck.model.findings import Findings

KINDS = {"exclusions": "Excluded", "corrections": "Corrected", "coverage": "Coverage", "criteria": "Time criterion"}
"""Sections of a site file that can turn a verdict, and how their lines begin."""

_WHO = ("reason", "author", "policy_of")
_SILENT = ("kind", "clause", *_WHO)


def declared_lines(findings: Findings) -> list[str]:
    """A line for each entry and, for each kind, how many verdicts would be others without it; empty without any."""
    lines = []
    for kind, word in KINDS.items():
        entries = _entries(findings.site, kind)
        lines += [f"- {word} as declared: {_entry_words(entry)}" for entry in entries]
        if entries:
            other = findings.declared_away.get(kind, 0)
            words = {0: "no verdict would be another", 1: "1 verdict would be another"}
            differ = words.get(other, f"{other} verdicts would be others")
            lines.append(f"  Without {'them' if len(entries) > 1 else 'it'}, {differ}.")
    return lines


def declared_sentence(findings: Findings) -> str:
    """How many verdicts would be others without each kind, as a sentence; empty where none would."""
    turned = {kind: count for kind, count in findings.declared_away.items() if count}
    if not turned:
        return ""
    names = " and ".join(f"{kind} ({count})" for kind, count in sorted(turned.items()))
    return f"Verdicts that would be others without what the site file declares: {names}."


def _entries(site: Mapping[str, Any], kind: str) -> list[Mapping[str, Any]]:
    declared = site.get(kind, ())
    return [declared] if isinstance(declared, Mapping) else list(declared)


def _entry_words(entry: Mapping[str, Any]) -> str:
    facts = ", ".join(f"{name} {value}" for name, value in sorted(entry.items()) if name not in _SILENT)
    kind = f"{entry['kind']} " if "kind" in entry else ""
    return f"{kind}({facts}); {'; '.join(_basis(entry))}"


def _basis(entry: Mapping[str, Any]) -> Iterator[str]:
    if "policy_of" in entry:
        yield f"policy of {entry['policy_of']}"
    if "reason" in entry:
        yield f"{entry['reason']} ({entry.get('author', 'nobody named')})"
