"""What each doubt refuses: dependencies.json, applied to the phases and stretch of one outcome."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

from pqcheck.vetting.outcome import Outcome, Subject
from pqcheck.vetting.trust import Trust


@functools.cache
def table() -> dict[str, dict[str, Any]]:
    """Reason code to ``allows`` ("nothing" or "lower bound") and ``refuses`` (quantities, phases, why)."""
    text = Path(__file__).with_name("dependencies.json").read_text(encoding="utf-8")
    loaded: dict[str, dict[str, Any]] = json.loads(text)
    return loaded


def doubts(outcome: Outcome) -> list[Trust]:
    """The doubts that a refused outcome raises. Raises KeyError for a code without an entry: a fault of pqcheck."""
    found = []
    for subject in outcome.subjects:
        entry = table()[outcome.code]
        for row in entry["refuses"]:
            phases = _phases(str(row["phases"]), subject)
            if phases is None:
                continue
            quantities = (subject.quantity,) if row["quantities"] == ["*"] else tuple(row["quantities"])
            found.append(Trust(
                quantities, phases, subject.start_us, subject.end_us, entry["allows"], outcome.code, outcome.text,
                outcome.advice, subject.orders if row["quantities"] == ["*"] else (),
            ))
    return found


def _phases(words: str, subject: Subject) -> tuple[str | None, ...] | None:
    """Phases that a row means; None when the row does not concern the subject's quantity."""
    word, _, condition = words.partition(" if ")
    if condition and condition != subject.quantity:
        return None
    if word == "all":
        return ()
    if word == "total":
        return ("total",)
    if word == "same":
        return tuple(subject.phases)
    if word == "power":
        # A lost lead takes lines with it, but only the power of its own phase.
        legs = [phase for phase in subject.phases if len(phase) == 1 or phase.endswith("n")] or list(subject.phases)
        return tuple(sorted({letter for phase in legs for letter in phase if letter in "abc"}))
    raise ValueError(f"unknown phases {words!r} in dependencies.json")
