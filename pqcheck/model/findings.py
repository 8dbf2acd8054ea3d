"""Findings and what they are made of, and their order. Nothing here judges, reads or writes."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.recording import RowSpan
from pqcheck.model.verdict import Verdict, roll_up

if TYPE_CHECKING:
    import pandas

Number = int | float
"""A number of a finding: written as it is held, so a whole number that was read stays one."""

_KIND_ORDER = {"safety": 0, "limit": 1, "recording": 2, "prediction": 3}


class Reason(Struct, frozen=True, forbid_unknown_fields=True):
    """Why a finding is not a plain pass or fail: a code of the catalogue, the numbers, what would settle it."""

    code: str
    text: str
    advice: str


class Statistic(Struct, frozen=True, forbid_unknown_fields=True):
    """The judged statistic. `value` is None when nothing was judged."""

    kind: str
    percent: Number | None
    interval_s: Number | None
    value: Number | None
    unit: str


class Limit(Struct, frozen=True, forbid_unknown_fields=True):
    """The band, in the same unit as the statistic; a missing side is None."""

    low: Number | None
    high: Number | None
    unit: str


class StrictLimit(Limit, frozen=True, forbid_unknown_fields=True):
    """A band whose edges themselves lie outside: IEEE 519 asks for values below its limits."""


class Margin(Struct, frozen=True, forbid_unknown_fields=True):
    """Distance of the statistic to the nearer limit; negative outside."""

    value: Number
    unit: str
    percent_of_limit: Number | None


class Uncertainty(Struct, frozen=True, forbid_unknown_fields=True):
    """How many intervals lie outside at both edges of what the instrument leaves open around the limit.

    `outside_low` with the limit moved outwards by `expanded`, `outside_high` with it moved inwards.
    """

    rule: str
    outside_low: int
    outside_high: int
    expanded: str


class Intervals(Struct, frozen=True, forbid_unknown_fields=True):
    """The count the verdict rests on."""

    expected: int
    valid: int
    missing: int
    excluded: int
    outside: int
    allowed: int


class Window(Struct, frozen=True, forbid_unknown_fields=True):
    """A run of outside intervals, half-open, stamps as ISO texts in the site's zone."""

    start: str
    end: str
    intervals: int
    worst: Number
    worst_at: str
    rows: tuple[RowSpan, ...] = ()


class Period(Struct, frozen=True, forbid_unknown_fields=True):
    """The span judged: length "day", "week", "year" or "recording"; half-open ISO stamps in the site's zone."""

    length: str
    start: str
    end: str


class Snapshot(Struct, frozen=True, forbid_unknown_fields=True):
    """A spectrum without a time axis, declared as a steady operating point: its name and where it stands."""

    operating_point: str
    rows: tuple[RowSpan, ...] = ()


class EventCell(Struct, frozen=True, forbid_unknown_fields=True):
    """One class of events, and how many events on one, two and three phases fell into it."""

    name: str
    kind: str
    one_phase: int
    two_phases: int
    three_phases: int

    @property
    def count(self) -> int:
        """All events of the class."""
        return self.one_phase + self.two_phases + self.three_phases


class Finding(Struct, frozen=True):
    """One rule, one channel, one period: one finding."""

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
    uncertainty: Uncertainty | None = None
    cells: tuple[EventCell, ...] = ()
    """Of classes of events: every class with its counts."""
    """Set instead of `period` when a single spectrum was judged."""

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
    def fingerprint(self) -> str:
        """First 16 hex digits of sha256 over ``table/rule/quantity/phase/order``: stable from run to run."""
        return _fingerprint(self.table, self.rule, self.quantity, self.phase, self.order)

    @property
    def required(self) -> bool:
        """Whether the finding takes part in roll-up and exit code."""
        return self.kind == "safety" or (self.kind == "limit" and self.verdict is not Verdict.NOT_APPLICABLE)

    def __repr__(self) -> str:
        """``<Finding fail en50160-2010-lv/voltage-week-95/voltage.an@...: 205.5 V>``."""
        value = "" if self.statistic is None or self.statistic.value is None else f": {self.statistic.value:.6g}"
        unit = f" {self.statistic.unit}" if value and self.statistic is not None else ""
        return f"<Finding {self.verdict.value} {self.id}{value}{unit}>"

    def replaced(self, **changes: Any) -> Finding:
        """A copy with some fields changed."""
        return replace(self, **changes)


@lru_cache(maxsize=4096)
def _fingerprint(table: str, rule: str, quantity: str | None, phase: str | None, order: int | None) -> str:
    """First 16 hex digits of sha256 over ``table/rule/quantity/phase/order``, with ``-`` for what does not exist."""
    parts = (table, rule, quantity, phase, order)
    text = "/".join("-" if part is None or part == "" else str(part) for part in parts)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Danger signs first, then table, rule, phase, order, period: stable and independent of input order."""
    # In two goes, each with a key that many findings share: one key for each finding of a year would take 20 MB.
    return tuple(sorted(sorted(findings, key=_start_and_point), key=_question))


def _question(finding: Finding) -> tuple[Any, ...]:
    return _question_key(
        finding.kind, finding.table, finding.rule, finding.quantity, finding.phase, finding.order, finding.channel
    )


@lru_cache(maxsize=4096)
def _question_key(
    kind: str, table: str, rule: str, quantity: str | None, phase: str | None, order: int | None, channel: str
) -> tuple[Any, ...]:
    rank = _KIND_ORDER.get(kind, 9)
    return rank, table or "", rule or "", quantity or "", phase or "", -1 if order is None else order, channel


def _start_and_point(finding: Finding) -> str:
    """A text that sorts as start and point do one after the other: nothing in a text sorts before a null."""
    start = finding.period.start if finding.period is not None else ""
    point = finding.snapshot.operating_point if finding.snapshot is not None else ""
    return f"{start}\0{point}" if point else start


class Findings(Struct, frozen=True, dict=True):
    """The result of a check. `recordings`, `limit_tables` and `site` are as they stand in the findings file."""

    findings: tuple[Finding, ...]
    site: Mapping[str, Any] = field(default_factory=dict)
    recordings: tuple[Mapping[str, Any], ...] = ()
    limit_tables: tuple[Mapping[str, Any], ...] = ()
    remarks: tuple[str, ...] = ()
    """Lines for people (what was left out, remainders). They are not part of the findings file."""
    declared_away: Mapping[str, int] = field(default_factory=dict)
    """By section of the site file (exclusions, corrections, coverage, criteria) that is declared: how many verdicts
    would be others without it."""
    margin_percent: float | None = None
    """The margin that a gate asked for, in percent of each limit; None where it asked for none."""

    def __repr__(self) -> str:
        """``<Findings fail: 2 criteria of Heron Wharf, 1 fail, 1 pass>``."""
        counts = ", ".join(f"{count} {word}" for word, count in self.counts.items() if count)
        name = f" of {' '.join(str(self.site['name']).split())}" if self.site.get("name") else ""
        asked = sum(finding.required and finding.kind == "limit" for finding in self.findings)
        return f"<Findings {self.verdict.value}: {asked} criteria{name}{f', {counts}' if counts else ''}>"

    @cached_property
    def verdict(self) -> Verdict:
        """The roll-up of the required findings."""
        return roll_up(finding.verdict for finding in self.findings if finding.required)

    @property
    def counts(self) -> dict[str, int]:
        """Findings of kind limit and safety by verdict; every verdict is a key."""
        counted = Counter(finding.verdict for finding in self.findings if finding.kind in ("limit", "safety"))
        return {verdict.value: counted[verdict] for verdict in Verdict}

    @property
    def exit_status(self) -> ExitStatus:
        """0, 1 or 3 (2 is never a result)."""
        return exit_status(self.verdict)

    def to_json(self) -> str:
        """The findings file: keys sorted, UTF-8, same bytes for same input."""
        from pqcheck.model.findings_file import as_pieces

        return "".join(as_pieces(self))

    def _repr_html_(self) -> str:
        """The answer, the criteria and their margins, as a notebook shows them."""
        from pqcheck.model.findings_card import as_card

        return as_card(self)

    def windows_frame(self) -> pandas.DataFrame:
        """One row per window: the finding it belongs to (``id``), times as datetime64 in UTC, count, worst reading.

        ``rows`` says where it stands in the files, ``week.csv:12-17``. Columns and types are the same whatever the
        findings hold.
        """
        from pqcheck.model.findings_frame import windows_frame_of

        return windows_frame_of(self.findings)

    def to_frame(self) -> pandas.DataFrame:
        """One row per finding, nested values flattened (``statistic_value``, ``limit_high`` ...); windows as number.

        The columns and their types are the same whatever the findings hold: counts as Int64, readings as float64,
        times as datetime64 in UTC, texts as string; what does not exist is a missing value.
        """
        from pqcheck.model.findings_frame import frame_of

        return frame_of(self.findings)
