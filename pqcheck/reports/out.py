"""Which report a file name asks for, and writing them all: each rendered before the first is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pqcheck.errors import OutputError
from pqcheck.files import write_pieces, write_text
from pqcheck.findings import Findings, as_pieces

Renderer = Callable[[Findings, Any, Any], str]
"""Findings, recordings (files, or what was gathered of them), site (file, or None) to text."""


def _json(findings: Findings, recordings: Any, site: Any) -> str:
    return findings.to_json()


def _markdown(findings: Findings, recordings: Any, site: Any) -> str:
    from pqcheck.reports.markdown import as_markdown

    return as_markdown(findings)


def _csv(findings: Findings, recordings: Any, site: Any) -> str:
    from pqcheck.reports.csv_table import as_csv

    return as_csv(findings)


def _html(findings: Findings, recordings: Any, site: Any) -> str:
    from pqcheck.reports.html.build import as_html

    return as_html(findings, recordings, site)


def _junit(findings: Findings, recordings: Any, site: Any) -> str:
    from pqcheck.reports.junit import as_junit

    return as_junit([findings])


RENDERERS: dict[str, Renderer] = {
    ".json": _json,
    ".md": _markdown,
    ".csv": _csv,
    ".html": _html,
    ".junit.xml": _junit,
}
"""By ending; the longest that fits decides. A new report is a new entry and a new file."""

Target = tuple[Path, Renderer]


def prepare(
    paths: Sequence[str],
    json_path: str | None = None,
    others: Sequence[str] = (),
    endings: Sequence[str] | None = None,
) -> list[Target]:
    """The renderer of every path, before anything is computed; `endings` narrows what may be asked for.

    Raises `OutputError` for an ending nobody writes, a folder that is not there, or one file named twice.
    `json_path` is written as a findings file whatever its name; `others` are files that the caller writes itself and
    whose endings mean nothing here.
    """
    targets: list[Target] = []
    seen: set[Path] = set()
    for text in paths:
        path = Path(text)
        if path.resolve() in seen:
            raise OutputError(f"{path} is asked for twice; name each output once")
        seen.add(path.resolve())
        if not path.parent.is_dir():
            raise OutputError(f"cannot write {path}: the folder {path.parent} does not exist; create it first")
        if path.is_dir():
            raise OutputError(f"cannot write {path}: it is a folder; name a file")
        if text in others or (json_path is not None and text == json_path):
            targets.append((path, _json))
            continue
        known = [ending for ending in RENDERERS if endings is None or ending in endings]
        found = [ending for ending in known if path.name.lower().endswith(ending)]
        if not found:
            raise OutputError(f"cannot write {path}: the ending must be one of {', '.join(sorted(known))}")
        targets.append((path, RENDERERS[max(found, key=len)]))
    return targets


def wants_trends(targets: Sequence[Target]) -> bool:
    """Whether any target draws the recording itself, so that it is worth gathering while it is judged."""
    return any(render is _html for _, render in targets)


def write_all(targets: Sequence[Target], findings: Findings, recordings: Any, site: Any) -> None:
    """Render everything, then write everything."""
    rendered = [(path, None if render is _json else render(findings, recordings, site)) for path, render in targets]
    for path, text in rendered:
        if text is None:
            write_pieces(path, as_pieces(findings))
        else:
            write_text(path, text)
