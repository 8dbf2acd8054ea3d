"""What a caller may have to catch, and nothing else.

Every message is one sentence: what is wrong, where, and what to do. The command
line prints it as it stands and exits with 2.
"""

from __future__ import annotations

from collections.abc import Iterable


class PqcheckError(Exception):
    """Base of everything pqcheck raises on purpose; the command line exits with 2."""


class InputError(PqcheckError):
    """A recording cannot be read, or can be read in more than one way."""


class SiteError(PqcheckError):
    """The site file is malformed, or declares something that cannot be."""


class LimitTableError(PqcheckError):
    """A limit table is unknown, malformed or contradicts itself."""


class GateError(PqcheckError):
    """Waivers, a baseline or a lock are missing, malformed, or made for something else."""


class OutputError(PqcheckError):
    """A result cannot be written."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the known name closest to `word`, or an empty string."""
    import difflib

    nearest = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"; did you mean {nearest[0]!r}?" if nearest else ""
