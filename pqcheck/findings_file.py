"""A findings file read back, with one clear sentence when it cannot be."""

from __future__ import annotations

import json
from pathlib import Path

from pqcheck.errors import InputError
from pqcheck.findings import Findings, from_document


def read_findings(path: str | Path) -> Findings:
    """The findings in a file. Raises `InputError` when it cannot be read or is of another format version."""
    name = Path(path).name
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"the findings file {name!r} cannot be read: {reason}; check the path given") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: not UTF-8 text, so no findings file; write one with check --json") from error
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name}: not JSON, so no findings file ({error}); write one with check --json") from error
    try:
        return from_document(document)
    except InputError as error:
        raise InputError(f"{name}: {error}") from error
