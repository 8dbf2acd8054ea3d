"""The site file: TOML (or a mapping of the same shape) to a frozen `Site`.

Described in docs/reference/site-file.md and by ``site.schema.json``.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from pqcheck.model.clock import unknown_zone
from pqcheck.model.errors import SiteError, nearest
from pqcheck.model.quantities import ASKED
from pqcheck.model.small_files import parse_toml, read_small
from pqcheck.site.fields import Place
from pqcheck.site.measuring import (
    correction_from,
    events_from,
    exclusion_from,
    instrument_from,
    reading_from,
    reported_from,
    spot_check_from,
)
from pqcheck.site.new_load import new_load_from, variant_from
from pqcheck.site.pcc import generation_from, pcc_from
from pqcheck.site.ratings import load_study_from, ratings_from, source_impedance_from, tariff_from
from pqcheck.site.scenario import gate_from, scenario_from
from pqcheck.site.site_structure import STARTER, check_structure
from pqcheck.site.site_values import Coverage, Criterion, Generation, Reading, Site
from pqcheck.site.supply import supply_from

_FILES = (("report", "logo"), ("report", "style_sheet"), ("waivers", "file"))
"""Keys that name files, relative to the site file."""

_LISTED_FILES = (("new_load", "profile"), ("new_load", "spectrum_file"), ("variant", "spectrum_file"))
"""The same, in sections that are lists."""

_RECORDINGS = (".csv", ".txt", ".tsv", ".gz", ".zip", ".parquet", ".xlsx")
_NO_SITE_FILE = "{} looks like a recording and is no site file; name the site file (TOML) behind --site"

_Entry = TypeVar("_Entry")


def load_site(path: str | os.PathLike[str]) -> Site:
    """The site that a TOML file declares. Files it names are looked for beside it.

    Raises `SiteError` when the file cannot be read, is not TOML, holds an unknown key or a value of the wrong type,
    or declares something that cannot be; the sentence names the file, the key and what to write.
    """
    file = Path(path)
    try:
        text = read_small(file).decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        begin = f", or {STARTER}" if isinstance(error, FileNotFoundError) else ""
        raise SiteError(f"the site file {file.name!r} cannot be read: {reason}; check the path given{begin}") from None
    except UnicodeDecodeError as error:
        if file.suffix.lower() in _RECORDINGS:
            raise SiteError(_NO_SITE_FILE.format(file.name)) from None
        raise SiteError(f"{file.name}: byte {error.start} is not UTF-8; save the site file as UTF-8 text") from None
    try:
        document = parse_toml(text)
    except ValueError as error:
        if file.suffix.lower() in _RECORDINGS:
            raise SiteError(_NO_SITE_FILE.format(file.name)) from None
        raise SiteError(f"{file.name}: not valid TOML: {error}") from None
    return _site(document, file.name, file.parent)


def site_from(mapping: Mapping[str, Any], name_of_source: str = "site") -> Site:
    """The site that a mapping of the shape of a site file declares; times as `datetime` or ISO 8601 text.

    Raises `SiteError` as `load_site` does, with `name_of_source` as the name of the file.
    """
    return _site(mapping, name_of_source, None)


def _site(mapping: Mapping[str, Any], source: str, folder: Path | None) -> Site:
    document = _plain(mapping, source)
    check_structure(document, source)
    place = Place(source, _zone(document.get("time_zone"), source))
    limits = document.get("limits", {})
    for number, name in enumerate(limits.get("quantities", ()), start=1):
        if name not in ASKED:
            where = place.at("limits").at("quantities").entry(number)
            raise SiteError(f"{where} names no quantity: {name!r} is not known{nearest(name, ASKED)}")
    declared = _without_folders(document)
    document = _located(document, folder)
    sections: dict[str, Any] = {
        key: document.get(key, {}) for key in ("recording", "instrument", "ratings", "scenario", "report", "waivers")
    }

    def entries(key: str, build: Callable[[Mapping[str, Any], Place], _Entry]) -> tuple[_Entry, ...]:
        return tuple(build(entry, place.at(key).entry(n)) for n, entry in enumerate(document.get(key, ()), start=1))

    return Site(
        name=document.get("name", source.removesuffix(".toml")),
        time_zone=document.get("time_zone"),
        supply=supply_from(document["supply"], place.at("supply")),
        pcc=pcc_from(document["pcc"], place.at("pcc")) if "pcc" in document else None,
        generation=(
            generation_from(document["generation"], place.at("generation")) if "generation" in document
            else Generation()
        ),
        recording=reading_from(sections["recording"], place.at("recording")) if sections["recording"] else Reading(),
        events=events_from(document["events"], place.at("events")) if "events" in document else {},
        exclusions=entries("exclusions", exclusion_from),
        corrections=entries("corrections", correction_from),
        criteria=entries("criteria", _criterion),
        coverage=_coverage(document["coverage"], place.at("coverage")) if "coverage" in document else None,
        apply=tuple(document.get("limits", {}).get("apply", ())),
        quantities=tuple(limits.get("quantities", ())),
        may_not_apply=tuple(limits.get("may_not_apply", ())),
        instrument=instrument_from(sections["instrument"], place.at("instrument")),
        ratings=ratings_from(sections["ratings"], place.at("ratings")),
        reported=entries("reported", reported_from),
        spot_checks=entries("spot_checks", spot_check_from),
        new_load=entries("new_load", new_load_from),
        variants=entries("variant", variant_from),
        source_impedance=source_impedance_from(document.get("source_impedance", {}), place.at("source_impedance")),
        load_study=load_study_from(document.get("load_study", {}), place.at("load_study")),
        tariff=tariff_from(document.get("tariff", {})),
        scenario=scenario_from(
            sections["scenario"], document.get("pcc", {}), document["supply"]["connection"], place.at("scenario")
        ),
        gate=gate_from(document.get("gate", {}), place.at("gate")),
        report=sections["report"],
        waivers=sections["waivers"],
        declared=declared,
    )


def _criterion(section: Mapping[str, Any], place: Place) -> Criterion:
    share = _share(section, place)
    return Criterion(section["table"], section["range"], share, section["period"], section["policy_of"])


def _coverage(section: Mapping[str, Any], place: Place) -> Coverage:
    return Coverage(_share(section, place), section["policy_of"])


def _share(section: Mapping[str, Any], place: Place) -> Decimal:
    share = place.percent(section, "at_least_percent", most=Decimal(100))
    if not share:
        raise SiteError(f"{place.at('at_least_percent')} must be above 0 %")
    if share <= 1:
        raise SiteError(
            f"{place.at('at_least_percent')} = {section['at_least_percent']!r} is at most 1 %, which decides nothing; "
            f"a share is written in percent: {share * 100:f} for a fraction of {share:f}"
        )
    return share


def _zone(name: str | None, source: str) -> ZoneInfo | None:
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise SiteError(f"{source}: time_zone = {unknown_zone(name)}") from None


def _plain(value: Any, source: str, path: str = "") -> Any:
    """The document in plain JSON types, times as ISO 8601 text."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item, source, f"{path}.{key}" if path else str(key)) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item, source, f"{path}[{place}]") for place, item in enumerate(value, start=1)]
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, Decimal):
        return _plain(int(value) if value == value.to_integral_value() else float(value), source, path)
    if isinstance(value, float) and not math.isfinite(value):
        raise SiteError(f"{source}: {path} = {value} is not a number that can be used")
    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    raise SiteError(f"{source}: {path} holds a {type(value).__name__}; write a text, number, list or section")


def _file_name(text: str) -> str:
    """A path without its folders, whichever way its slashes lean."""
    return re.split(r"[\\/]", text)[-1]


def _changed_paths(document: Mapping[str, Any], change: Callable[[str], str]) -> dict[str, Any]:
    """A copy with every key that names a file changed."""
    changed = dict(document)
    for section, key in _FILES:
        if key in changed.get(section, {}):
            changed[section] = {**changed[section], key: change(changed[section][key])}
    for section, key in _LISTED_FILES:
        if section in changed:
            changed[section] = [
                {**entry, key: change(entry[key])} if key in entry else entry for entry in changed[section]
            ]
    tables = changed.get("limits", {}).get("apply")
    if tables:
        named = [change(table) if table.endswith(".json") else table for table in tables]
        changed["limits"] = {**changed["limits"], "apply": named}
    return changed


def _without_folders(document: Mapping[str, Any]) -> dict[str, Any]:
    """As declared, but free of folders, which differ from machine to machine."""
    return _changed_paths(document, _file_name)


def _located(document: Mapping[str, Any], folder: Path | None) -> dict[str, Any]:
    """Files named in the site file lie relative to it."""
    return dict(document) if folder is None else _changed_paths(document, lambda text: str(folder / text))
