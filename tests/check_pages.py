"""The pages of docs/checks/, made from the checks.

    python -m tests.check_pages

writes them; a test fails while one of them differs.
"""

from __future__ import annotations

from pathlib import Path

from pqcheck.vetting.check import COMMON_CODES, ITSELF, Check
from pqcheck.vetting.checks import CHECKS

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "checks"


def pages() -> dict[str, str]:
    """File name to text of every page."""
    return {f"{check.name}.md": page(check) for check in CHECKS} | {"index.md": index()}


def index() -> str:
    """The table of contents."""
    rows = [_line(check) for check in CHECKS if not check.danger]
    signs = [_line(check) for check in CHECKS if check.danger]
    common = [f"- `{code}`: {title}" for code, title in COMMON_CODES.items()]
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


def _line(check: Check) -> str:
    return f"| [{check.name}]({check.name}.md) | {check.question} |"


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
        parts += [f"| `{name}` | {_value(one.value)} | {one.unit} | {one.basis} | {one.why} |"
                  for name, one in check.thresholds.items()]
    else:
        parts.append("None.")
    parts += ["", "## Reason codes", ""]
    for code, title in check.codes.items():
        parts += [f"### `{code}`", "", f"{title}.", "", *_refused(check, code)]
    return "\n".join(parts).rstrip() + "\n"


def _value(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {number:g}" for key, number in value.items())
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
        what = "the quantity itself" if itself else ", ".join(f"`{one}`" for one in refusal.quantities)
        only = f" (only where the doubt is about {refusal.only_if})" if refusal.only_if else ""
        rows.append(f"- {what}, {WORDS[refusal.phases]}{only}: {refusal.why}")
    return [*rows, ""]


def main() -> None:
    """Write the pages."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
