"""The notebook of docs/, made and executed from the cells below.

    python -m tests.notebook        writes docs/notebook.ipynb anew

tests/test_notebook.py fails when the notebook that is kept and the program differ. Needs nbclient and ipykernel.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PLACE = ROOT / "docs" / "notebook.ipynb"

CELLS: tuple[tuple[str, str], ...] = (
    ("markdown", """\
# A check in a notebook

The recording and the place are invented (`pqcheck demo`). Everything here works the same with files of your own,
with arrays and with data frames. This notebook is executed anew with every release: `python -m tests.notebook`."""),
    ("code", """\
import tempfile

import pandas

from pqcheck import check
from pqcheck.workflows.make_demo import write_demo

pandas.set_option("display.max_columns", 20)
folder = tempfile.TemporaryDirectory()
files, _ = write_demo(folder.name)
found = check([files.recording, files.flicker], files.site)"""),
    ("markdown", """\
A result shows itself: danger signs first (there is none here), the answer, the criteria that matter most,
and how near each is to its limit."""),
    ("code", "found"),
    ("code", "print(repr(found))"),
    ("markdown", """\
`to_frame()` has one row per finding. Its columns and types do not depend on what was found, so that a program can
rely on them. What was not shown stands there too: nobody can take it for a pass."""),
    ("code", """\
frame = found.to_frame()
limits = frame[frame["kind"] == "limit"]
limits.groupby(["rule", "verdict"]).size().unstack(fill_value=0)"""),
    ("code", """\
failed = limits[limits["verdict"] == "fail"]
failed[["rule", "phase", "order", "statistic_value", "limit_high", "limit_low", "statistic_unit", "intervals_outside",
        "intervals_allowed"]].reset_index(drop=True)"""),
    ("markdown", """\
`windows_frame()` has one row per stretch outside a limit, with the file rows where it stands.
Which hours of the day are they?"""),
    ("code", """\
windows = found.windows_frame()
unbalance = windows[windows["rule"] == "unbalance-week-95"]
unbalance[["start", "end", "intervals", "worst", "unit", "rows"]]"""),
    ("code", """\
hours = unbalance["start"].dt.tz_convert("Europe/Lisbon").dt.hour
unbalance.groupby(hours)["intervals"].sum().rename_axis("hour of the day")"""),
    ("markdown", """\
A report to hand over, or a workbook with findings, windows and percentiles, is written on the command line:
`pqcheck check RECORDING... --site SITE.toml --out report.html findings.xlsx`."""),
)


def executed() -> dict[str, Any]:
    """The notebook with its outputs, without times and numbers that differ from run to run."""
    import nbformat
    from nbclient import NotebookClient

    cells = []
    for number, (kind, source) in enumerate(CELLS):
        cell = nbformat.v4.new_code_cell(source) if kind == "code" else nbformat.v4.new_markdown_cell(source)
        cell["id"] = f"cell-{number}"
        cells.append(cell)
    notebook = nbformat.v4.new_notebook(cells=cells)
    NotebookClient(notebook, kernel_name="python3", timeout=600).execute()
    for cell in notebook["cells"]:
        cell["metadata"] = {}
    notebook["metadata"] = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    nbformat.validate(notebook)
    document: dict[str, Any] = json.loads(nbformat.writes(notebook))
    return document


def text_of(document: dict[str, Any]) -> str:
    """The notebook as it is kept."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def main() -> None:
    """Write it."""
    PLACE.write_text(text_of(executed()), encoding="utf-8")


if __name__ == "__main__":
    main()
