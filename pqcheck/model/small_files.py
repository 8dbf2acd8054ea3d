"""Small files that are read whole (site files, limit tables, waivers, locks, findings), and their TOML and JSON."""

from __future__ import annotations

import json
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

LARGEST = 256_000_000
"""Bytes; a findings file of a year has a tenth of it."""

_DEEP_KEY = re.compile(r"(?:[\w\"'-]+[ \t]*\.[ \t]*){100}")
"""A dotted key that takes the parser minutes."""


def check_regular(path: str | Path) -> None:
    """Raise `OSError` at once for a pipe, a device or a socket, on which an attempt to read could wait for ever."""
    mode = os.stat(path).st_mode
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        raise OSError(None, "It is a pipe or a device and no file", str(path))


def read_small(path: str | Path) -> bytes:
    """The bytes of a file. Raises `OSError` for what cannot be read, is no file, or is larger than any such file."""
    check_regular(path)
    if os.stat(path).st_size > LARGEST:
        raise OSError(None, f"It is larger than {LARGEST // 1_000_000} MB", str(path))
    return Path(path).read_bytes()


def parse_toml(text: str) -> dict[str, Any]:
    """The document. Raises `ValueError`, in words, for what is not TOML or is out of all proportion."""
    import tomllib

    if _DEEP_KEY.search(text):
        raise ValueError("a key has more than 100 parts")
    document: dict[str, Any] = _parsed(tomllib.loads, text)
    return document


def parse_json(text: str | bytes, **settings: Any) -> Any:
    """The document, with the settings of `json.loads`. Raises `ValueError`, in words, as `parse_toml` does."""
    return _parsed(lambda written: json.loads(written, **settings), text)


def _parsed(parse: Callable[[Any], Any], text: str | bytes) -> Any:
    try:
        return parse(text)
    except RecursionError:
        raise ValueError("it is nested deeper than any file of its kind") from None
    except ValueError as error:
        if "integer string conversion" in str(error):
            raise ValueError("it holds a whole number of thousands of digits") from None
        raise
