"""That a command could not run, in the forms that machines read: one error, and nothing that could look green."""

from __future__ import annotations

import hashlib
import json
from typing import Literal

from pqcheck.reports.junit import error_document
from pqcheck.reports.sarif import failed_run

TITLE = "pqcheck could not run"


def as_junit_error(sentence: str) -> str:
    """A document with one suite of one case, which is an error."""
    return error_document(TITLE, sentence)


def as_sarif_error(sentence: str) -> str:
    """A log whose run did not succeed."""
    return failed_run(sentence)


def annotation(sentence: str, host: Literal["github", "gitlab"] | str) -> str:
    """The line, or the list of entries, that a code host shows."""
    if host == "github":
        data = sentence.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")
        return f"::error title={TITLE}::{data}\n"
    entry = {
        "description": f"{TITLE}: {sentence}", "check_name": "pqcheck", "severity": "blocker",
        "fingerprint": hashlib.sha256(sentence.encode()).hexdigest()[:32],
        "location": {"path": "pqcheck", "lines": {"begin": 1}},
    }  # fmt: skip
    return f"[\n{json.dumps(entry, sort_keys=True, ensure_ascii=False)}\n]\n"
