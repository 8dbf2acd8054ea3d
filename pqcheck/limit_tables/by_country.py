"""Which shipped limit tables a country's supply may be judged by. Which edition or rule binds, law and contract say."""

from __future__ import annotations

from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import LimitTableError

_EN_50160 = frozenset((
    "AT", "BE", "BG", "CH", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GB", "GR", "HR", "HU", "IE",
    "IS", "IT", "LT", "LU", "LV", "MK", "MT", "NL", "NO", "PL", "PT", "RO", "RS", "SE", "SI", "SK", "TR",
))
"""Countries whose committees are members of CENELEC and publish EN 50160 as a national standard (from memory)."""

_FAMILIES = {"en50160-": _EN_50160, "ansi-c84.1-": frozenset({"US"}), "nfpa70-": frozenset({"US"}),
             "ieee519-": frozenset({"US", "CA"})}
"""Tables of several countries; a table of one country begins with its code."""

_LEVELS = ("lv", "mv", "hv")


def tables_that_fit(country: str, level: str = "") -> tuple[str, ...]:
    """Ids of the shipped tables for a country (ISO 3166-1 code of two letters), national ones first.

    `level` (lv, mv, hv) leaves out what is written for another one; empty: all. Raises `LimitTableError` for a text
    that is no such code.
    """
    code = country.strip().upper()
    if len(code) != 2 or not code.isascii() or not code.isalpha():
        raise LimitTableError(f"country {country!r} is no code of two letters; write one such as PT, SE or US")
    code = {"UK": "GB", "EL": "GR"}.get(code, code)
    national = [name for name in table_ids() if name.startswith(f"{code.lower()}-")]
    shared = [
        name for name in reversed(table_ids())
        for family, countries in _FAMILIES.items() if name.startswith(family) and code in countries
    ]
    return tuple(name for name in national + shared if not level or _level(name) in ("", level))


def _level(name: str) -> str:
    last = name.rsplit("-", 1)[-1]
    return last if last in _LEVELS else ""
