"""Writing results: to a temporary file beside the target, then renamed, so that nothing is ever half-written."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from pqcheck.model.errors import OutputError

_HELD = 1 << 18
"""Bytes held back before they go to the file: a findings file comes in thousands of small pieces."""


def write_text(path: str | Path, text: str) -> None:
    """Write `text` as UTF-8 with bare line feeds, all or nothing. Raises `OutputError`."""
    write_bytes(path, text.encode("utf-8"))


def write_pieces(path: str | Path, pieces: Iterable[str]) -> None:
    """Write a text that is made bit by bit, all or nothing. Raises `OutputError`."""
    _write(path, (piece.encode("utf-8") for piece in pieces))


def write_bytes(path: str | Path, content: bytes) -> None:
    """Write `content`, all or nothing. Raises `OutputError` with the place and the cause."""
    _write(path, (content,))


def _write(path: str | Path, contents: Iterable[bytes]) -> None:
    target = Path(path)
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
        with os.fdopen(handle, "wb", _HELD) as stream:
            for content in contents:
                stream.write(content)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, target)
        temporary = None
    except OSError as error:
        raise OutputError(f"cannot write {target}: {error.strerror or error}; choose another place") from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
