"""What one check says about one channel or group of channels, before it becomes a finding and a doubt."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct, field

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import Check


class Extent(Struct, frozen=True, order=True):
    """A stretch of the recording that shows what is said: half-open UTC microseconds, the worst value and its time."""

    start_us: int
    end_us: int
    intervals: int = 0
    worst: float = 0.0
    worst_us: int = 0


class Subject(Struct, frozen=True):
    """Which phases, orders and stretch a doubt is about; the check says what it refuses.

    `phases` are those of the channel that is doubted (("b",), ("an",)); `start_us`/`end_us` None = the whole recording;
    `readings` names minimum or maximum columns where they alone are doubted.
    """

    quantity: str
    phases: tuple[str, ...] = ()
    orders: tuple[int, ...] = ()
    start_us: int | None = None
    end_us: int | None = None
    readings: tuple[str, ...] = ()
    recorded_us: int | None = None
    """Interval that the values really are of: rules of its multiples are not refused."""


class Proposal(Struct, frozen=True):
    """A correction that would make the recording consistent, for a person to sign; never applied by itself."""

    kind: str
    settings: Mapping[str, str | float | tuple[str, ...]]
    why: str


class Outcome(Struct, frozen=True):
    """One check on one channel or group.

    `code` is empty for a plain pass; a pass with a code is a note. `likelihood` is "shown", "likely", "possible" or "".
    `value`, `low`, `high`, `unit`, `statistic` give the numbers where one number says it.
    """

    check: Check
    verdict: Verdict
    channel: str = "-"
    quantity: str | None = None
    phase: str | None = None
    order: int | None = None
    code: str = ""
    text: str = ""
    advice: str = ""
    likelihood: str = ""
    spans: tuple[Extent, ...] = ()
    subjects: tuple[Subject, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    statistic: str = ""
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    remark: str = ""
    """A line that every report prints, whatever the verdict (handheld comparison)."""
    stream: int = 0
    more: Mapping[str, float] = field(default_factory=dict)
    """Numbers that another check needs (not printed)."""
    bounds: bool = False
    """Whether the readings are marked as bounds and judged as such: then only what is formed from them is doubted."""

    @property
    def sound(self) -> bool:
        """Whether the check found nothing to say."""
        return self.verdict is Verdict.PASS and not self.code
