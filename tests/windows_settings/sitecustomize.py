"""Python as it is on a technician's Windows laptop, as far as another system can show it.

Python imports this module at its start when its folder is on PYTHONPATH; `.ci/run` and DEVELOPERS.md say how. Child
processes inherit it. No compiled part of the package, no fork, an encoding of Western Europe for text that names none
(the console among it: PYTHONIOENCODING) and CRLF behind its lines, no file replaced or removed while it is open, no
name that Windows does not allow. The rules are those of the Win32 API, "Naming Files, Paths, and Namespaces" and
`MoveFileEx`, and of Python's library reference, from memory.
"""

from __future__ import annotations

import builtins
import errno
import io
import locale
import multiprocessing
import os
import sys
from typing import Any

CODE_PAGE = "cp1252"
FORBIDDEN = set('<>:"|?*') | {chr(code) for code in range(32)}
RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))}
_open = io.open


def _text_as_there(
    file: Any, mode: str = "r", buffering: int = -1, encoding: str | None = None, errors: str | None = None,
    newline: str | None = None, closefd: bool = True, opener: Any = None,
) -> Any:  # fmt: skip
    """`open`, with the encoding and the line ends of Windows where none are named."""
    if "b" not in mode:
        encoding = encoding or CODE_PAGE
        newline = "\r\n" if newline is None and "r" not in mode else newline
    return _open(file, mode, buffering, encoding, errors, newline, closefd, opener)


def _names_open() -> set[str]:
    """The files that this process holds open."""
    held = set()
    for descriptor in os.listdir("/proc/self/fd"):
        try:
            held.add(os.readlink(f"/proc/self/fd/{descriptor}"))
        except OSError:
            continue
    return held


def _forbid(event: str, arguments: tuple[Any, ...]) -> None:
    """Refuse what Windows refuses, before it is done."""
    if event in ("os.rename", "os.remove"):
        # A place relative to a descriptor is what the library's own removal of folders uses, and Windows has not.
        paths = arguments[:2] if event == "os.rename" else arguments[:1]
        if any(descriptor != -1 for descriptor in arguments[len(paths) :]):
            return
        held = _names_open()
        for path in paths:
            if os.path.realpath(os.fsdecode(path)) in held:
                raise PermissionError(errno.EACCES, "The process cannot access the file", os.fsdecode(path))
    elif event in ("open", "os.mkdir") and isinstance(arguments[0], str | bytes):
        path, *rest = arguments
        makes = event == "os.mkdir" or (isinstance(rest[-1], int) and rest[-1] & os.O_CREAT)
        name = os.path.basename(os.fsdecode(path).rstrip("/"))
        if makes and (
            FORBIDDEN & set(name) or name.split(".")[0].lower() in RESERVED or (name.endswith((".", " ")) and name)
        ):
            raise OSError(errno.EINVAL, "The filename, directory name, or volume label syntax is incorrect", name)


for module in ("pqcheck.stats._passes", "pqcheck.io.csv._numbers"):
    sys.modules[module] = None  # type: ignore[assignment]
builtins.open = io.open = _text_as_there
locale.getencoding = lambda: CODE_PAGE
for name in ("fork", "forkpty", "register_at_fork", "sched_getaffinity"):
    vars(os).pop(name, None)
multiprocessing.get_all_start_methods = lambda: ["spawn"]
multiprocessing.set_start_method("spawn")
for stream in (sys.stdout, sys.stderr):
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(newline="\r\n")
sys.addaudithook(_forbid)
