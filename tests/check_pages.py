"""The pages of docs/checks/, made from the catalogue, the thresholds and the dependencies of the checks.

    python -m tests.check_pages

writes them; a test fails while one of them differs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pqcheck.vetting import dependencies, thresholds
from pqcheck.vetting.catalogue import catalogue

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "checks"


def pages() -> dict[str, str]:
    """File name to text of every page."""
    checks: dict[str, dict[str, Any]] = catalogue()["checks"]
    found = {f"{name}.md": page(name, entry) for name, entry in checks.items()}
    found["index.md"] = index(checks)
    return found


def index(checks: dict[str, dict[str, Any]]) -> str:
    """The table of contents."""
    rows = [_line(name, entry) for name, entry in checks.items() if entry["kind"] != "safety"]
    signs = [_line(name, entry) for name, entry in checks.items() if entry["kind"] == "safety"]
    common = [f"- `{code}`: {title}" for code, title in catalogue()["common_codes"].items()]
    return "\n".join([
        "# Checks of the recording itself",
        "",
        "One page per check: what it looks at, how, its thresholds and reason codes, and which verdicts its doubt "
        "refuses.",
        "How they work together: [soundness](../method/soundness.md). These pages are generated (`python -m",
        "tests.check_pages`).",
        "",
        "## Danger signs", "", "| sign | what |", "|---|---|", *signs, "",
        "## Checks", "", "| check | question |", "|---|---|", *rows, "",
        "## Codes that any check may use", "", *common, "",
    ])


def _line(name: str, entry: dict[str, Any]) -> str:
    return f"| [{name}]({name}.md) | {entry['title']} |"


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
               "itself" if row["quantities"] == ["*"] else ", ".join(f"`{one}`" for one in row["quantities"])
        word, _, condition = row["phases"].partition(" if ")
        only = f" (only where the doubt is about {condition})" if condition else ""
        rows.append(f"- {what}, {WORDS[word]}{only}: {row['why']}")
    return [*rows, ""]


def main() -> None:
    """Write the pages."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
