"""Files of a load study: findings file, study, page, the usual reports; all rendered before the first is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pqcheck.errors import OutputError
from pqcheck.files import write_text
from pqcheck.loads.study import LoadStudy
from pqcheck.reports.out import prepare

Target = tuple[Path, Callable[[LoadStudy, Any, Any], str]]


def prepare_study(paths: Sequence[str], json_path: str | None, study_path: str | None) -> list[Target]:
    """What is to be written where, before anything is computed. Raises `OutputError` as `prepare` does."""
    asked = [*([json_path] if json_path else []), *paths]
    targets: list[Target] = []
    for path, render in prepare(asked, json_path=json_path):
        page = path.name.lower().endswith(".html") and (json_path is None or path != Path(json_path))
        targets.append((path, _page if page else _usual(render)))
    if study_path is not None:
        ((path, _),) = prepare([study_path], json_path=study_path)
        if any(path.resolve() == other.resolve() for other, _ in targets):
            raise OutputError(f"{path} is asked for twice; name each output once")
        targets.append((path, _study))
    return targets


def write_study(targets: Sequence[Target], study: LoadStudy, recordings: Any, site: Any) -> None:
    """Render everything, then write everything."""
    rendered = [(path, render(study, recordings, site)) for path, render in targets]
    for path, text in rendered:
        write_text(path, text)


def _study(study: LoadStudy, recordings: Any, site: Any) -> str:
    from pqcheck.reports.load_document import as_json

    return as_json(study)


def _page(study: LoadStudy, recordings: Any, site: Any) -> str:
    from pqcheck.reports.load_page import load_page

    return load_page(study)


def _usual(render: Callable[..., str]) -> Callable[[LoadStudy, Any, Any], str]:
    return lambda study, recordings, site: render(study.findings, recordings, site)
