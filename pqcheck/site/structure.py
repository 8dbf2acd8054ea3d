"""Does a site document have the shape of ``site.schema.json``? In our own words, with the path of the fault.

Interprets the handful of JSON Schema keywords that the schema uses, so that the schema stays the only description of
the file and no validator has to be imported. A test compares it with a full validator.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pqcheck.errors import SiteError, nearest

_TYPES = {
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a section with keys of its own",
}


@functools.cache
def site_schema() -> Mapping[str, Any]:
    """The JSON Schema of the site file."""
    text = Path(__file__).with_name("site.schema.json").read_text(encoding="utf-8")
    schema: Mapping[str, Any] = json.loads(text)
    return schema


def check_structure(document: Mapping[str, Any], source: str) -> None:
    """Raise `SiteError` for the first place where `document` departs from the schema.

    The sentence names `source`, the path, what was expected and, for an unknown key, the nearest known one.
    """
    fault = _fault(document, site_schema(), "")
    if fault:
        raise SiteError(f"{source}: {fault}")


def _fault(value: Any, schema: Mapping[str, Any], path: str) -> str | None:
    """The sentence about the first fault below `path`, or None."""
    wrong = _wrong_kind(value, schema, path)
    if wrong:
        return wrong
    if isinstance(value, dict):
        return _object_fault(value, schema, path)
    if isinstance(value, list):
        fewest, most = schema.get("minItems", 0), schema.get("maxItems")
        if len(value) < fewest or (most is not None and len(value) > most):
            count = f"{fewest} entries" if most == fewest else f"at least {fewest}"
            return f"{path} needs {count}, found {len(value)}"
        faults = (_fault(item, schema["items"], f"{path}[{place}]") for place, item in enumerate(value, start=1))
        return next((fault for fault in faults if fault), None)
    return _scalar_fault(value, schema, path)


def _wrong_kind(value: Any, schema: Mapping[str, Any], path: str) -> str | None:
    if "enum" in schema and value not in schema["enum"]:
        near = nearest(value, schema["enum"]) if isinstance(value, str) else ""
        return f"{path} must be one of {', '.join(schema['enum'])}, found {_shown(value)}{near}"
    declared = schema.get("type", [])
    types = [declared] if isinstance(declared, str) else declared
    if not types or any(_is(value, name) for name in types):
        return None
    expected = " or ".join(_TYPES[name] for name in types)
    example = f" such as {schema['examples'][0]!r}" if "examples" in schema else ""
    if path and types == ["array"] and isinstance(value, dict):
        return f"{path} can be given several times; write its heading as [[{path}]]"
    return f"{path or 'the document'} must be {expected}{example}, found {_shown(value)}"


def _object_fault(value: dict[str, Any], schema: Mapping[str, Any], path: str) -> str | None:
    properties = schema.get("properties", {})
    extra = schema.get("additionalProperties", True)
    names = schema.get("propertyNames", {}).get("pattern")
    for key, item in value.items():
        here = f"{path}.{key}" if path else key
        if key in properties:
            fault = _fault(item, properties[key], here)
        elif extra is False:
            fault = f"{here} is not a known key{nearest(key, properties)}"
        elif names and not re.search(names, key):
            fault = f"{here} cannot be a key here; it must match {names}"
        else:
            fault = _fault(item, extra, here) if isinstance(extra, dict) else None
        if fault:
            return fault
    for key in schema.get("required", ()):
        if key not in value:
            return _missing(key, properties, path)
    for branch in schema.get("allOf", ()):
        fault = _branch_fault(value, branch, properties, path)
        if fault:
            return fault
    return None


def _branch_fault(
    value: dict[str, Any], branch: Mapping[str, Any], properties: Mapping[str, Any], path: str
) -> str | None:
    """Keys that belong to one kind of entry (``if kind = ... then``)."""
    ((discriminator, wanted),) = branch["if"]["properties"].items()
    if value.get(discriminator) != wanted["const"]:
        return None
    kind = wanted["const"]
    for key in branch["then"]["required"]:
        if key not in value:
            return f"{_missing(key, properties, path)} (kind {kind!r})"
    allowed = branch["then"]["propertyNames"]["enum"]
    for key in value:
        if key not in allowed:
            return f"{path}.{key} has no meaning for kind {kind!r}; known there: {', '.join(allowed)}"
    return None


def _scalar_fault(value: Any, schema: Mapping[str, Any], path: str) -> str | None:
    if isinstance(value, str) and len(value) < schema.get("minLength", 0):
        example = f" such as {schema['examples'][0]!r}" if "examples" in schema else ""
        return f"{path} must be a text{example}, found {_shown(value)}"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if "minimum" in schema and value < schema["minimum"]:
            return f"{path} must be at least {schema['minimum']}, found {value}"
        if "maximum" in schema and value > schema["maximum"]:
            return f"{path} must be at most {schema['maximum']}, found {value}"
        if "exclusiveMinimum" in schema and value <= schema["exclusiveMinimum"]:
            return f"{path} must be above {schema['exclusiveMinimum']}, found {value}"
    return None


def _missing(key: str, properties: Mapping[str, Any], path: str) -> str:
    known = properties.get(key, {})
    example = f", for example {key} = {json.dumps(known['examples'][0])}" if "examples" in known else ""
    if "enum" in known:
        example = f", one of {', '.join(known['enum'])}"
    return f"{path} lacks {key}{example}" if path else f"[{key}] is missing; it declares what cannot be guessed"


def _is(value: Any, name: str) -> bool:
    """Whether `value` has a JSON type; a truth value is not a number, 3.0 is a whole number."""
    if isinstance(value, bool):
        return name == "boolean"
    if isinstance(value, int):
        return name in ("number", "integer")
    if isinstance(value, float):
        return name == "number" or (name == "integer" and value.is_integer())
    kinds: dict[str, type] = {"string": str, "array": list, "object": dict}
    return name in kinds and isinstance(value, kinds[name])


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        return "a list"
    return json.dumps(value, ensure_ascii=False)
