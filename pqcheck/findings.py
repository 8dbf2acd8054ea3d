"""Verdicts, findings, their roll-up and order. Values only: nothing here judges.

The written form is the findings file (docs/reference/findings-file.md), validated by
``pqcheck/findings.schema.json``.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from enum import IntEnum, StrEnum
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Protocol

from msgspec import Struct, field

if TYPE_CHECKING:
    import pandas

    from pqcheck.recording import RowSpan

FORMAT = "pqcheck-findings/1"


class Verdict(StrEnum):
    """The six verdicts."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    REFUSED = "refused"
    NOT_APPLICABLE = "not_applicable"
    WAIVED = "waived"


class ExitStatus(IntEnum):
    """What the process returns to the shell."""

    PASSED = 0
    """Every required finding is a pass (or waived)."""
    FAILED = 1
    """At least one fail."""
    COULD_NOT_RUN = 2
    """Usage, unreadable input, bad site file, table, waiver or baseline; nothing half-written."""
    NOT_SHOWN = 3
    """Nothing failed, but something required is inconclusive or refused, or no rule was judged at all."""


ROLL_UP = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.WAIVED, Verdict.PASS)
"""Worst first: the first verdict present among the required findings is that of the whole."""

_KIND_ORDER = {"safety": 0, "limit": 1, "recording": 2, "prediction": 3}


class Reason(Struct, frozen=True):
    """Why a finding is not a plain pass or fail: a code of the catalogue, the numbers, what would settle it."""

    code: str
    text: str
    advice: str


class Statistic(Struct, frozen=True):
    """The judged statistic. `value` is None when nothing was judged."""

    kind: str
    percent: float | None
    interval_s: float | None
    value: float | None
    unit: str


class Limit(Struct, frozen=True):
    """The band, in the same unit as the statistic; a missing side is None."""

    low: float | None
    high: float | None
    unit: str


class Margin(Struct, frozen=True):
    """Distance of the statistic to the nearer limit; negative outside."""

    value: float
    unit: str
    percent_of_limit: float | None


class Intervals(Struct, frozen=True):
    """The count the verdict rests on."""

    expected: int
    valid: int
    missing: int
    excluded: int
    outside: int
    allowed: int


class Window(Struct, frozen=True):
    """A run of outside intervals, half-open, stamps as ISO texts in the site's zone."""

    start: str
    end: str
    intervals: int
    worst: float
    worst_at: str
    rows: tuple[RowSpan, ...] = ()


class Period(Struct, frozen=True):
    """The span judged: length "day", "week", "year" or "recording"; half-open ISO stamps in the site's zone."""

    length: str
    start: str
    end: str


class Snapshot(Struct, frozen=True):
    """A spectrum without a time axis, declared as a steady operating point: its name and where it stands."""

    operating_point: str
    rows: tuple[RowSpan, ...] = ()


class FromReading(Protocol):
    """What the findings of one rule and channel share: it makes the parts that follow from the reading alone."""

    def title_at(self, value: float | None) -> str:
        """The title with what it says about the reading."""

    def statistic_at(self, value: float | None) -> Statistic:
        """The statistic with this value; nothing else in it depends on the reading."""

    def margin_at(self, value: float | None) -> Margin | None:
        """The distance to the nearer limit."""


@dataclasses.dataclass(frozen=True, slots=True)
class Finding:
    """One rule, one channel, one period: one finding.

    A year has 140,000 of them, so those of a judged recording hold a number where others hold sentences (`left_out`).
    Nobody sees the difference.
    """

    kind: str
    table: str
    rule: str
    clause: str
    title: str
    quantity: str | None
    phase: str | None
    order: int | None
    verdict: Verdict
    period: Period | None = None
    channel: str = "-"
    modifiers: tuple[str, ...] = ()
    reason: Reason | None = None
    statistic: Statistic | None = None
    limit: Limit | None = None
    margin: Margin | None = None
    intervals: Intervals | None = None
    proven: bool = False
    windows: Sequence[Window] = ()
    without_corrections: str | None = None
    without_exclusions: str | None = None
    waiver: Mapping[str, Any] | None = None
    snapshot: Snapshot | None = None
    """Set instead of `period` when a single spectrum was judged."""
    _shared: FromReading | None = dataclasses.field(default=None, init=False, repr=False, compare=False)
    _value: float | None = dataclasses.field(default=None, init=False, repr=False, compare=False)
    _left: tuple[str, ...] = dataclasses.field(default=(), init=False, repr=False, compare=False)

    def left_out(self, shared: FromReading, value: float | None, parts: tuple[str, ...]) -> Finding:
        """This finding, just made, without those `parts` (title, statistic, margin) that follow from its reading.

        From then on they are made whenever they are read. Findings with one `shared` are of one rule and channel.
        """
        _set_shared(self, shared)
        _set_value(self, value)
        _set_left(self, parts)
        for name in parts:
            _leave_out[name](self)
        return self

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """A part that was left out: Python asks here for nothing else but names that are not there."""
            if name not in ("title", "statistic", "margin"):
                raise AttributeError(f"a finding has no {name!r}")
            return getattr(self._shared, f"{name}_at")(self._value)

    @property
    def id(self) -> str:
        """``table/rule/channel@period-start`` (or ``@operating-point``); ``-`` for what does not exist."""
        return f"{self.about}@{self.when}"

    @property
    def about(self) -> str:
        """The part of `id` that is the same for all periods."""
        return f"{self.table or '-'}/{self.rule or '-'}/{self.channel}"

    @property
    def when(self) -> str:
        """The part of `id` that tells periods and operating points apart."""
        if self.snapshot is not None and self.snapshot.operating_point:
            return self.snapshot.operating_point
        return self.period.start if self.period else "-"

    @property
    def least_margin(self) -> float:
        """A number that the margin in percent of the limit is surely not below; quickly had where it was left out."""
        limit, value = self.limit, self._value
        if "margin" not in self._left or limit is None or value is None or limit.low == 0 or limit.high == 0:
            return float("-inf")
        to_high = (limit.high - value) / abs(limit.high) if limit.high is not None else float("inf")
        to_low = (value - limit.low) / abs(limit.low) if limit.low is not None else float("inf")
        return 100 * min(to_high, to_low) - 1e-5

    @property
    def fingerprint(self) -> str:
        """First 16 hex digits of sha256 over ``table/rule/quantity/phase/order``: stable from run to run."""
        return fingerprint_of(self.table, self.rule, self.quantity, self.phase, self.order)

    @property
    def required(self) -> bool:
        """Whether the finding takes part in roll-up and exit code."""
        return self.kind == "safety" or (self.kind == "limit" and self.verdict is not Verdict.NOT_APPLICABLE)

    def replaced(self, **changes: Any) -> Finding:
        """A copy with some fields changed."""
        return dataclasses.replace(self, **changes)


# The slots themselves: the class is frozen, and `object.__setattr__` takes three times as long to find them.
_set_shared, _set_value, _set_left = (vars(Finding)[name].__set__ for name in ("_shared", "_value", "_left"))
_leave_out = {name: vars(Finding)[name].__delete__ for name in ("title", "statistic", "margin")}


@lru_cache(maxsize=4096)
def fingerprint_of(table: str, rule: str, quantity: str | None, phase: str | None, order: int | None) -> str:
    """First 16 hex digits of sha256 over ``table/rule/quantity/phase/order``, with ``-`` for what does not exist."""
    parts = (table, rule, quantity, phase, order)
    text = "/".join("-" if part is None or part == "" else str(part) for part in parts)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def sort_key(finding: Finding) -> tuple[Any, ...]:
    """Danger signs first, then table, rule, phase, order, period: stable and independent of input order."""
    return (*_what(finding), _start(finding), _point(finding))


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings by `sort_key`, without a key for each of them: those of a year would take 20 MB."""
    # Sorting keeps the order of equals, so the last part of the key comes first.
    found = sorted(findings, key=_start_and_point)
    of_frame: dict[int, tuple[Any, ...]] = {}

    def what(finding: Finding) -> tuple[Any, ...]:
        frame = finding._shared
        if frame is None:
            return _what(finding)
        return of_frame.get(id(frame)) or of_frame.setdefault(id(frame), _what(finding))

    found.sort(key=what)
    return tuple(found)


def _what(finding: Finding) -> tuple[Any, ...]:
    return _shared_key(
        finding.kind, finding.table, finding.rule, finding.quantity, finding.phase, finding.order, finding.channel
    )


@lru_cache(maxsize=4096)
def _shared_key(
    kind: str, table: str, rule: str, quantity: str | None, phase: str | None, order: int | None, channel: str
) -> tuple[Any, ...]:
    rank = _KIND_ORDER.get(kind, 9)
    return rank, table or "", rule or "", quantity or "", phase or "", -1 if order is None else order, channel


def _start_and_point(finding: Finding) -> str:
    """A text that sorts as start and point do one after the other: nothing in a text sorts before a null."""
    start = finding.period.start if finding.period is not None else ""
    point = finding.snapshot.operating_point if finding.snapshot is not None else ""
    return f"{start}\0{point}" if point else start


def _start(finding: Finding) -> str:
    return finding.period.start if finding.period else ""


def _point(finding: Finding) -> str:
    return finding.snapshot.operating_point if finding.snapshot else ""


class Findings(Struct, frozen=True, dict=True):
    """The result of a check. `recordings`, `limit_tables` and `site` are as they stand in the findings file."""

    findings: tuple[Finding, ...]
    site: Mapping[str, Any] = field(default_factory=dict)
    recordings: tuple[Mapping[str, Any], ...] = ()
    limit_tables: tuple[Mapping[str, Any], ...] = ()
    remarks: tuple[str, ...] = ()
    """Lines for people (what was left out, remainders). They are not part of the findings file."""

    @cached_property
    def verdict(self) -> Verdict:
        """The worst present of fail, refused, inconclusive, waived, pass; inconclusive when nothing was judged."""
        present = {finding.verdict for finding in self.findings if finding.required}
        return next((verdict for verdict in ROLL_UP if verdict in present), Verdict.INCONCLUSIVE)

    @property
    def counts(self) -> dict[str, int]:
        """Findings of kind limit and safety by verdict; every verdict is a key."""
        counted = Counter(finding.verdict for finding in self.findings if finding.kind in ("limit", "safety"))
        return {verdict.value: counted[verdict] for verdict in Verdict}

    @property
    def exit_status(self) -> ExitStatus:
        """0, 1 or 3 (2 is never a result)."""
        if self.verdict is Verdict.FAIL:
            return ExitStatus.FAILED
        if self.verdict in (Verdict.PASS, Verdict.WAIVED):
            return ExitStatus.PASSED
        return ExitStatus.NOT_SHOWN

    def to_json(self) -> str:
        """The findings file: keys sorted, UTF-8, same bytes for same input."""
        from pqcheck.findings_file import as_text

        return as_text(self)

    def to_frame(self) -> pandas.DataFrame:
        """One row per finding, nested values flattened (``statistic_value``, ``limit_high`` ...)."""
        from pqcheck.findings_file import as_frame

        return as_frame(self)
