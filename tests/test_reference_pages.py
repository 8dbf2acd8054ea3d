"""Pages that must name everything there is: quantities in the glossary, keys in the page about the site file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pqcheck.model.quantities import QUANTITIES
from pqcheck.site.load_site import site_from
from pqcheck.site.site_structure import site_schema

DOCS = Path(__file__).resolve().parent.parent / "docs"
GLOSSARY = (DOCS / "glossary.md").read_text(encoding="utf-8")
SITE_FILE = (DOCS / "reference" / "site-file.md").read_text(encoding="utf-8")


def test_the_glossary_has_every_quantity_with_unit_and_phases() -> None:
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \| ([^|]+) \|", GLOSSARY, flags=re.MULTILINE)
    written = {name: (unit.strip(), tuple(phases.replace("-", "").split())) for name, unit, phases in rows}
    assert written == {name: (quantity.unit, quantity.phases) for name, quantity in QUANTITIES.items()}


def keys(schema: Mapping[str, Any]) -> Iterator[str]:
    for key, below in schema.get("properties", {}).items():
        yield key
        yield from keys(below)
    if isinstance(schema.get("items"), dict):
        yield from keys(schema["items"])


def test_the_page_names_every_key_of_the_site_file() -> None:
    known = sorted(set(keys(site_schema())))
    assert len(known) >= 165
    assert [key for key in known if not re.search(rf"[`\[]{key}[`\]]", SITE_FILE)] == []


def choices(schema: Mapping[str, Any]) -> Iterator[str]:
    yield from schema.get("enum", ())
    for below in [*schema.get("properties", {}).values(), *([schema["items"]] if "items" in schema else [])]:
        yield from choices(below)


def test_the_page_names_every_choice() -> None:
    known = sorted(set(choices(site_schema())) - {".", ","})
    assert len(known) >= 44
    assert [choice for choice in known if f"`{choice}`" not in SITE_FILE] == []


def test_the_example_of_the_page_is_a_site_file() -> None:
    import tomllib

    block = re.search(r"```toml\n(.*?)```", SITE_FILE, flags=re.DOTALL)
    assert block
    assert site_from(tomllib.loads(block[1]), "example.toml").supply.line_to_neutral == 230
