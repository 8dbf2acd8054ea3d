"""Files to a recording. `read` takes any mix of files; `from_arrays` and `from_frame` take values in memory.

The names are imported on first use: reading a spectrum needs none of them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pqcheck.io.arrays import from_arrays, from_frame
    from pqcheck.io.headers.exact_names import parse_header
    from pqcheck.io.read_files import read

__all__ = ["from_arrays", "from_frame", "parse_header", "read"]

_HOME = {
    "from_arrays": "arrays",
    "from_frame": "arrays",
    "parse_header": "headers.exact_names",
    "read": "read_files",
}


def __getattr__(name: str) -> Any:
    """Import an offered name from its home on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'pqcheck.io' has no attribute {name!r}")
    return getattr(importlib.import_module(f"pqcheck.io.{_HOME[name]}"), name)
