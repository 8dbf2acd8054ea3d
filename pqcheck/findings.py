"""Verdicts, findings, their roll-up and order, and the findings file. Nothing here judges.

The findings file (docs/reference/findings-file.md) is a `Findings` with its structs as JSON objects, plus what follows
from them: ids, fingerprints, verdict and counts. ``pqcheck/findings.schema.json`` describes it to others.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import IntEnum, StrEnum
from functools import cached_property, lru_cache
from json.encoder import JSONEncoder
from typing import TYPE_CHECKING, Any

from msgspec import Struct, ValidationError, convert, field, to_builtins
from msgspec.structs import replace

from pqcheck.errors import InputError
from pqcheck.recording import RowSpan
from pqcheck.version import __version__

if TYPE_CHECKING:
    import pandas

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


class Margin(Struct, frozen=True, forbid_unknown_fields=True):
    """Distance of the statistic to the nearer limit; negative outside."""

    value: Number
    unit: str
    percent_of_limit: Number | None


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


def roll_up(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst present of fail, refused, inconclusive, waived, pass; inconclusive when nothing was judged."""
    present = set(verdicts)
    return next((verdict for verdict in ROLL_UP if verdict in present), Verdict.INCONCLUSIVE)


def exit_status(verdict: Verdict) -> ExitStatus:
    """What a process returns whose result rolls up to `verdict`: 0, 1 or 3 (2 is never a result)."""
    if verdict is Verdict.FAIL:
        return ExitStatus.FAILED
    return ExitStatus.PASSED if verdict in (Verdict.PASS, Verdict.WAIVED) else ExitStatus.NOT_SHOWN


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
        return "".join(as_pieces(self))

    def to_frame(self) -> pandas.DataFrame:
        """One row per finding, nested values flattened (``statistic_value``, ``limit_high`` ...); windows as number."""
        import pandas

        return pandas.DataFrame([_flat(finding_as_document(finding)) for finding in self.findings])


_NOT_HELD = {"id", "fingerprint"}
"""Keys of a finding in the file that follow from its fields; `channel`, the other way round, is part of the id."""
_KEYS = {*Finding.__struct_fields__, *_NOT_HELD} - {"channel", "snapshot"}
_encode = JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False).encode


def finding_as_document(finding: Finding) -> dict[str, Any]:
    """One finding as plain JSON types, where a list may be a tuple."""
    document: dict[str, Any] = to_builtins(finding, enc_hook=_plain)
    del document["channel"]
    if finding.snapshot is None:
        del document["snapshot"]
    if finding.statistic is not None:
        statistic = document["statistic"]
        statistic |= {name: _whole(statistic[name]) for name in ("percent", "interval_s")}
    return {"id": finding.id, **document, "fingerprint": finding.fingerprint}


def _plain(value: Any) -> dict[Any, Any] | list[Any]:
    """Sequences and mappings of our own: windows that are made only when they are read."""
    return dict(value) if isinstance(value, Mapping) else list(value)


def _whole(value: Number | None) -> Number | None:
    """95 rather than 95.0: shares and interval lengths are usually whole."""
    return int(value) if value is not None and float(value).is_integer() else value


def _around_findings(findings: Findings) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "produced_by": {"name": "pqcheck", "version": __version__},
        "site": dict(findings.site),
        "recordings": [dict(recording) for recording in findings.recordings],
        "limit_tables": [dict(table) for table in findings.limit_tables],
        "verdict": findings.verdict.value,
        "counts": findings.counts,
    }


def as_document(findings: Findings) -> dict[str, Any]:
    """The findings file as plain JSON types, where a list may be a tuple."""
    return _around_findings(findings) | {"findings": [finding_as_document(finding) for finding in findings.findings]}


def as_pieces(findings: Findings) -> Iterator[str]:
    """The text of the findings file, one finding, recording and table a line, piece by piece: that of a year is large.

    Raises `ValueError` for a number that is not finite: the file has no word for it.
    """
    values = _around_findings(findings)
    lines: dict[str, Iterable[Iterable[str]]] = {
        name: ([_encode(value)] for value in values[name]) for name in ("limit_tables", "recordings")
    }
    lines["findings"] = (_finding_pieces(finding) for finding in findings.findings)
    before = "{\n"
    for name in sorted({*values, *lines}):
        yield f'{before} "{name}": '
        yield from _one_a_line(lines[name]) if name in lines else [_encode(values[name])]
        before = ",\n"
    yield "\n}\n"


def _one_a_line(values: Iterable[Iterable[str]]) -> Iterator[str]:
    before = "[\n  "
    for pieces in values:
        yield before
        yield from pieces
        before = ",\n  "
    yield "[]" if before[0] == "[" else "\n ]"


def _finding_pieces(finding: Finding) -> Iterator[str]:
    if not finding.windows:
        yield _encode(finding_as_document(finding))
        return
    # A quotation mark inside a text is written with a backslash, so this is the key itself.
    around = _encode(finding_as_document(finding.replaced(windows=())))
    before, after = around.split('"windows": []')
    yield before + '"windows": '
    for number, window in enumerate(finding.windows):
        yield f"{', ' if number else '['}{_encode(to_builtins(window))}"
    yield "]" + after


def from_document(document: Any) -> Findings:
    """Findings from a findings file read as JSON.

    Raises `InputError` when the document is of another format version or does not hold together.
    """
    if not isinstance(document, Mapping) or document.get("format") != FORMAT:
        found = document.get("format") if isinstance(document, Mapping) else None
        raise InputError(f"this is no findings file of format {FORMAT} (found {found!r}); write one with check --json")
    try:
        findings = convert([_with_channel(finding) for finding in document["findings"]], list[Finding])
        return Findings(
            findings=tuple(finding.replaced(windows=tuple(finding.windows)) for finding in findings),
            site=document["site"],
            recordings=tuple(document["recordings"]),
            limit_tables=tuple(document["limit_tables"]),
        )
    except (KeyError, TypeError, ValueError, ValidationError) as error:
        raise InputError(f"the findings file does not hold together: {error!r}; write it again with check") from error


def _with_channel(finding: Mapping[str, Any]) -> dict[str, Any]:
    missing = _KEYS - finding.keys()
    if missing:
        raise KeyError(min(missing))
    return {**finding, "channel": str(finding["id"]).split("@", 1)[0].split("/")[-1]}


def _flat(document: dict[str, Any]) -> dict[str, Any]:
    """One finding as the row of a table."""
    document |= {"windows": len(document["windows"]), "modifiers": " ".join(document["modifiers"])}
    if "snapshot" in document:
        document["operating_point"] = document.pop("snapshot")["operating_point"]
    flat: dict[str, Any] = {}
    for key, value in document.items():
        part = key in ("period", "reason", "statistic", "limit", "margin", "intervals")
        flat |= {f"{key}_{inner}": each for inner, each in (value or {}).items()} if part else {key: value}
    return flat
