"""Progress on stderr: rate and time left on a terminal, plain lines elsewhere, nothing for what is quick."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TextIO

_QUIET_FIRST = 2.0
_EVERY_TERMINAL = 0.2
_EVERY_LOG = 30.0


class Progress:
    """Counts steps of something that lasts. Results never depend on it; it only speaks, and only after two seconds."""

    def __init__(self, what: str, total: int, *, quiet: bool = False, stream: TextIO | None = None,
                 only_terminal: bool = False) -> None:  # fmt: skip
        self._what = what
        self._total = total
        self._stream = sys.stderr if stream is None else stream
        self._terminal = self._stream.isatty()
        self._quiet = quiet or (only_terminal and not self._terminal)
        self._begin = self._start = self._last = time.monotonic()
        self._shown = False
        self._done = 0

    def expect(self, steps: int) -> None:
        """More steps than were known of at the start."""
        if not self._done:
            # The rate is that of the steps, not of what went before them.
            self._start = time.monotonic()
        self._total += steps

    def step(self, steps: int) -> None:
        """So many steps more are done."""
        self._done += steps
        self.at(self._done)

    def at(self, done: int) -> None:
        """`done` of the total steps are done."""
        now = time.monotonic()
        every = _EVERY_TERMINAL if self._terminal else _EVERY_LOG
        if self._quiet or now - self._begin < _QUIET_FIRST or now - self._last < every:
            return
        self._last = now
        rate = done / (now - self._start)
        left = (self._total - done) / rate if rate else 0.0
        text = f"{self._what}: {done} of {self._total}, {rate:.3g} a second, {_duration(left)} left"
        self._stream.write(f"\r{text}\x1b[K" if self._terminal else f"{text}\n")
        self._stream.flush()
        self._shown = True

    def beside(self, what: str, total: int) -> Progress:
        """The progress of something else, shown in the same place."""
        return Progress(what, total, quiet=self._quiet, stream=self._stream)

    def end(self) -> None:
        """Clear the line on a terminal."""
        if self._shown and self._terminal:
            self._stream.write("\r\x1b[K")
            self._stream.flush()


_shown: ContextVar[Progress | None] = ContextVar("_shown", default=None)
"""Set by a command for the time of one check; a library call shows nothing."""


@contextmanager
def shown(what: str, *, quiet: bool = False, stream: TextIO | None = None) -> Iterator[None]:
    """Within this, `step` is shown on stderr. The line is cleared whatever ends it."""
    progress = Progress(what, 0, quiet=quiet, stream=stream)
    token = _shown.set(progress)
    try:
        yield
    finally:
        _shown.reset(token)
        progress.end()


@contextmanager
def stage(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """Something that comes before the steps, shown by itself; hand over how much of `total` is done by now."""
    whole = _shown.get()
    if whole is None:
        yield lambda done: None
        return
    part = whole.beside(what, total)
    try:
        yield part.at
    finally:
        part.end()


def expect(steps: int) -> None:
    """So many more steps are to come; nothing happens unless a command shows them."""
    progress = _shown.get()
    if progress is not None:
        progress.expect(steps)


def step(steps: int) -> None:
    """So many more steps are done."""
    progress = _shown.get()
    if progress is not None:
        progress.step(steps)


def _duration(seconds: float) -> str:
    if seconds >= 90:
        return f"{seconds / 60:.0f} min"
    return f"{seconds:.0f} s"
