"""Check a user's table against the schema, with messages that name the place and what was expected."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING, Any

from pqcheck.errors import LimitTableError, nearest

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import ValidationError


@cache
def schema_validator() -> Draft202012Validator:
    """The validator of ``limits/limit_table.schema.json``."""
    from jsonschema import Draft202012Validator

    from pqcheck.limit_table_files import MARKER, limits_folder

    return Draft202012Validator(json.loads((limits_folder() / MARKER).read_bytes()))


def check_schema(written: Any, where: str) -> None:
    """Raise `LimitTableError` for the first place where `written` leaves the vocabulary."""
    errors = list(schema_validator().iter_errors(written))
    if not errors:
        return
    deepest = [leaf for error in errors for leaf in _leaves(error)]
    # The place deepest in the document says most; among equals, the first in the file.
    worst = max(deepest, key=lambda error: (len(error.absolute_path), -_specificity(error)))
    raise LimitTableError(f"{where}: {json_path(worst.absolute_path)}: {_sentence(worst)}")


def json_path(steps: Iterable[str | int]) -> str:
    """``rules[2].statistic.kind``; the document itself is ``the table``."""
    text = ""
    for step in steps:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else str(step))
    return text or "the table"


def _leaves(error: ValidationError) -> list[ValidationError]:
    return [leaf for child in error.context or () for leaf in _leaves(child)] or [error]


_LEAST_TELLING = ("not", "anyOf", "if")


def _specificity(error: ValidationError) -> int:
    return 1 if error.validator in _LEAST_TELLING else 0


def _sentence(error: ValidationError) -> str:
    """What is wrong at this place and what was expected, in words."""
    value, expected = error.instance, error.validator_value
    properties = error.schema.get("properties", {}) if isinstance(error.schema, dict) else {}
    match error.validator:
        case "required":
            missing = [key for key in expected if key not in value]
            return f"{_listed(missing)} is missing; add it."
        case "additionalProperties":
            unknown = sorted(key for key in value if key not in properties)
            return f"the key {unknown[0]!r} is not known here{nearest(unknown[0], properties)}."
        case "enum":
            hint = nearest(value, expected) if isinstance(value, str) else ""
            return f"{value!r} is not one of {_listed(expected)}{hint}."
        case "const":
            return f"{_shown(value)} stands where {expected!r} is expected."
        case "type":
            kinds = [expected] if isinstance(expected, str) else expected
            return f"{_shown(value)} is not of the kind expected here: {' or '.join(kinds)}."
        case "pattern":
            return f"{value!r} is not written as expected: {_EXPECTED.get(expected, 'it must match ' + expected)}."
        case "minItems" | "minProperties" | "minLength":
            return "it is empty; at least one entry is expected."
        case "uniqueItems":
            return "an entry is there twice; keep one."
        case "minimum":
            return f"{value} is below the least value, {expected}."
        case "anyOf":
            needed = [key for choice in expected for key in choice.get("required", ())]
            return f"one of {_listed(needed)} is needed."
        case "not":
            return f"the keys {_listed(sorted(value))} do not go together here; see docs/reference/limit-tables.md."
    return f"{error.message}."


def _listed(words: Iterable[Any]) -> str:
    return ", ".join(repr(word) for word in words)


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return {True: "true", False: "false", None: "null"}.get(value, repr(str(value))) if not isinstance(
        value, str
    ) else repr(value)


_EXPECTED = {
    "^-?[0-9]+(\\.[0-9]+)?$": "a number such as \"1.5\"",
    "^[0-9]+(\\.[0-9]+)? (ms|s|min|h|d)$": "a duration such as \"10 min\" (ms, s, min, h or d)",
    "^[a-z0-9][a-z0-9.-]*$": "small letters, digits, points and hyphens, such as \"voltage-week-95\"",
    "^[0-9]{4}-[0-9]{2}-[0-9]{2}$": "a date such as 2031-03-04",
}
