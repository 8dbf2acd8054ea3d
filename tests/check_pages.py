"""The pages about the checks of a recording, made from the checks.

`python -m tests.generated_pages` writes them.
"""

from __future__ import annotations

from collections.abc import Container

from pqcheck.vet.check_definition import COMMON_CODES, ITSELF, Check
from pqcheck.vet.checks import CHECKS


def pages() -> dict[str, str]:
    """File name to text of every page."""
    return {f"{check.name}.md": page(check) for check in CHECKS} | {"index.md": index()}


ON_DEMAND = """\
A page per check, with how it works, its thresholds, its reason codes and the verdicts its doubt refuses, is built
on demand and at release (`python -m tests.generated_pages --all FOLDER`); one stays here as a sample."""


def index(linked: Container[str] | None = None) -> str:
    """The list of all checks; with links to the pages of those `linked`, to all pages by default."""

    def line(check: Check) -> str:
        shown = f"[{check.name}]({check.name}.md)" if linked is None or check.name in linked else f"`{check.name}`"
        return f"| {shown} | {check.question} | {', '.join(f'`{code}`' for code in check.codes)} |"

    return "\n".join([
        "# Checks of the recording itself",
        "",
        "How they work together: [soundness](../method/soundness.md).",
        *([] if linked is None else [ON_DEMAND]),
        "",
        "## Danger signs", "", "| sign | what | reason codes |", "|---|---|---|",
        *(line(check) for check in CHECKS if check.danger), "",
        "## Checks", "", "| check | question | reason codes |", "|---|---|---|",
        *(line(check) for check in CHECKS if not check.danger), "",
        "## Codes that any check may use", "",
        *(f"- `{code}`: {title}" for code, title in COMMON_CODES.items()), "",
    ])


def page(check: Check) -> str:
    """One page with fixed headings."""
    parts = [f"# {check.name}: {check.question}", ""]
    if check.danger:
        parts += ["A danger sign: kind `safety`, verdict fail, exit code 1, first in every output, never suppressed. "
                  "Its",
                  "absence says nothing about the safety of the installation.", ""]
    parts += ["## What is looked at", "", check.looks_at, "", "## How", "", check.how, "", "## Example", "",
              f"> {check.example}", "", "## Thresholds", ""]
    if check.thresholds:
        parts += ["None is taken from a standard.", "", "| threshold | value | unit | basis | why |",
                  "|---|---|---|---|---|"]
        parts += [f"| `{name}` | {_value(row.value)} | {row.unit} | {row.basis} | {row.why} |"
                  for name, row in check.thresholds.items()]
    else:
        parts.append("None.")
    parts += ["", "## Reason codes", ""]
    for code, title in check.codes.items():
        parts += [f"### `{code}`", "", f"{title}.", "", *_refused(check, code)]
    return "\n".join(parts).rstrip() + "\n"


def _value(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {number:g}" for key, number in value.items())
    if isinstance(value, tuple) and isinstance(value[0], tuple) and isinstance(value[0][0], str):
        return "; ".join(f"{row[0]}: {row[1]} to {row[2]}" for row in value)
    if isinstance(value, tuple) and isinstance(value[0], tuple):
        return "; ".join(f"{row[0]} V {row[1]}" for row in value)
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


WORDS = {
    "same": "the phases concerned", "all": "the whole system", "total": "the total", "power": "the phases concerned",
}


def _refused(check: Check, code: str) -> list[str]:
    if code not in check.refuses:
        return ["Refuses no verdict.", ""]
    rows = ["Only fails may be concluded from:" if check.lower_bound else "Refuses verdicts on:", ""]
    for refusal in check.refuses[code]:
        itself = refusal.quantities == ITSELF
        what = "the quantity itself" if itself else ", ".join(f"`{name}`" for name in refusal.quantities)
        only = f" (only where the doubt is about {refusal.only_if})" if refusal.only_if else ""
        rows.append(f"- {what}, {WORDS[refusal.phases]}{only}: {refusal.why}")
    return [*rows, ""]
