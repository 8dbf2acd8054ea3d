"""Files of a load study: findings file, study, page, the usual reports."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pqcheck.loads.study import LoadStudy
from pqcheck.reports.out import RENDERERS, Target, as_findings_file, prepare


def prepare_study(paths: Sequence[str], json_path: str | None, study_path: str | None) -> list[Target]:
    """What is to be written where, before anything is computed. Raises `OutputError` as `prepare` does."""
    renderers = {ending: _usual(render) for ending, render in RENDERERS.items()} | {".html": _page}
    return prepare(paths, renderers, [(json_path, _usual(as_findings_file)), (study_path, _study)])


def _study(study: LoadStudy, recordings: Any, site: Any) -> str:
    from pqcheck.reports.load_document import as_json

    return as_json(study)


def _page(study: LoadStudy, recordings: Any, site: Any) -> str:
    from pqcheck.reports.load_page import load_page

    return load_page(study)


def _usual(render: Callable[..., Any]) -> Callable[[LoadStudy, Any, Any], Any]:
    return lambda study, recordings, site: render(study.findings, recordings, site)
