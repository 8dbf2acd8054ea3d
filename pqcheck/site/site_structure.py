"""Does a site document have the shape of ``site.schema.json``? In our own words, with the path of the first fault."""

from __future__ import annotations

import functools
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pqcheck.model.errors import SiteError, nearest

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator

_Fault = Any
"""An error of jsonschema, whose attributes are declared as perhaps unset there and never are."""

STARTER = "begin one with `pqcheck site RECORDING... --out FILE`, which proposes what the recording shows"
"""How to get a site file."""

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


@functools.cache
def _validator() -> Draft202012Validator:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(site_schema())


def check_structure(document: Mapping[str, Any], source: str) -> None:
    """Raise `SiteError` for the first place where `document` departs from the schema.

    The sentence names `source`, the path, what was expected and, for an unknown key, the nearest known one.
    """
    faults = list(_validator().iter_errors(document))
    if faults:
        first = min(faults, key=lambda fault: (_position(document, fault), fault.validator != "enum"))
        about_supply = first.validator == "required" and _path(first.absolute_path) in ("", "supply")
        raise SiteError(f"{source}: {_undeclared(document) if about_supply else _sentence(first)}")


def _undeclared(document: Mapping[str, Any]) -> str:
    """What of the supply, and which zone, is still to be declared, one part of the sentence for each."""
    schema = site_schema()["properties"]["supply"]
    supply = document.get("supply", {})
    open_ = [] if "supply" in document else [_missing("supply", {}, "")]
    open_ += [_missing(key, schema["properties"], "supply") for key in schema["required"] if key not in supply]
    if "time_zone" not in document:
        open_.append("time_zone is not declared either, which stamps without an offset from UTC need")
    return "; ".join(open_) + "; `pqcheck site RECORDING... --out FILE` proposes what a recording shows of them"


def _position(document: Any, fault: _Fault) -> list[int]:
    """Where a fault lies when the document is read from top to bottom; what an object lacks comes after its keys."""
    position, value = [], document
    for step in fault.absolute_path:
        position.append(list(value).index(step) if isinstance(value, dict) else int(step))
        value = value[step]
    own_kind = "allOf" in fault.absolute_schema_path
    if fault.validator == "additionalProperties":
        position.append(list(value).index(_unknown(fault)[0]))
    elif "propertyNames" in fault.absolute_schema_path:
        position.append(list(value).index(fault.instance) + own_kind * (len(value) + 2))
    elif fault.validator == "required":
        position.append(len(value) + own_kind)
    return position


def _unknown(fault: _Fault) -> list[str]:
    return [key for key in fault.instance if key not in fault.schema.get("properties", {})]


def _path(steps: Iterable[str | int]) -> str:
    """``exclusions[1].from``: entries are counted from 1."""
    return "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in steps).removeprefix(".")


def _sentence(fault: _Fault) -> str:
    path, value, schema, expected = _path(fault.absolute_path), fault.instance, fault.schema, fault.validator_value
    if "allOf" in fault.absolute_schema_path:
        return _of_kind(fault, path)
    example = f" such as {schema['examples'][0]!r}" if "examples" in schema else ""
    match fault.validator:
        case "enum":
            near = nearest(value, expected) if isinstance(value, str) else ""
            return f"{path} must be one of {', '.join(expected)}, found {_shown(value)}{near}"
        case "type":
            types = [expected] if isinstance(expected, str) else expected
            if path and types == ["array"] and isinstance(value, dict):
                return f"{path} can be given several times; write its heading as [[{path}]]"
            kinds = " or ".join(_TYPES[name] for name in types)
            return f"{path or 'the document'} must be {kinds}{example}, found {_shown(value)}"
        case "additionalProperties":
            key = _unknown(fault)[0]
            return f"{_path([*fault.absolute_path, key])} is not a known key{nearest(key, schema['properties'])}"
        case "pattern":
            return f"{_path([*fault.absolute_path, value])} cannot be a key here; it must match {expected}"
        case "required":
            return _missing(_lacking(fault), schema["properties"], path)
        case "minItems" | "maxItems":
            fewest, most = schema.get("minItems", 0), schema.get("maxItems")
            count = f"{fewest} entries" if most == fewest else f"at least {fewest}"
            return f"{path} needs {count}, found {len(value)}"
        case "minLength":
            return f"{path} must be a text{example}, found {_shown(value)}"
    bound = {"minimum": "at least", "maximum": "at most", "exclusiveMinimum": "above"}[str(fault.validator)]
    return f"{path} must be {bound} {expected}, found {value}"


def _of_kind(fault: _Fault, path: str) -> str:
    """About keys that belong to one kind of entry (``if kind = ... then``)."""
    steps = list(fault.absolute_schema_path)
    schema: Any = site_schema()
    for step in steps[: steps.index("allOf")]:
        schema = schema[step]
    ((_, wanted),) = schema["allOf"][steps[steps.index("allOf") + 1]]["if"]["properties"].items()
    kind = wanted["const"]
    if fault.validator == "required":
        return f"{_missing(_lacking(fault), schema['properties'], path)} (kind {kind!r})"
    return f"{path}.{fault.instance} has no meaning for kind {kind!r}; known there: {', '.join(fault.validator_value)}"


def _lacking(fault: _Fault) -> str:
    missing: list[str] = [key for key in fault.validator_value if key not in fault.instance]
    return missing[0]


def _missing(key: str, properties: Mapping[str, Any], path: str) -> str:
    known = properties.get(key, {})
    example = f", for example {key} = {json.dumps(known['examples'][0])}" if "examples" in known else ""
    if "enum" in known:
        example = f", one of {', '.join(known['enum'])}"
    return f"{path} lacks {key}{example}" if path else f"[{key}] is missing; it declares what cannot be guessed"


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        return "a list"
    return json.dumps(value, ensure_ascii=False)
