"""What is wrong with a written limit table: all that cannot be read, and all that can be read and cannot be meant."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from msgspec import Struct

from pqcheck.limit_tables.lint_scope import overlay_doubts, scope_doubts
from pqcheck.limit_tables.lint_values import value_doubts
from pqcheck.limit_tables.overlays import merge_overlay, overlay_places, overlay_problems
from pqcheck.limit_tables.schema import json_path, schema_problems
from pqcheck.limit_tables.table_checks import table_problems
from pqcheck.limit_tables.written import Placed, Problem

Written = Mapping[str, Any]

_KINDS = ("rules", "event_rules", "load_rules")
_ENTRIES = (*_KINDS, "adds", "remarks", "changes", "order_changes")
"""What is left out alone where it cannot be read, so that the rest is still examined."""

_ASKED_BY_RULES = ("options", "nominals", "shared_limits", "overlay_of")
"""Without these, what is said about the rules would be wrong."""

_SMALLEST_EXPONENT = -30


class Examined(Struct, frozen=True):
    """What was said about a table. `merged` is the table with its base, where there are no errors."""

    errors: tuple[Problem, ...]
    doubts: tuple[Problem, ...]
    merged: Written | None


def examine(written: Any, schema: Mapping[str, Any], base: Written | None = None) -> Examined:
    """Examine a table, or an overlay with its base (which holds together).

    Errors are what cannot be read; doubts are what would be judged and never means anything. Rules with an error are
    left out of what is examined further.
    """
    unread = list(schema_problems(written, schema))
    errors = [problem for problem, _ in unread]
    errors += _too_small(written, ())
    if not isinstance(written, Mapping) or any(steps and steps[0] in _ASKED_BY_RULES for _, steps in unread):
        return Examined(tuple(errors), (), None)
    sound = _without(written, [steps for _, steps in unread])
    merged: Written = sound
    if base is not None:
        errors += overlay_problems(sound, base)
        if errors:
            return Examined(tuple(errors), (), None)
        merged = merge_overlay(sound, base)
    places = {} if base is None else overlay_places(sound)
    placed = {kind: _placed(merged, written, kind, places) for kind in _KINDS}
    meaning = list(table_problems(merged, placed))
    errors += meaning
    wrong = [problem.path for problem in meaning]
    placed = {
        kind: [(path, rule) for path, rule in rules if not any(_inside(place, path) for place in wrong)]
        for kind, rules in placed.items()
    }
    doubts: list[Problem] = []
    if not any(place.startswith((*_ASKED_BY_RULES, "applies_if", "interruption")) for place in wrong):
        doubts = [*value_doubts(merged, placed), *scope_doubts(merged, placed)]
        if base is not None:
            doubts += overlay_doubts(sound, base)
        # One doubt a place: many orders of an entry, and many rules of a shared limit, share theirs.
        doubts = list({problem.path: problem for problem in reversed(doubts) if _is_own(problem, written)}.values())
    return Examined(tuple(errors), tuple(doubts), None if errors else merged)


def _too_small(value: Any, steps: tuple[str | int, ...]) -> Iterator[Problem]:
    """Numbers nearer to nothing than any table needs."""
    if isinstance(value, Decimal):
        if value and value.adjusted() < _SMALLEST_EXPONENT:
            yield Problem(json_path(steps), f"{value} is too small a number.")
    elif isinstance(value, (Mapping, list)):
        for key, part in value.items() if isinstance(value, Mapping) else enumerate(value):
            yield from _too_small(part, (*steps, key))


def _without(written: Written, unread: Sequence[Sequence[str | int]]) -> dict[str, Any]:
    """What can be read: without the entries and keys that cannot."""
    sound = dict(written)
    for head in {steps[0] for steps in unread if steps}:
        entries = {steps[1] for steps in unread if steps[:1] == (head,) and len(steps) > 1}
        value = written.get(str(head))
        if head not in _ENTRIES or not entries or not isinstance(value, (Mapping, list)):
            sound.pop(str(head), None)
        elif isinstance(value, Mapping):
            sound[str(head)] = {key: part for key, part in value.items() if key not in entries}
        else:
            sound[str(head)] = [part for index, part in enumerate(value) if index not in entries]
    return sound


def _placed(merged: Written, written: Written, kind: str, places: Mapping[str, str]) -> Placed:
    """The rules of one kind that can be read, each with its place in the file, or the base that it comes from."""
    own = {
        id(rule): f"{key}[{index}]"
        for key in (kind, "adds")
        if isinstance(written.get(key), list)
        for index, rule in enumerate(written[key])
    }
    return [
        (own.get(id(rule)) or places.get(rule["id"]) or f"{written['overlay_of']}/{rule['id']}", rule)
        for rule in merged.get(kind, ())
    ]


def _is_own(problem: Problem, written: Written) -> bool:
    """Whether what is doubted stands in the file itself, and not in the base of an overlay."""
    head, _, rest = problem.path.partition(".")
    own = written.get(head.partition("[")[0], written)
    return "/" in problem.path or (own is not written and (head not in ("options", "shared_limits") or rest in own))


def _inside(place: str, path: str) -> bool:
    return place == path or place.startswith((f"{path}.", f"{path}["))
