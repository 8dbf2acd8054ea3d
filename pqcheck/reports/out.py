"""Which form a file name asks for, and writing them all: each rendered before the first is written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pqcheck.errors import OutputError
from pqcheck.files import write_pieces
from pqcheck.findings import Findings, as_pieces

Renderer = Callable[..., str | Iterable[str]]
"""What a command has to write (as `write_all` is given it) to text, or to the pieces of a large one."""


def as_findings_file(findings: Findings, recordings: Any, site: Any) -> Iterable[str]:
    """The findings file, piece by piece."""
    return as_pieces(findings)


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
    ".json": as_findings_file,
    ".md": _markdown,
    ".csv": _csv,
    ".html": _html,
    ".junit.xml": _junit,
}
"""Reports on findings, recordings (files, or what was gathered of them) and site (file, or None), by ending.

A new report is a new entry and a new file.
"""

Target = tuple[Path, Renderer]


def ending_of(path: Path, known: Iterable[str]) -> str | None:
    """The longest of the known endings that a file name has, in small or capital letters."""
    return max((ending for ending in known if path.name.lower().endswith(ending)), key=len, default=None)


def prepare(
    paths: Sequence[str],
    renderers: Mapping[str, Renderer] = RENDERERS,
    given: Sequence[tuple[str | None, Renderer]] = (),
) -> list[Target]:
    """The renderer of every path, before anything is computed.

    `renderers` are those of the command by ending; `given` are those of files whose form an option of their own says,
    whatever their name. Raises `OutputError` for an ending nobody writes, a folder that is not there, or one file named
    twice.
    """
    targets: list[Target] = []
    seen: set[Path] = set()
    for text, renderer in (*given, *((path, None) for path in paths)):
        if text is None:
            continue
        path = Path(text)
        if path.resolve() in seen:
            raise OutputError(f"{path} is asked for twice; name each output once")
        seen.add(path.resolve())
        if not path.parent.is_dir():
            raise OutputError(f"cannot write {path}: the folder {path.parent} does not exist; create it first")
        if path.is_dir():
            raise OutputError(f"cannot write {path}: it is a folder; name a file")
        if renderer is None:
            ending = ending_of(path, renderers)
            if ending is None:
                raise OutputError(f"cannot write {path}: the ending must be one of {', '.join(sorted(renderers))}")
            renderer = renderers[ending]
        targets.append((path, renderer))
    return targets


def wants_trends(targets: Sequence[Target]) -> bool:
    """Whether any target draws the recording itself, so that it is worth gathering while it is judged."""
    return any(render is _html for _, render in targets)


def write_all(targets: Sequence[Target], *inputs: Any) -> None:
    """Render everything from `inputs`, then write everything."""
    rendered = [(path, render(*inputs)) for path, render in targets]
    for path, text in rendered:
        write_pieces(path, [text] if isinstance(text, str) else text)
