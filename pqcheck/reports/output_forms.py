"""Which form a file name asks for, and what writes it: the one place for all commands that write results to files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pqcheck.io.write_files import STANDARD_OUTPUT, refuse_inputs, write_set
from pqcheck.model.errors import OutputError
from pqcheck.model.findings import Findings

if TYPE_CHECKING:
    from pqcheck.loads.study import LoadStudy
    from pqcheck.workflows.run_gate import GateResult
    from pqcheck.workflows.two_sides import BeforeAfter

ENDINGS = (".csv", ".html", ".json", ".junit.xml", ".md", ".pdf", ".sarif", ".xlsx")
"""The forms of a check; the longest ending that fits decides. A new form: an ending here and a case in `check_form`."""

STUDY = "study"
"""The form of a load study for programs, whatever the name of its file."""

Target = tuple[Path, str]
"""A file and the form it is written in: an ending, or `STUDY`."""

Text = str | bytes | Iterable[str]


def prepare(
    paths: Sequence[str], *, inputs: Iterable[str | Path], json_path: str | None = None,
    study_path: str | None = None, endings: Sequence[str] = ENDINGS,
) -> list[Target]:  # fmt: skip
    """The form of every file, before anything is computed.

    `json_path` is a findings file whatever its name, `study_path` a load study. Raises `OutputError` for an ending that
    is none of `endings`, a folder that is not there, one file named twice, and a file that is one of `inputs`.
    The name `-` stands for JSON on standard output.
    """
    asked: list[tuple[str, str | None]] = [(json_path, ".json")] if json_path is not None else []
    asked += [(path, None) for path in paths]
    asked += [(study_path, STUDY)] if study_path is not None else []
    targets: list[Target] = []
    seen: set[Path] = set()
    for text, form in asked:
        path = Path(text)
        if text == STANDARD_OUTPUT:
            form = form or ".json"
        if path.resolve() in seen:
            raise OutputError(f"{path} is asked for twice; name each output once")
        seen.add(path.resolve())
        if not path.parent.is_dir():
            raise OutputError(f"cannot write {path}: the folder {path.parent} does not exist; create it first")
        if path.is_dir():
            raise OutputError(f"cannot write {path}: it is a folder; name a file")
        fitting = [form] if form is not None else [ending for ending in endings if path.name.lower().endswith(ending)]
        if not fitting:
            raise OutputError(f"cannot write {path}: the ending must be one of {', '.join(sorted(endings))}")
        targets.append((path, max(fitting, key=len)))
        if fitting == [".xlsx"]:
            from pqcheck.reports.findings_workbook import check_can_write

            check_can_write()
        if fitting == [".pdf"]:
            from pqcheck.reports.html import page_as_pdf

            page_as_pdf.check_can_write()
    refuse_inputs([path for path, _ in targets], inputs)
    return targets


def printed_as_json(targets: Sequence[Target]) -> bool:
    """Whether standard output holds a file, so that the text for people has to go beside it."""
    return any(str(path) == STANDARD_OUTPUT for path, _ in targets)


def wants_trends(targets: Sequence[Target]) -> bool:
    """Whether any target draws the recording itself, so that it is worth gathering while it is judged."""
    return any(form in (".html", ".pdf", ".xlsx") for _, form in targets)


def write_all(
    targets: Sequence[Target], written: Callable[[str], Text], also: Sequence[tuple[Path, bytes]] = ()
) -> None:
    """Write all targets and the files `also` given, or none; `written` gives the text of a form."""
    write_set([*((path, written(form)) for path, form in targets), *also])


def check_form(form: str, findings: Findings, recordings: Any, site: Any) -> Text:
    """A check in one form; `recordings` are files, or what was gathered of them; `site` is a file, or None."""
    match form:
        case ".json":
            from pqcheck.model.findings_file import as_pieces

            return as_pieces(findings)
        case ".md":
            from pqcheck.reports.markdown import as_markdown

            return as_markdown(findings)
        case ".csv":
            from pqcheck.reports.findings_csv import as_csv

            return as_csv(findings)
        case ".html":
            from pqcheck.reports.html.build import as_html

            return as_html(findings, recordings, site)
        case ".pdf":
            from pqcheck.reports.html.build import as_html
            from pqcheck.reports.html.page_as_pdf import as_pdf

            return as_pdf(as_html(findings, recordings, site))
        case ".xlsx":
            from pqcheck.observe.percentiles import distributions
            from pqcheck.reports.findings_workbook import as_workbook
            from pqcheck.reports.html.build import material_of

            material = material_of(findings, recordings, site)
            described = None if material.gathered is None else distributions(
                material.gathered, material.frame.excluded)
            return as_workbook(findings, described)
        case ".junit.xml" | ".sarif":
            from pqcheck.workflows.run_gate import ungated

            return gate_form(form, ungated(findings), recordings, site)
    raise ValueError(form)


def gate_form(form: str, gated: GateResult, recordings: Any, site: Any) -> Text:
    """A gate in one form: JSON, JUnit and SARIF hold every scenario, the others the one there is."""
    match form:
        case ".json":
            from pqcheck.workflows.compare_findings import as_set_text

            return as_set_text(gated.results)
        case ".junit.xml":
            from pqcheck.reports.junit import as_junit

            return as_junit(gated)
        case ".sarif":
            from pqcheck.reports.sarif import as_sarif

            return as_sarif(gated, [str(path) for path in recordings] if isinstance(recordings, list) else [])
    return check_form(form, gated.results[0], recordings, site)


def load_form(form: str, study: LoadStudy, recordings: Any, site: Any) -> Text:
    """A load study in one form: a page or a document of its own, otherwise its findings."""
    match form:
        case ".html" | ".pdf":
            from pqcheck.reports.load_page import load_page

            if form == ".html":
                return load_page(study)
            from pqcheck.reports.html.page_as_pdf import as_pdf

            return as_pdf(load_page(study))
        case "study":
            from pqcheck.reports.load_document import as_json

            return as_json(study)
    return check_form(form, study.findings, recordings, site)


def comparison_form(form: str, both: BeforeAfter) -> Text:
    """Two results side by side, as a page or as Markdown."""
    if form == ".html":
        from pqcheck.reports.html.compare_page import compare_page

        return compare_page(both)
    from pqcheck.reports.before_after import as_markdown

    return as_markdown(both)
