"""Titles and explanations of the checks: catalogue.json, the source of the pages in docs/checks/."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any


@functools.cache
def catalogue() -> dict[str, Any]:
    """``checks`` by name (kind, title, looks_at, how, example, codes) and ``common_codes``."""
    text = Path(__file__).with_name("catalogue.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def title(check: str) -> str:
    """The question a check asks."""
    return str(catalogue()["checks"][check]["title"])


def is_safety(check: str) -> bool:
    """Whether what the check finds is a danger sign."""
    return bool(catalogue()["checks"][check]["kind"] == "safety")
