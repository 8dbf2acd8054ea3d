"""A JSON file beside a recording that says what its columns are, in the style of Table Schema.

``week.csv.columns.json`` belongs to ``week.csv``. Each field carries `name` and, for a channel, `quantity`, `phase`,
`order`, `statistic` and `unit`; the field of the stamps has the type "datetime" and may say `stamp` (start or end).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.headers.exact_names import TIME, mapped_channel
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel
from pqcheck.model.small_files import parse_json, read_small
from pqcheck.site.site_values import Reading, Site, Supply

ENDING = ".columns.json"


NOTHING = Site("", None, Supply("", None, None, ""))
"""A site of which nothing is known."""


class Sidecar(Struct, frozen=True):
    """What the file says: contract headers by column name, and the meaning of the stamps."""

    columns: Mapping[str, str]
    stamp: str | None


def sidecar_of(path: Path) -> Sidecar | None:
    """The sidecar beside a recording; InputError when it is malformed."""
    place = Path(f"{path}{ENDING}")
    try:
        document = parse_json(read_small(place).decode("utf-8-sig"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise InputError(f"{place.name} cannot be read as JSON ({error}); write it again or remove it") from None
    fields = document.get("fields") if isinstance(document, dict) else None
    if not isinstance(fields, list):
        raise InputError(f"{place.name} has no list 'fields'; write it again with `pqcheck columns --write`")
    columns: dict[str, str] = {}
    stamp = None
    for number, field in enumerate(fields):
        if not isinstance(field, dict) or not isinstance(field.get("name"), str):
            raise InputError(f"{place.name}: field {number + 1} has no name")
        if field.get("type") == "datetime":
            columns[field["name"]] = TIME
            stamp = field.get("stamp")
            if stamp not in (None, "start", "end"):
                raise InputError(f"{place.name}: stamp is {stamp!r}; write start or end")
        elif "quantity" in field:
            columns[field["name"]] = _header(field)
            mapped_channel(field["name"], columns[field["name"]])
    return Sidecar(columns, stamp)


def _header(field: Mapping[str, Any]) -> str:
    parts = [str(field["quantity"])]
    if field.get("phase"):
        parts.append(str(field["phase"]))
    if field.get("order") is not None:
        parts.append(f"h{field['order']}")
    if field.get("hertz") is not None:
        parts.append(f"f{field['hertz']}")
    if field.get("statistic") not in (None, "mean"):
        parts.append(str(field["statistic"]))
    unit = field.get("unit")
    return ".".join(parts) + (f" [{unit}]" if unit else "")


def with_sidecar(site: Site | None, sidecar: Sidecar | None) -> Site | None:
    """The site with the columns of a sidecar; what the site file itself maps wins."""
    if sidecar is None:
        return site
    base = site if site is not None else NOTHING
    reading: Reading = base.recording
    return replace(base, recording=replace(reading, columns={**sidecar.columns, **reading.columns}))


def sidecar_text(time_headers: Mapping[str, str | None], channels: Mapping[str, Channel], blanks: list[str]) -> str:
    """The JSON of a sidecar. `time_headers` gives the stamp meaning per time column."""
    fields: list[dict[str, Any]] = []
    for name, stamp in time_headers.items():
        fields.append({"name": name, "type": "datetime", **({"stamp": stamp} if stamp else {})})
    for name, channel in channels.items():
        field: dict[str, Any] = {"name": name, "type": "number", "quantity": channel.quantity}
        if channel.phase:
            field["phase"] = channel.phase
        if channel.order is not None:
            field["order"] = channel.order
        if channel.hertz is not None:
            field["hertz"] = channel.hertz
        field["statistic"] = channel.reading
        field["unit"] = channel.unit
        fields.append(field)
    return json.dumps({"fields": fields, "missingValues": blanks}, indent=1, ensure_ascii=False) + "\n"
