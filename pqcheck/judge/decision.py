"""What deciding a period takes and gives: its counts, what bounds prove of it, the decision with its reason."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from msgspec import Struct

from pqcheck.model.findings import Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.model.verdict import Verdict


class PeriodCounts(NamedTuple):
    """What is known of one period."""

    expected: int
    excluded: int
    valid: int
    outside: int
    interrupted: int
    held: int
    """Slots of the period on the recorded axis."""
    complete: bool
    length_us: int
    bounded: int = 0
    """Slots that hold a bound which settles nothing; they are among the missing ones."""

    @property
    def counted(self) -> int:
        """N = expected - excluded."""
        return self.expected - self.excluded

    @property
    def missing(self) -> int:
        """Slots in the count without a value."""
        return max(0, self.counted - self.valid)


class Decision(Struct, frozen=True):
    """Verdict, reason (None for a plain pass or fail), whether it is proven, modifiers, the allowed number."""

    verdict: Verdict
    reason: Reason | None
    proven: bool
    allowed: int
    modifiers: tuple[str, ...] = ()
    judged: bool = True
    """False where nothing was: then the finding shows neither counts nor a reading."""


class BoundEvidence(NamedTuple):
    """What a period rests on whose values were not recorded at the rule's interval."""

    recorded: str
    """The recorded interval, in words."""
    means_outside: int
    """Means over the recorded interval that lie outside, each of which proves one of its members outside; 0 where
    extremes prove as much."""
    nearest: str
    """The recorded mean nearest to a limit, beside the limits, in words; empty without one."""
    assumed: str
    """What the bounds take for granted, as the tail of a sentence."""


@lru_cache(maxsize=4096)
def shared_reason(code: str, text: str, advice: str) -> Reason:
    """A reason that findings with the same sentences share: one doubt refuses thousands of them."""
    return Reason(code, text, advice)


def reason(code: str, **fields: object) -> Reason:
    """A reason of the catalogue, filled in."""
    return shared_reason(code, *sentence(code, **fields))
