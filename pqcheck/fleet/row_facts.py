"""What a registry row declares of its site: a site file, or facts in columns that make the same document as one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.site.fields import Place
from pqcheck.site.load_site import load_site, site_from
from pqcheck.site.site_values import Site

FACTS = {
    "name": (None, "text"),
    "time_zone": (None, "text"),
    "nominal_voltage": ("supply", "V"),
    "connection": ("supply", "text"),
    "frequency": ("supply", "Hz"),
    "measured_at": ("supply", "text"),
    "nominal_basis": ("supply", "text"),
    "high_leg": ("supply", "text"),
    "is_pcc": ("pcc", "yes or no"),
    "short_circuit_current": ("pcc", "A"),
    "maximum_demand_current": ("pcc", "A"),
    "demand_basis": ("pcc", "text"),
    "rated_current": ("pcc", "A"),
    "stamp": ("recording", "text"),
    "interval": ("recording", "text"),
    "extremes_of": ("recording", "text"),
}
"""Column, its section of the site file, and what a cell is: a text, yes or no, or an amount in this unit if bare."""

_YES_OR_NO = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


def declared_site(cells: Mapping[str, str], folder: Path, source: str) -> Site:
    """The site of a row; `source` names the row in messages. Raises `SiteError` when it declares nothing usable."""
    facts = [name for name in FACTS if name in cells and name != "name"]
    if "declared" in cells:
        if facts:
            raise SiteError(
                f"{source} names the site file {cells['declared']} and declares {facts[0]} itself; keep one of the two"
            )
        return load_site(folder / cells["declared"])
    if not facts:
        raise SiteError(f"{source} declares nothing: name a site file under declared, or give nominal_voltage")
    return site_from(_document(cells, source), source)


def _document(cells: Mapping[str, str], source: str) -> dict[str, Any]:
    document: dict[str, Any] = {"name": cells["site"]}
    for name, (section, kind) in FACTS.items():
        if name in cells:
            (document if section is None else document.setdefault(section, {}))[name] = _value(
                cells[name], kind, f"{source}: {name}"
            )
    return document


def _value(text: str, kind: str, where: str) -> str | bool:
    if kind == "yes or no":
        if text.lower() not in _YES_OR_NO:
            raise SiteError(f"{where} = {text!r}; write yes or no")
        return _YES_OR_NO[text.lower()]
    return f"{text} {kind}" if kind != "text" and re.fullmatch(r"[\d.]+", text) else text


def validity(cells: Mapping[str, str], site: Site, source: str) -> tuple[int | None, int | None]:
    """From when (inclusive) to when (exclusive) the row holds, in UTC microseconds; None is open to that side.

    In the site's zone unless an offset is written, in UTC where the site has none; a bare day is its first moment.
    """
    from zoneinfo import ZoneInfo

    place = Place(source, ZoneInfo(site.time_zone or "UTC"))
    start, end = (place.instant(cells, key) if key in cells else None for key in ("valid_from", "valid_to"))
    if start is not None and end is not None and end <= start:
        raise SiteError(f"{source}: valid_to ({cells['valid_to']}) does not lie after valid_from; correct one of them")
    return start, end
