"""What a command prints. A reader that has gone away, or none at all, changes nothing about the exit status."""

from __future__ import annotations

import io
import os
import sys


def open_streams() -> None:
    """Make standard output and standard error usable: nowhere if they are closed, and never failing on a character."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            # The descriptor is free, and the next file that is opened would get it and what is printed.
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, for the rest of the process
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def show(text: str, *, beside: bool = False) -> None:
    """Print to standard output; with `beside` to standard error, because standard output holds a file."""
    stream = sys.stderr if beside else sys.stdout
    try:
        stream.write(text)
        stream.flush()
    except OSError as error:
        from pqcheck.io.write_files import READER_GONE, print_to_nowhere

        if error.errno not in READER_GONE:
            raise
        print_to_nowhere()
