"""What a site file declares, fact by fact, so that two of them can be held side by side: nothing here judges."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_NO_PART_OF_THE_QUESTION = ("name", "scenario.name", "report", "reported", "waivers", "limits.apply")
"""Names, which are compared as such; texts for people; and files, of which the content counts (tables, waivers)."""

NOT_DECLARED = "not declared"


def declared_facts(declared: Mapping[str, Any]) -> dict[str, str]:
    """``pcc.maximum_demand_current: 600 A``: every fact of a declared site by its path, as it is written.

    `declared` is the site as it stands in a findings file. Entries of a list of sections are numbered from 1.
    """
    return {
        path: text
        for path, text in flattened(declared)
        if not any(path == left or path.startswith((f"{left}.", f"{left}[")) for left in _NO_PART_OF_THE_QUESTION)
    }


def flattened(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Paths and texts of a document of plain values."""
    if isinstance(value, Mapping):
        for key in sorted(value):
            yield from flattened(value[key], f"{path}.{key}" if path else str(key))
    elif isinstance(value, (list, tuple)) and any(isinstance(entry, Mapping) for entry in value):
        for number, entry in enumerate(value, start=1):
            yield from flattened(entry, f"{path}[{number}]")
    elif isinstance(value, (list, tuple)):
        yield path, ", ".join(map(_text, value))
    else:
        yield path, _text(value)


def _text(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def differences(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    """``pcc.maximum_demand_current: 600 A became 6000 A``, a line for each fact that is not the same."""
    lines = []
    for path in sorted({*before, *after}):
        old, new = before.get(path, NOT_DECLARED), after.get(path, NOT_DECLARED)
        if old != new:
            lines.append(f"{path}: {old} became {new}")
    return lines


def shortened(lines: Sequence[str], most: int = 3) -> str:
    """The first of some lines as one sentence, and how many more there are."""
    more = f"; {len(lines) - most} more" if len(lines) > most else ""
    return "; ".join(lines[:most]) + more
