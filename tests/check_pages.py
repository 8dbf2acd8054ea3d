"""The pages about the checks of a recording, made from their catalogue, thresholds and dependencies.

`python -m tests.generated_pages` writes them.
"""

from __future__ import annotations

from collections.abc import Container
from typing import Any

from pqcheck.vetting import dependencies, thresholds
from pqcheck.vetting.catalogue import catalogue


def pages() -> dict[str, str]:
    """File name to text of every page."""
    checks: dict[str, dict[str, Any]] = catalogue()["checks"]
    return {f"{name}.md": page(name, entry) for name, entry in checks.items()} | {"index.md": index(checks)}


ON_DEMAND = """\
A page per check, with how it works, its thresholds, its reason codes and the verdicts its doubt refuses, is built
on demand and at release (`python -m tests.generated_pages --all FOLDER`); one stays here as a sample."""


def index(checks: dict[str, dict[str, Any]], linked: Container[str] | None = None) -> str:
    """The list of all checks; with links to the pages of those `linked`, to all pages by default."""

    def line(name: str, entry: dict[str, Any]) -> str:
        shown = f"[{name}]({name}.md)" if linked is None or name in linked else f"`{name}`"
        return f"| {shown} | {entry['title']} | {', '.join(f'`{code}`' for code in entry['codes'])} |"

    return "\n".join([
        "# Checks of the recording itself",
        "",
        "How they work together: [soundness](../method/soundness.md).",
        *([] if linked is None else [ON_DEMAND]),
        "",
        "## Danger signs", "", "| sign | what | reason codes |", "|---|---|---|",
        *(line(name, entry) for name, entry in checks.items() if entry["kind"] == "safety"), "",
        "## Checks", "", "| check | question | reason codes |", "|---|---|---|",
        *(line(name, entry) for name, entry in checks.items() if entry["kind"] != "safety"), "",
        "## Codes that any check may use", "",
        *(f"- `{code}`: {title}" for code, title in catalogue()["common_codes"].items()), "",
    ])


def page(name: str, entry: dict[str, Any]) -> str:
    """One page with fixed headings."""
    parts = [f"# {name}: {entry['title']}", ""]
    if entry["kind"] == "safety":
        parts += ["A danger sign: kind `safety`, verdict fail, exit code 1, first in every output, never suppressed. "
                  "Its",
                  "absence says nothing about the safety of the installation.", ""]
    parts += ["## What is looked at", "", entry["looks_at"], "", "## How", "", entry["how"], "", "## Example", "",
              f"> {entry['example']}", "", "## Thresholds", ""]
    own = thresholds.table().get(name, {})
    if own:
        parts += ["None is taken from a standard.", "", "| threshold | value | unit | basis | why |",
                  "|---|---|---|---|---|"]
        parts += [f"| `{key}` | {_value(row['value'])} | {row['unit']} | {row['basis']} | {row['why']} |"
                  for key, row in own.items()]
    else:
        parts.append("None.")
    parts += ["", "## Reason codes", ""]
    for code, title in entry["codes"].items():
        parts += [f"### `{code}`", "", f"{title}.", "", *_refused(code)]
    return "\n".join(parts).rstrip() + "\n"


def _value(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {number:g}" for key, number in value.items())
    if isinstance(value, list) and value and isinstance(value[0], list):
        return "; ".join(f"{row[0]} V {row[1]}" for row in value)
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


WORDS = {
    "same": "the phases concerned", "all": "the whole system", "total": "the total", "power": "the phases concerned",
}


def _refused(code: str) -> list[str]:
    entry = dependencies.table().get(code)
    if entry is None:
        return ["Refuses no verdict.", ""]
    head = "Only fails may be concluded from:" if entry["allows"] == "lower bound" else "Refuses verdicts on:"
    rows = [head, ""]
    for row in entry["refuses"]:
        what = "the quantity " \
               "itself" if row["quantities"] == ["*"] else ", ".join(f"`{name}`" for name in row["quantities"])
        word, _, condition = row["phases"].partition(" if ")
        only = f" (only where the doubt is about {condition})" if condition else ""
        rows.append(f"- {what}, {WORDS[word]}{only}: {row['why']}")
    return [*rows, ""]
