"""Writing results: whole or not at all, several as a set, and never over a file that was read."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from msgspec import Struct

from pqcheck.model.errors import OutputError

STANDARD_OUTPUT = "-"
"""As the name of an output: what the program prints."""

READER_GONE = (errno.EPIPE, errno.EINVAL)
"""What writing to a pipe ends in once nobody reads it, the latter on Windows."""

_HELD = 1 << 18
"""Bytes held back before they go to the file: a findings file comes in thousands of small pieces."""

Content = str | bytes | Iterable[str]
"""A text, bytes, or a text that is made bit by bit."""


class _Prepared(Struct, frozen=True):
    """A temporary file that is complete, and the file it becomes."""

    temporary: str
    target: Path


def refuse_inputs(outputs: Iterable[str | Path], inputs: Iterable[str | Path]) -> None:
    """Raise `OutputError` when an output is a file that is read, by whatever name or link; nothing is touched."""
    read = {}
    for path in inputs:
        if (place := _place(path)) is not None:
            read[place] = path
    for output in outputs:
        used = read.get(place) if (place := _place(output)) is not None else None
        if used is not None:
            raise OutputError(
                f"cannot write {output}: it is an input ({used}) and would be lost; give the output another name"
            )


def _place(path: str | Path) -> tuple[int, int] | None:
    """What tells a regular file from all others; None for what is not there, and for pipes and devices."""
    try:
        info = os.stat(path)
    except (OSError, ValueError):
        return None
    return (info.st_dev, info.st_ino) if stat.S_ISREG(info.st_mode) else None


def write_text(path: str | Path, text: str) -> None:
    """Write `text` as UTF-8 with bare line feeds, all or nothing. Raises `OutputError`."""
    write_set([(path, text)])


def write_pieces(path: str | Path, pieces: Iterable[str]) -> None:
    """Write a text that is made bit by bit, all or nothing. Raises `OutputError`."""
    write_set([(path, pieces)])


def write_set(files: Sequence[tuple[str | Path, Content]]) -> None:
    """Write several files: all of them to temporary files first, which are then renamed, so that a failure leaves none.

    Links are followed. What is no regular file (a pipe, a device), the file that the program prints to, and
    `STANDARD_OUTPUT` are written straight to, once the temporary files are complete. Raises `OutputError` with the
    place and the cause.
    """
    prepared: list[_Prepared] = []
    straight: list[tuple[str | Path, Content]] = []
    place: str | Path = ""
    try:
        for place, content in files:
            if str(place) == STANDARD_OUTPUT or _written_straight(place):
                straight.append((place, content))
            else:
                _prepare(Path(os.path.realpath(place)), content, prepared)
        for each in prepared:
            _check_replaceable(each.target)
        for place, content in straight:
            _write_straight(place, content)
        while prepared:
            place = prepared[0].target
            os.replace(prepared[0].temporary, place)
            del prepared[0]
    except (OSError, ValueError) as error:
        cause = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise OutputError(f"cannot write {place}: {cause}; choose another place") from error
    finally:
        for left in prepared:
            with contextlib.suppress(OSError):
                os.unlink(left.temporary)


def _written_straight(path: str | Path) -> bool:
    try:
        info = os.stat(path)
    except FileNotFoundError:
        return False
    return not stat.S_ISREG(info.st_mode) or _printed_to(info) is not None


def _printed_to(info: os.stat_result) -> int | None:
    """The descriptor of standard output or standard error that leads to a file."""
    for descriptor in (1, 2):
        with contextlib.suppress(OSError):
            if os.path.samestat(os.fstat(descriptor), info):
                return descriptor
    return None


def _prepare(target: Path, content: Content, prepared: list[_Prepared]) -> None:
    temporary = str(target.parent / f".pqcheck-{secrets.token_hex(6)}.part")
    # Created with the permissions of any new file.
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    prepared.append(_Prepared(temporary, target))
    with os.fdopen(handle, "wb", _HELD) as stream:
        for piece in _pieces(content):
            stream.write(piece)


def _check_replaceable(target: Path) -> None:
    """Raise `OutputError` for a file that Windows would not let go, so that of a set none is replaced."""
    try:
        # A file renamed to its own name stays as it is.
        if target.exists():
            os.replace(target, target)
    except PermissionError as error:
        raise OutputError(
            f"cannot write {target}: it is write-protected, or open in another program such as a spreadsheet; close it "
            "there, or choose another name"
        ) from error


def _write_straight(path: str | Path, content: Content) -> None:
    descriptor = None
    if str(path) != STANDARD_OUTPUT:
        descriptor = _printed_to(os.stat(path))
        if descriptor is None:
            with open(path, "wb", _HELD) as stream:
                for piece in _pieces(content):
                    stream.write(piece)
            return
    printed = sys.stderr if descriptor == 2 else sys.stdout
    try:
        # Behind the text that is printed, so that both keep their order; as UTF-8, whatever a console has.
        printed.flush()
        if hasattr(printed, "buffer"):
            printed.buffer.writelines(_pieces(content))
        else:
            printed.writelines(piece.decode() for piece in _pieces(content))
        printed.flush()
    except OSError as error:
        if error.errno not in READER_GONE:
            raise
        print_to_nowhere()


def print_to_nowhere() -> None:
    """Print to nowhere from here on: the reader of standard output has gone away, and there is nobody left to tell."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    with contextlib.suppress(OSError, ValueError):
        os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _pieces(content: Content) -> Iterable[bytes]:
    if isinstance(content, bytes):
        return (content,)
    if isinstance(content, str):
        return (content.encode("utf-8"),)
    return (piece.encode("utf-8") for piece in content)
