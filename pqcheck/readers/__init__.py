"""Files to a recording. `read` takes any mix of files; `from_arrays` and `from_frame` take values in memory."""

from __future__ import annotations

from pqcheck.readers.arrays import from_arrays, from_frame
from pqcheck.readers.columns import parse_header
from pqcheck.readers.files import read

__all__ = ["from_arrays", "from_frame", "parse_header", "read"]
