"""Alternatives to what is declared: the same study with another spectrum, limit, filter, bank or transformer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from pqcheck.model.errors import SiteError, nearest
from pqcheck.site.site_values import Site

_SPECTRA = ("harmonics", "spectrum", "spectrum_file")
_OF_A_LOAD = (*_SPECTRA, "demand_factor", "managed_at_most", "active_filter")


def varied(site: Site, variant: Mapping[str, Any]) -> Site:
    """The site with a variant in place of what is declared. Raises `SiteError` for a load that is not there."""
    names = [load["name"] for load in site.new_load]
    for name in variant["loads"]:
        if name not in names:
            raise SiteError(
                f"variant {variant['name']!r} changes {name!r}, which is no [[new_load]]{nearest(name, names)}"
            )
    changes = {key: variant[key] for key in _OF_A_LOAD if key in variant}
    loads = [_changed(load, changes) if _meant(load, variant) else dict(load) for load in site.new_load]
    if "capacitor" in variant:
        loads.append(
            {
                "name": f"bank of {variant['name']}", "count": 1, "phases": (), "connection": "delta",
                "reactive_power": variant["capacitor"], "detuning": variant.get("detuning", 0),
            }
        )  # fmt: skip
    other = {key: variant[key] for key in ("transformer", "transformer_impedance") if key in variant}
    left = {"transformer_units"} if "transformer" in other else set()
    ratings = {key: value for key, value in site.ratings.items() if key not in left}
    return replace(site, new_load=tuple(loads), ratings={**ratings, **other}, variants=())


def _meant(load: Mapping[str, Any], variant: Mapping[str, Any]) -> bool:
    """Whether the variant is about a load: named, or any that draws power where none is."""
    return load["name"] in variant["loads"] if variant["loads"] else "reactive_power" not in load


def _changed(load: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    kept = dict(load)
    if any(key in changes for key in _SPECTRA):
        kept = {key: value for key, value in kept.items() if key not in _SPECTRA}
    return {**kept, **changes}
