"""The compiled modules of the package, where they were built; without them libraries give the same, only slower."""

from __future__ import annotations

import importlib
from functools import cache
from typing import Any


@cache
def compiled(name: str, version: int) -> Any:
    """The compiled module of this full name; None where it was not built, or is of another version of its caller."""
    try:
        module = importlib.import_module(name)
    except ImportError:
        return None
    return module if version == module.VERSION else None
