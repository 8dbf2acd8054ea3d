"""The exit status of a command: the only place that derives it from a verdict."""

from __future__ import annotations

from enum import IntEnum

from pqcheck.model.verdict import Verdict


class ExitStatus(IntEnum):
    """What the process returns to the shell."""

    PASSED = 0
    """Every required finding is a pass (or waived)."""
    FAILED = 1
    """At least one fail."""
    COULD_NOT_RUN = 2
    """Usage, unreadable input, bad site file, table, waiver or baseline; nothing half-written."""
    NOT_SHOWN = 3
    """Nothing failed, but something required is inconclusive or refused, or no rule was judged, or none of a table."""


def exit_status(verdict: Verdict) -> ExitStatus:
    """What a process returns whose result rolls up to `verdict`: 0, 1 or 3 (2 is never a result)."""
    if verdict is Verdict.FAIL:
        return ExitStatus.FAILED
    return ExitStatus.PASSED if verdict in (Verdict.PASS, Verdict.WAIVED) else ExitStatus.NOT_SHOWN
