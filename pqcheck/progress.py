"""Progress on stderr: rate and time left on a terminal, plain lines elsewhere, nothing for what is quick."""

from __future__ import annotations

import sys
import time
from typing import TextIO

_QUIET_FIRST = 2.0
_EVERY_TERMINAL = 0.2
_EVERY_LOG = 30.0


class Progress:
    """Counts steps of something that lasts. Results never depend on it; it only speaks, and only after two seconds."""

    def __init__(self, what: str, total: int, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self._what = what
        self._total = total
        self._stream = sys.stderr if stream is None else stream
        self._quiet = quiet
        self._terminal = self._stream.isatty()
        self._start = self._last = time.monotonic()
        self._shown = False

    def at(self, done: int) -> None:
        """`done` of the total steps are done."""
        now = time.monotonic()
        every = _EVERY_TERMINAL if self._terminal else _EVERY_LOG
        if self._quiet or now - self._start < _QUIET_FIRST or now - self._last < every:
            return
        self._last = now
        rate = done / (now - self._start)
        left = (self._total - done) / rate if rate else 0.0
        text = f"{self._what}: {done} of {self._total}, {rate:.3g} a second, {_duration(left)} left"
        self._stream.write(f"\r{text}\x1b[K" if self._terminal else f"{text}\n")
        self._stream.flush()
        self._shown = True

    def end(self) -> None:
        """Clear the line on a terminal."""
        if self._shown and self._terminal:
            self._stream.write("\r\x1b[K")
            self._stream.flush()


def _duration(seconds: float) -> str:
    if seconds >= 90:
        return f"{seconds / 60:.0f} min"
    return f"{seconds:.0f} s"
