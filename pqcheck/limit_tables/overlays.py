"""Overlays: a base table with rules changed, removed and added by id, one level deep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pqcheck.limit_tables.written import orders
from pqcheck.model.errors import LimitTableError, nearest

_OVERLAY_ONLY = ("overlay_of", "changes", "order_changes", "removes", "adds")
_REPLACED_WHOLE = (
    "applies_if", "nominals", "only_these_nominals", "interruption_below_percent", "interruption_comparison",
    "remarks", "event_rules", "load_rules",
)
_MERGED = ("options", "shared_limits")


def merge_overlay(overlay: Mapping[str, Any], base: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The whole table that an overlay and its base make together, in the written form.

    The overlay's own header stands; `applies_if`, `nominals`, whether it governs only these, `remarks` and the
    interruption threshold replace those of the base where they are written, options and shared limits are added by
    name. Raises `LimitTableError` when the base is itself an overlay or lacks a rule that the overlay names.
    """
    if "overlay_of" in base:
        raise LimitTableError(
            f"{where}: overlay_of: {base['id']!r} is itself an overlay; name its base {base['overlay_of']!r} instead."
        )
    rules = {rule["id"]: rule for rule in base.get("rules", ())}
    for key in ("changes", "order_changes", "removes"):
        for rule_id in overlay.get(key, ()):
            if rule_id not in rules:
                raise LimitTableError(
                    f"{where}: {key}: the base {base['id']!r} has no rule {rule_id!r}{nearest(rule_id, rules) or '.'}"
                )
    for rule_id, change in overlay.get("changes", {}).items():
        if "id" in change:
            raise LimitTableError(
                f"{where}: changes.{rule_id}.id: a rule keeps its id; remove the rule and add one under the new id."
            )
        rules[rule_id] = {**rules[rule_id], **change}
        if rules[rule_id]["reference"] != "none":
            rules[rule_id].pop("unit", None)
    for rule_id, entries in overlay.get("order_changes", {}).items():
        rules[rule_id] = _with_orders(rules[rule_id], entries, f"{where}: order_changes.{rule_id}")
    for rule_id in overlay.get("removes", ()):
        del rules[rule_id]
    for index, rule in enumerate(overlay.get("adds", ())):
        if rule["id"] in rules:
            raise LimitTableError(
                f"{where}: adds[{index}].id: the base {base['id']!r} has a rule {rule['id']!r} already; "
                "change it under 'changes', or choose another id."
            )
        rules[rule["id"]] = rule
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
    """Where the rules that an overlay touches stand in its file, by id."""
    places = {rule_id: f"order_changes.{rule_id}" for rule_id in overlay.get("order_changes", ())}
    places |= {rule_id: f"changes.{rule_id}" for rule_id in overlay.get("changes", ())}
    return places | {rule["id"]: f"adds[{index}]" for index, rule in enumerate(overlay.get("adds", ()))}


def _with_orders(rule: Mapping[str, Any], entries: Sequence[Mapping[str, Any]], where: str) -> dict[str, Any]:
    """The rule with the limits of some orders replaced; the other orders keep theirs."""
    limit = rule["limit"]
    if limit["kind"] != "by_order":
        raise LimitTableError(
            f"{where}: only a rule whose limit is of kind 'by_order' can be changed order by order; "
            f"this one is {limit['kind']!r}: replace its limit under 'changes'."
        )
    replaced = {h for entry in entries for h in orders(entry["orders"])}
    kept = []
    for entry in limit["orders"]:
        rest = [h for h in orders(entry["orders"]) if h not in replaced]
        if rest:
            kept.append({**entry, "orders": rest})
    return {**rule, "limit": {**limit, "orders": [*kept, *entries]}}
