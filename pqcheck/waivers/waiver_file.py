"""The waiver file: ``[[waivers]]`` entries in TOML to frozen `Waiver` values. Whatever is malformed is refused."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pqcheck.model.errors import GateError, nearest
from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.small_files import parse_toml, read_small
from pqcheck.waivers.apply_waivers import Waiver

_TEXTS = ("rule", "reason", "owner", "approver", "status", "ceiling", "floor", "ticket", "site", "scenario",
          "operating_point", "phase")  # fmt: skip
_DATES = ("created", "expires")
_KEYS = (*_TEXTS, *_DATES, "order")
_NEEDED = ("rule", "reason", "owner", "created", "expires")
_STATUS = ("approved", "pending", "rejected")
_EXAMPLES = {
    "rule": '"ieee519-2022/current-harmonics-week-95"',
    "reason": '"new filter is on order"',
    "owner": '"drives team"',
    "approver": '"chief engineer"',
    "ceiling": '"10.5 %"',
    "created": "2031-03-04",
    "expires": "2031-09-30",
}


def read_waivers(path: str | Path) -> tuple[Waiver, ...]:
    """The waivers of a file, in its order.

    Raises `GateError` for a file that cannot be read or is not TOML, an unknown key, a missing ceiling, expiry, reason,
    owner or approver, dates that contradict each other, and a value of the wrong type; the sentence names the entry.
    """
    file = Path(path)
    try:
        document = parse_toml(read_small(file).decode("utf-8-sig"))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise GateError(f"the waiver file {path} cannot be read ({reason}); check the path") from None
    except UnicodeDecodeError as error:
        raise GateError(f"{file.name}: byte {error.start} is not UTF-8; save the waiver file as UTF-8 text") from None
    except ValueError as error:
        raise GateError(f"{file.name}: not valid TOML: {error}") from None
    for key in document:
        if key != "waivers":
            raise GateError(f"{file.name}: {key} is not a known key{nearest(key, ['waivers'])}; write [[waivers]]")
    entries = document.get("waivers", [])
    if not isinstance(entries, list) or not all(isinstance(each, Mapping) for each in entries):
        raise GateError(f"{file.name}: waivers can be given several times; write the heading as [[waivers]]")
    return tuple(_waiver(entry, f"{file.name}, waiver {number}") for number, entry in enumerate(entries, start=1))


def _waiver(entry: Mapping[str, Any], place: str) -> Waiver:
    for key, value in entry.items():
        if key not in _KEYS:
            raise GateError(f"{place}: {key} is not a known key{nearest(key, _KEYS)}")
        if key in _TEXTS and (not isinstance(value, str) or not value.strip()):
            example = f" such as {_EXAMPLES[key]}" if key in _EXAMPLES else ""
            raise GateError(f"{place}: {key} must be a text{example}, found {value!r}")
    for key in _NEEDED:
        if key not in entry:
            raise GateError(f"{place} lacks {key}, for example {key} = {_EXAMPLES[key]}")
    if ("ceiling" in entry) == ("floor" in entry):
        if "floor" in entry:
            raise GateError(f"{place} has a ceiling and a floor; keep the one at the limit that is exceeded")
        raise GateError(
            f"{place} lacks a ceiling; a waiver covers a fail up to a number, for example ceiling = "
            f"{_EXAMPLES['ceiling']} (at a lower limit: floor)"
        )
    status = entry.get("status", "approved")
    if status not in _STATUS:
        near = nearest(status, _STATUS)
        raise GateError(f"{place}: status must be one of {', '.join(_STATUS)}, found {status!r}{near}")
    if status == "approved" and "approver" not in entry:
        raise GateError(
            f"{place} lacks approver, for example approver = {_EXAMPLES['approver']}; until someone approves it, write "
            'status = "pending"'
        )
    if entry["rule"].count("/") != 1:
        raise GateError(f"{place}: rule = {entry['rule']!r} must be table/rule, for example {_EXAMPLES['rule']}")
    order = entry.get("order")
    if order is not None and (isinstance(order, bool) or not isinstance(order, int) or not 1 <= order <= HIGHEST_ORDER):
        raise GateError(f"{place}: order must be a whole number from 1 to {HIGHEST_ORDER}, found {order!r}")
    created, expires = (_day(entry[key], key, place) for key in _DATES)
    if expires < created:
        raise GateError(f"{place} expires on {expires}, before it was created on {created}; correct one of them")
    texts = {key: entry[key].strip() for key in _TEXTS if key in entry and key not in ("status", "approver")}
    return Waiver(
        place=place,
        status=status,
        approver=entry.get("approver", "nobody yet"),
        created=created,
        expires=expires,
        order=order,
        **texts,
    )


def _day(value: Any, key: str, place: str) -> date:
    if isinstance(value, datetime):
        raise GateError(f"{place}: {key} is a day, not a time; write {key} = {_EXAMPLES[key]}")
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise GateError(f"{place}: {key} = {value!r} is not a date; write {key} = {_EXAMPLES[key]}") from None
