"""Spectra of new loads: percent of the fundamental by order, from the site file, a file, or the ideal ones here."""

from __future__ import annotations

import functools
import json
import math
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from importlib import resources
from pathlib import Path
from typing import Any

from msgspec import Struct

from pqcheck.loads.csv_rows import csv_rows
from pqcheck.model.errors import SiteError, nearest
from pqcheck.model.quantities import HIGHEST_ORDER

MOST_PERCENT = 300.0
"""A component above three times the fundamental is a unit mistaken, not a load."""

_BASE = re.compile(r"(%|percent)( of (the )?fundamental)?|A|amperes?", re.IGNORECASE)


class LoadSpectrum(Struct, frozen=True):
    """Percent of the fundamental by order from 2 on, ascending; `source` says where it comes from."""

    percent: Mapping[int, float]
    source: str

    @property
    def thd(self) -> float:
        """Total distortion in percent of the fundamental."""
        return math.sqrt(sum(value * value for value in self.percent.values()))

    @property
    def rms_ratio(self) -> float:
        """True rms over fundamental."""
        return math.sqrt(1 + (self.thd / 100) ** 2)


@functools.cache
def library() -> Mapping[str, Mapping[str, Any]]:
    """The library of ideal spectra by name."""
    text = resources.files("pqcheck.loads").joinpath("spectra.json").read_text(encoding="utf-8")
    spectra: Mapping[str, Mapping[str, Any]] = json.loads(text)["spectra"]
    return spectra


def ideal(name: str, where: str) -> LoadSpectrum:
    """A spectrum of the library: ideal, 100/h percent at orders p k +- 1 of p pulses, or as listed there.

    Raises `SiteError` for an unknown name.
    """
    known = library()
    if name not in known:
        raise SiteError(
            f"{where}: the library has no spectrum {name!r}{nearest(name, known)} (it has {', '.join(known)})"
        )
    entry = known[name]
    pulses = entry["pulses"]
    percent: dict[int, float] = {int(order): value for order, value in entry.get("percent", {}).items()}
    if pulses is not None:
        for order in range(2, HIGHEST_ORDER + 1):
            if order % pulses in (1, pulses - 1):
                percent[order] = 100.0 / order
    return LoadSpectrum(percent, f"{name}: {entry['title']}. {entry['limits']}")


def spectrum_of(declared: Mapping[str, Any], where: str) -> LoadSpectrum:
    """The spectrum of a declared new load; without one the load is taken as linear, which the source says."""
    if "spectrum" in declared:
        return ideal(declared["spectrum"], where)
    if "spectrum_file" in declared:
        return spectrum_file(Path(declared["spectrum_file"]), where)
    if declared.get("harmonics"):
        percent = {order: float(value) for order, value in sorted(declared["harmonics"].items())}
        _check(percent, where)
        return LoadSpectrum(percent, "declared in the site file, percent of the fundamental")
    return LoadSpectrum({}, "none declared: taken as a linear load without harmonics")


def filtered(spectrum: LoadSpectrum, removed: Decimal | None) -> LoadSpectrum:
    """What an active filter leaves of a spectrum that removes this percentage of every order."""
    if removed is None:
        return spectrum
    left = 1 - float(removed) / 100
    percent = {order: value * left for order, value in spectrum.percent.items()}
    source = f"{spectrum.source.rstrip('.')}; an active filter removes {float(removed):g} % of every order, as declared"
    return LoadSpectrum(percent, source)


def spectrum_file(path: Path, where: str) -> LoadSpectrum:
    """A spectrum from a CSV file: a header ``order, current [% of fundamental]`` or ``order, current [A]``.

    In amperes the fundamental (order 1) must be there; in percent it may be, as 100. Raises `SiteError` for a file
    that cannot be read, one without a base or fundamental, and numbers that no spectrum has.
    """
    name = path.name
    rows = csv_rows(path, "spectrum", where)
    if len(rows) < 2:
        raise SiteError(f"{where}: the spectrum {name!r} holds no orders; write a header and one row for each order")
    amperes = _in_amperes(rows[0], name, where)
    values: dict[int, float] = {}
    for number, row in enumerate(rows[1:], start=2):
        order, value = _order_and_value(row, number, name, where)
        if order in values:
            raise SiteError(f"{where}: {name!r} row {number} gives order {order} a second time; keep one of them")
        values[order] = value
    fundamental = values.pop(1, None)
    if amperes and not fundamental:
        raise SiteError(
            f"{where}: the spectrum {name!r} is in amperes and has no fundamental; add the row of order 1, or give "
            "percent of the fundamental"
        )
    if amperes:
        assert fundamental is not None
        values = {order: 100 * value / fundamental for order, value in values.items()}
    elif fundamental is not None and abs(fundamental - 100) > 1:
        raise SiteError(
            f"{where}: the spectrum {name!r} has {fundamental:g} % at order 1, so its base is not the fundamental; "
            "give percent of the fundamental, or amperes with the fundamental"
        )
    percent = dict(sorted(values.items()))
    _check(percent, where)
    return LoadSpectrum(percent, f"file {name}")


def _in_amperes(header: Sequence[str], name: str, where: str) -> bool:
    base = re.search(r"\[([^\]]+)\]", header[1]) if len(header) > 1 else None
    if header[0].lower() not in ("order", "h") or base is None or not _BASE.fullmatch(base[1].strip()):
        raise SiteError(
            f"{where}: the spectrum {name!r} does not say its base; write the header as 'order, current [% of "
            "fundamental]' or 'order, current [A]'"
        )
    return base[1].strip()[0] in "Aa"


def _order_and_value(row: Sequence[str], number: int, name: str, where: str) -> tuple[int, float]:
    try:
        order, value = int(row[0]), float(row[1])
    except (ValueError, IndexError):
        raise SiteError(
            f"{where}: {name!r} row {number} is no pair of order and value; write one such as '5, 20'"
        ) from None
    if not 1 <= order <= HIGHEST_ORDER or not math.isfinite(value) or value < 0:
        raise SiteError(
            f"{where}: {name!r} row {number}: order {order} with {value:g} cannot be; orders run from 1 to "
            f"{HIGHEST_ORDER} and values are zero or more"
        )
    return order, value


def _check(percent: Mapping[int, float], where: str) -> None:
    for order, value in percent.items():
        if value > MOST_PERCENT:
            raise SiteError(
                f"{where}: order {order} has {value:g} % of the fundamental, which no load has; check the base"
            )
