"""Where a user's table leaves the schema, in sentences that name the place and what was expected."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pqcheck.limit_tables.written import Problem
from pqcheck.model.errors import nearest

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError


def schema_problems(written: Any, schema: Mapping[str, Any]) -> Iterator[tuple[Problem, Sequence[str | int]]]:
    """Where `written` leaves the vocabulary of the schema, and the steps that lead there; one for each place.

    The deepest place comes first, since it says most; among equals a missing or unknown key.
    """
    from jsonschema import Draft202012Validator

    errors = sorted(
        Draft202012Validator(schema).iter_errors(written),
        key=lambda error: (len(error.absolute_path), error.validator not in _LEAST_TELLING),
        reverse=True,
    )
    seen: set[str] = set()
    for error in errors:
        path = json_path(error.absolute_path)
        if path not in seen:
            seen.add(path)
            yield Problem(path, _sentence(error)), tuple(error.absolute_path)


_LEAST_TELLING = ("not", "anyOf")


def json_path(steps: Iterable[str | int]) -> str:
    """``rules[2].statistic.kind``; the document itself is ``the table``."""
    text = ""
    for step in steps:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else str(step))
    return text or "the table"


def _sentence(error: ValidationError) -> str:
    """What is wrong at this place and what was expected, in words."""
    value: Any = error.instance
    expected: Any = error.validator_value
    properties = error.schema.get("properties", {}) if isinstance(error.schema, dict) else {}
    if "propertyNames" in error.absolute_schema_path:
        return f"the key {value!r} does not belong here; expected: {_expected(error)}."
    match error.validator:
        case "required":
            missing = [key for key in expected if key not in value]
            return f"{_listed(missing)} is missing; add it."
        case "additionalProperties":
            unknown = sorted(key for key in value if key not in properties)
            return " ".join(
                f"the key {key!r} is not known here{nearest(key, properties) or '.'}" for key in unknown
            )
        case "enum":
            hint = nearest(value, expected) if isinstance(value, str) else ""
            return f"{value!r} is not one of {_listed(expected)}{hint or '.'}"
        case "const":
            return f"{_shown(value)} stands where {expected!r} is expected."
        case "type":
            kinds = [expected] if isinstance(expected, str) else expected
            return f"{_shown(value)} is not of the kind expected here: {' or '.join(kinds)}."
        case "pattern":
            return f"{value!r} is not written as expected: {_expected(error)}."
        case "minItems" if expected > 1:
            return f"it has {len(value)}; at least {expected} entries are expected."
        case "minItems" | "minProperties" | "minLength":
            return "it is empty; at least one entry is expected."
        case "uniqueItems":
            return "an entry is there twice; keep one."
        case "minimum":
            return f"{value} is below the least value, {expected}."
        case "maximum":
            return f"{value} is above the greatest value, {expected}."
        case "anyOf":
            needed = [key for choice in expected for key in choice.get("required", ())]
            return f"one of {_listed(needed)} is needed."
        case "not":
            return f"the keys {_listed(sorted(value))} do not go together here; see docs/reference/limit-tables.md."
    return f"{error.message}."


def _listed(words: Iterable[Any]) -> str:
    return ", ".join(repr(word) for word in words)


def _expected(error: ValidationError) -> str:
    """What the schema expects at this place: its own description, or the words it allows."""
    expected: Any = error.validator_value
    if error.validator == "enum":
        return _listed(expected)
    return str(error.schema.get("description", expected)) if isinstance(error.schema, dict) else str(expected)


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if value is None or isinstance(value, bool):
        return {True: "true", False: "false", None: "null"}[value]
    return repr(value) if isinstance(value, str) else str(value)
