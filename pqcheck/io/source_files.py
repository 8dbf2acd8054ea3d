"""The bytes of a file: plain, or unpacked once into a temporary file, with the checksum of what lies on disk."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
import threading
import weakref
import zlib
from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from pathlib import Path
from queue import SimpleQueue
from typing import IO

from msgspec import Struct

from pqcheck.io.progress import stage
from pqcheck.model.errors import InputError
from pqcheck.model.small_files import check_regular

CHUNK = 4 << 20
"""Bytes per step of both passes: larger steps parse no faster, smaller ones pay for their calls."""

MB = 1_000_000

LONGEST_LINE = 16 << 20
"""No recording has a longer line; without a bound a file without line ends would be held whole."""

UNPACKED_LIMIT = 1 << 40
RATIO_LIMIT = 200
"""Text packs 5 to 20 times; a file that unpacks to more than 200 times its size is no recording."""


class Temporary:
    """A temporary file that is removed when nothing refers to it any more."""

    def __init__(self) -> None:
        """Make it, empty."""
        handle, name = tempfile.mkstemp(prefix="pqcheck-")
        os.close(handle)
        self.path = Path(name)
        weakref.finalize(self, _remove, name)


def _remove(name: str) -> None:
    with contextlib.suppress(OSError):
        os.unlink(name)


class Source(Struct, frozen=True):
    """Where the bytes to parse lie. `keep` is the temporary file they were unpacked to."""

    path: Path
    name: str
    size: int
    changed_ns: int
    keep: Temporary | None = None

    def open(self) -> IO[bytes]:
        """A new handle on the bytes; InputError when the file changed since it was scanned."""
        if self.keep is not None:
            return open(self.path, "rb", buffering=0)
        try:
            handle = open(self.path, "rb", buffering=0)  # noqa: SIM115, the caller closes it
        except FileNotFoundError:
            raise InputError(f"{self.name} is gone; run again once nothing moves it") from None
        now = os.fstat(handle.fileno())
        if (now.st_size, now.st_mtime_ns) != (self.size, self.changed_ns):
            handle.close()
            raise InputError(f"{self.name} changed while it was being read; run again once nothing writes to it")
        return handle


def is_parquet(path: Path) -> bool:
    """Whether a file starts like a Parquet file."""
    try:
        check_regular(path)
        with open(path, "rb") as handle:
            return handle.read(4) == b"PAR1"
    except OSError:
        return False


def open_source(path: Path) -> Source:
    """The source of a path; InputError when it is missing, a folder, or unreadable."""
    try:
        info = path.stat()
        if path.is_dir():
            raise InputError(
                f"{path} is a folder; name the files in it, or judge each by itself: --each {path / '*.csv'}"
            )
        if not path.is_file():
            raise InputError(f"{path} is a pipe or a device and no file; save the recording to a file first")
        with open(path, "rb"):
            pass
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except OSError as error:
        raise InputError(f"{path} cannot be opened: {error.strerror}") from None
    if info.st_size == 0:
        raise InputError(f"{path.name} is empty; export the recording again")
    return Source(path, printable_name(path), info.st_size, info.st_mtime_ns)


def printable_name(path: str | Path) -> str:
    """The name of a file without its folders; bytes of it that are not UTF-8 as ``\\xfc``."""
    return os.fsencode(Path(path).name).decode("utf-8", "backslashreplace")


def unpacked(source: Source, stream: IO[bytes]) -> Source:
    """The source with its bytes taken from `stream`, written once to a temporary file.

    InputError when the stream is damaged or unpacks out of all proportion.
    """
    keep = Temporary()
    size = 0
    try:
        with open(keep.path, "wb") as target:
            while chunk := stream.read(CHUNK):
                size += len(chunk)
                if size > max(RATIO_LIMIT * source.size, CHUNK) or size > UNPACKED_LIMIT:
                    raise InputError(
                        f"{source.name} unpacks to more than {RATIO_LIMIT} times its size, which no recording does; "
                        "unpack it yourself and look at it first"
                    )
                target.write(chunk)
    except (OSError, EOFError, ValueError, zlib.error) as error:
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise InputError(
                f"{source.name} cannot be unpacked into {tempfile.gettempdir()}: {error.strerror}; make room there or "
                "set TMPDIR to another folder"
            ) from None
        raise InputError(f"{source.name} is damaged and cannot be unpacked ({error}); copy it again") from None
    if size == 0:
        raise InputError(f"{source.name} is empty; export the recording again")
    return Source(keep.path, source.name, size, 0, keep)


def sha256_of(path: Path) -> str:
    """Checksum of a whole file."""
    digest, buffer = hashlib.sha256(), bytearray(min(CHUNK, path.stat().st_size + 1))
    view = memoryview(buffer)
    with open(path, "rb", buffering=0) as handle:
        # The library's own loop takes small steps and asks for the interpreter lock twice for each.
        while got := handle.readinto(buffer):
            digest.update(view[:got])
    return digest.hexdigest()


class Checksums:
    """Checksums of files, worked out one after the other in a thread while the files are read and judged."""

    def __init__(self) -> None:
        """Nothing to do so far; the thread starts with the first file."""
        self._ahead: dict[Source, Future[str]] = {}
        self._unfinished: dict[Future[str], Source] = {}
        self._begin()
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._begin)

    def _begin(self) -> None:
        """Without a thread; a forked process has none of its parent's, and does anew what that one has not finished."""
        self._waiting: SimpleQueue[tuple[Source, Future[str]]] = SimpleQueue()
        self._starting = threading.Lock()
        self._started = False
        for checksum, source in list(self._unfinished.items()):
            if not checksum.done():
                self._enqueue(source, checksum)

    def ahead(self, paths: Iterable[str]) -> None:
        """Begin with these files before anything else is known of them."""
        for path in map(Path, paths):
            with contextlib.suppress(InputError):
                source = open_source(path)
                self._ahead[source] = self.of(source)

    def of(self, source: Source) -> Future[str]:
        """The checksum of a file. Its result raises InputError when the file cannot be read or has changed."""
        begun = self._ahead.pop(source, None)
        if begun is not None:
            return begun
        checksum: Future[str] = Future()
        self._unfinished[checksum] = source
        self._enqueue(source, checksum)
        return checksum

    def _enqueue(self, source: Source, checksum: Future[str]) -> None:
        self._waiting.put((source, checksum))
        with self._starting:
            if not self._started:
                # A daemon: whoever gives up early does not wait for checksums nobody asks for.
                threading.Thread(target=self._work, daemon=True).start()
                self._started = True

    def _work(self) -> None:
        while True:
            source, checksum = self._waiting.get()
            try:
                source.open().close()
                digest = sha256_of(source.path)
                source.open().close()
                checksum.set_result(digest)
            except InputError as error:
                checksum.set_exception(error)
            except OSError as error:
                checksum.set_exception(InputError(f"{source.name} cannot be read: {error.strerror}; copy it again"))
            except Exception as error:
                # Whatever it is, somebody waits for an answer.
                checksum.set_exception(error)
            self._unfinished.pop(checksum, None)
            del source, checksum


LATER = Checksums()
"""Of the files of this process."""


def long_line(source: Source) -> InputError:
    """What is wrong with a text in which no line end comes."""
    return InputError(
        f"{source.name} holds a line of more than {LONGEST_LINE >> 20} MB, which no recording does; copy it again, or "
        "export it with a line per row"
    )


def nul_byte(source: Source, line: int, place: int) -> InputError:
    """What is wrong with a text with a NUL byte at this place: what is written last is zeroed at a loss of power."""
    return InputError(
        f"{source.name}, line {line}: byte {place + 1} is a NUL, which no text holds; the file is damaged: copy it "
        "again, or cut it off before that line"
    )


def chunks(source: Source) -> Iterator[tuple[int, memoryview]]:
    """The bytes in chunks of about 4 MiB that end with a line, each with its offset.

    One buffer is used again and again: copy what must stay. A line longer than a chunk makes it grow.
    """
    buffer = bytearray(CHUNK)
    kept, offset = b"", 0
    with source.open() as handle, stage(f"reading {source.name}, MB", source.size // MB) as report:
        while True:
            report(offset // MB)
            if len(kept) > LONGEST_LINE:
                raise long_line(source)
            if len(kept) > len(buffer) // 2:
                buffer = bytearray(2 * len(buffer))
            view = memoryview(buffer)
            view[: len(kept)] = kept
            got = handle.readinto(view[len(kept) :]) or 0  # type: ignore[attr-defined]
            filled = len(kept) + got
            if not got:
                if filled:
                    yield offset, view[:filled]
                return
            end = buffer.rfind(b"\n", 0, filled) + 1
            kept = bytes(view[end:filled])
            if end:
                yield offset, view[:end]
                offset += end
