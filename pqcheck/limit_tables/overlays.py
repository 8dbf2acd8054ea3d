"""Overlays: a base table with rules changed, removed and added by id, one level deep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pqcheck.limit_tables.rules import CONFIDENCE
from pqcheck.limit_tables.written import Problem, orders
from pqcheck.model.errors import nearest

_OVERLAY_ONLY = ("overlay_of", "changes", "order_changes", "removes", "adds")
_REPLACED_WHOLE = (
    "applies_if", "nominals", "only_these_nominals", "interruption_below_percent", "interruption_comparison",
    "remarks", "event_rules", "load_rules", "effective_from", "effective_to",
)
_MERGED = ("options", "shared_limits", "sources")


def overlay_problems(overlay: Mapping[str, Any], base: Mapping[str, Any]) -> Iterator[Problem]:
    """What the overlay asks of its base and cannot be done; without any the two can be merged."""
    if "overlay_of" in base:
        text = f"{base['id']!r} is itself an overlay; name its base {base['overlay_of']!r} instead."
        yield Problem("overlay_of", text)
        return
    rules = {rule["id"]: rule for rule in base.get("rules", ())}
    for key in ("changes", "order_changes", "removes"):
        for rule_id in overlay.get(key, ()):
            if rule_id not in rules:
                text = f"the base {base['id']!r} has no rule {rule_id!r}{nearest(rule_id, rules) or '.'}"
                yield Problem(key, text)
    for rule_id, change in overlay.get("changes", {}).items():
        if "id" in change:
            text = "a rule keeps its id; remove the rule and add one under the new id."
            yield Problem(f"changes.{rule_id}.id", text)
    for rule_id in overlay.get("order_changes", ()):
        rule = {**rules.get(rule_id, {}), **overlay.get("changes", {}).get(rule_id, {})}
        if "limit" in rule and rule["limit"]["kind"] != "by_order":
            text = (
                f"only a rule whose limit is of kind 'by_order' can be changed order by order; "
                f"this one is {rule['limit']['kind']!r}: replace its limit under 'changes'."
            )
            yield Problem(f"order_changes.{rule_id}", text)
    for index, rule in enumerate(overlay.get("adds", ())):
        if rule["id"] in rules and rule["id"] not in overlay.get("removes", ()):
            text = (
                f"the base {base['id']!r} has a rule {rule['id']!r} already; change it under 'changes', or choose "
                "another id."
            )
            yield Problem(f"adds[{index}].id", text)


def merge_overlay(overlay: Mapping[str, Any], base: Mapping[str, Any]) -> dict[str, Any]:
    """The whole table that an overlay and its base make together, in the written form; they have no problems.

    The overlay's own header stands; `applies_if`, `nominals`, whether it governs only these, `remarks`, the dates and
    the interruption threshold replace those of the base where they are written, options, shared limits and sources are
    added by name. A number that the overlay changes without a mark of its own is marked ``memory``: marks and sources
    of the base are about the numbers of the base.
    """
    rules = {rule["id"]: rule for rule in base.get("rules", ())}
    for rule_id, change in overlay.get("changes", {}).items():
        before = rules[rule_id]
        if "limit" in change:
            before = {key: value for key, value in before.items() if key != "sources"}
        rules[rule_id] = {**before, **_marked(change), **change}
        if rules[rule_id]["reference"] != "none":
            rules[rule_id].pop("unit", None)
    for rule_id, entries in overlay.get("order_changes", {}).items():
        rules[rule_id] = _with_orders(rules[rule_id], entries)
    for rule_id in overlay.get("removes", ()):
        rules.pop(rule_id, None)
    rules |= {rule["id"]: rule for rule in overlay.get("adds", ())}
    merged = {key: value for key, value in overlay.items() if key not in _OVERLAY_ONLY}
    for key in _REPLACED_WHOLE:
        if key not in merged and key in base:
            merged[key] = base[key]
    for key in _MERGED:
        if key in base or key in overlay:
            merged[key] = {**base.get(key, {}), **overlay.get(key, {})}
    merged["rules"] = list(rules.values())
    return merged


def overlay_places(overlay: Mapping[str, Any]) -> dict[str, str]:
    """Where the changes of an overlay stand in its file, by id of the rule."""
    places = {rule_id: f"order_changes.{rule_id}" for rule_id in overlay.get("order_changes", ())}
    return places | {rule_id: f"changes.{rule_id}" for rule_id in overlay.get("changes", ())}


def unmarked(change: Mapping[str, Any]) -> str | None:
    """The key of a change that brings numbers in without a mark of confidence; None where none does."""
    if "confidence" in change:
        return None
    limits = "limit" in change and "confidence" not in change["limit"] and change["limit"]["kind"] != "shared"
    return "limit" if limits else None


def _marked(change: Mapping[str, Any]) -> dict[str, str]:
    return {"confidence": CONFIDENCE[-1]} if unmarked(change) else {}


def _with_orders(rule: Mapping[str, Any], entries: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The rule with the limits of some orders replaced; the other orders keep theirs."""
    limit = rule["limit"]
    replaced = {h for entry in entries for h in orders(entry["orders"])}
    kept = []
    for entry in limit["orders"]:
        rest = [h for h in orders(entry["orders"]) if h not in replaced]
        if rest:
            kept.append({**entry, "orders": rest})
    marked = [{"confidence": CONFIDENCE[-1], **entry} for entry in entries]
    return {**rule, "limit": {**limit, "orders": [*kept, *marked]}}
