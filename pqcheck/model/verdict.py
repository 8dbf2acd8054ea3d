"""The six verdicts and their roll-up."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """The six verdicts."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    REFUSED = "refused"
    NOT_APPLICABLE = "not_applicable"
    WAIVED = "waived"


ROLL_UP = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.WAIVED, Verdict.PASS)
"""Worst first: the first verdict present among the required findings is that of the whole."""


def roll_up(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst present of fail, refused, inconclusive, waived, pass; inconclusive when nothing was judged."""
    present = set(verdicts)
    return next((verdict for verdict in ROLL_UP if verdict in present), Verdict.INCONCLUSIVE)
