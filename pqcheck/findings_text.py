"""The text of the findings file, bit by bit: that of a year is larger than all the rest of a check.

What it holds is said by `findings_file.as_document`, and the two agree (`tests/test_findings_file.py`); here it is only
written, with sorted keys, and what hundreds of findings share is put into words once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from json.encoder import JSONEncoder, encode_basestring
from math import isfinite
from typing import Any

from pqcheck.findings import FORMAT, Finding, Findings, FromReading, Margin, Period, Statistic, Window, fingerprint_of
from pqcheck.findings_file import plain, rows_as_documents, whole
from pqcheck.version import __version__

_dumped = JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False).encode

_AT_MOST = 4096
"""Texts of shared values that are kept at a time."""


def as_pieces(findings: Findings) -> Iterator[str]:
    """The findings file: keys sorted, one finding, recording and table a line."""

    def lines(values: Iterable[tuple[str, Iterable[str]]]) -> Iterator[str]:
        before = "[\n  "
        for first, rest in values:
            yield before + first
            yield from rest
            before = ",\n  "
        yield "[]" if before[0] == "[" else "\n ]"

    parts: dict[str, Iterable[str]] = {
        "counts": (_dumped(findings.counts),),
        "findings": lines(_findings(findings)),
        "format": (_dumped(FORMAT),),
        "limit_tables": lines((_dumped(dict(one)), ()) for one in findings.limit_tables),
        "produced_by": (_dumped({"name": "pqcheck", "version": __version__}),),
        "recordings": lines((_dumped(dict(one)), ()) for one in findings.recordings),
        "site": (_dumped(dict(findings.site)),),
        "verdict": (_dumped(findings.verdict.value),),
    }
    before = "{\n"
    for name, pieces in parts.items():
        yield f'{before} "{name}": '
        yield from pieces
        before = ",\n"
    yield "\n}\n"


def _findings(findings: Findings) -> Iterator[tuple[str, Iterable[str]]]:
    written = _Written()
    return (_finding(one, written) for one in findings.findings)


class _Written:
    """Texts that many findings share, known by identity: equal values may differ in print (8 and 8.0).

    What is known is held beside its text, so that nothing else can take its place in memory and be mistaken for it.
    """

    def __init__(self) -> None:
        self._known: dict[int, tuple[Any, str]] = {}
        self._periods: dict[int, tuple[Period, str, str]] = {}
        self._frame: FromReading | None = None
        self._around: dict[tuple[Any, ...], tuple[Finding, tuple[str, ...]]] = {}

    def text(self, value: Any) -> str:
        """The text of a dataclass of plain values, or of None."""
        if value is None:
            return "null"
        known = self._known.get(id(value))
        if known is None:
            if len(self._known) >= _AT_MOST:
                self._known.clear()
            known = self._known[id(value)] = (value, _dumped(plain(value)))
        return known[1]

    def period(self, period: Period) -> tuple[Period, str, str]:
        """A period, its text, and its start as it stands in an id."""
        known = self._periods.get(id(period))
        if known is None:
            if len(self._periods) >= _AT_MOST:
                self._periods.clear()
            known = self._periods[id(period)] = (period, _dumped(plain(period)), _inside(period.start))
        return known

    def around(self, one: Finding) -> tuple[str, ...]:
        """See `_around`; findings of one rule and channel follow each other, and most of them differ in little else."""
        if one._shared is None:
            return _around(one, self.text)
        if one._shared is not self._frame:
            self._frame = one._shared
            self._around.clear()
        key = (
            id(one.limit), id(one.reason), id(one.snapshot), id(one.waiver), one.verdict, one.modifiers, one.proven,
            one.without_corrections, one.without_exclusions,
        )  # fmt: skip
        known = self._around.get(key)
        if known is None:
            known = self._around[key] = (one, _around(one, self.text))
        return known[1]


def _finding(one: Finding, written: _Written) -> tuple[str, Iterable[str]]:
    """`findings_file.finding_as_document` as text: all of it, or what comes before its windows and then the rest."""
    to_start, to_intervals, to_margin, to_period, to_value, to_title, to_windows, tail = written.around(one)
    period, start = "null", ""
    if one.period is not None:
        _, period, start = written.period(one.period)
    if one.period is None or one.snapshot is not None:
        start = _inside(one.when)
    frame, left, reading = one._shared, one._left, one._value
    # A frame is asked directly for what was left out: the way over the attributes costs as much as the answer.
    if frame is None:
        title, margin, value = one.title, one.margin, _value_of(one.statistic)
    else:
        title = frame.title_at(reading) if "title" in left else one.title
        margin = frame.margin_at(reading) if "margin" in left else one.margin
        value = reading if "statistic" in left else _value_of(one.statistic)
    text = (
        f"{to_start}{start}{to_intervals}{written.text(one.intervals)}{to_margin}{_margin(margin)}{to_period}{period}"
        f"{to_value}{_number(value)}{to_title}{encode_basestring(title)}{to_windows}"
    )
    windows = one.windows
    return (text, _windows(windows, tail)) if windows else (text + tail, ())


def _windows(windows: Sequence[Window], tail: str) -> Iterator[str]:
    before = ""
    for window in windows:
        yield before + _window(window)
        before = ", "
    yield tail


def _value_of(statistic: Statistic | None) -> float | None:
    return None if statistic is None else statistic.value


def _inside(text: str) -> str:
    """A text as it stands inside another one."""
    return encode_basestring(text)[1:-1]


def _around(one: Finding, text: Callable[[Any], str]) -> tuple[str, ...]:
    """What stands around the start in the id, intervals, margin, period, value, title and windows of a finding."""
    mark = fingerprint_of(one.table, one.rule, one.quantity, one.phase, one.order)
    snapshot = ""
    if one.snapshot is not None:
        point = {"operating_point": one.snapshot.operating_point, "rows": rows_as_documents(one.snapshot.rows)}
        snapshot = f'"snapshot": {_dumped(point)}, '
    statistic, behind_value = "", ""
    if one.statistic is not None:
        given = one.statistic
        statistic = (
            f'{{"interval_s": {_number(whole(given.interval_s))}, "kind": {_text(given.kind)}, '
            f'"percent": {_number(whole(given.percent))}, "unit": {_text(given.unit)}, "value": '
        )
        behind_value = "}"
    return (
        f'{{"clause": {_text(one.clause)}, "fingerprint": "{mark}", "id": "{_inside(one.about)}@',
        '", "intervals": ',
        f', "kind": {_text(one.kind)}, "limit": {text(one.limit)}, "margin": ',
        f', "modifiers": {_modifiers(one.modifiers)}, "order": {_number(one.order)}, "period": ',
        f', "phase": {_text(one.phase)}, "proven": {"true" if one.proven else "false"}, '
        f'"quantity": {_text(one.quantity)}, "reason": {text(one.reason)}, "rule": {_text(one.rule)}, '
        f'{snapshot}"statistic": {statistic}',
        f'{behind_value}, "table": {_text(one.table)}, "title": ',
        f', "verdict": "{one.verdict.value}", '
        f'"waiver": {"null" if one.waiver is None else _dumped(dict(one.waiver))}, "windows": [',
        f'], "without_corrections": {_text(one.without_corrections)}, '
        f'"without_exclusions": {_text(one.without_exclusions)}}}',
    )


def _window(window: Window) -> str:
    """`findings_file.window_as_document` as text."""
    rows = ", ".join(
        f'{{"file": {_name(span.file)}, "first": {span.first}, "last": {span.last}}}' for span in window.rows
    )
    return (
        f'{{"end": "{window.end}", "intervals": {window.intervals}, "rows": [{rows}], "start": "{window.start}", '
        f'"worst": {_number(window.worst)}, "worst_at": "{window.worst_at}"}}'
    )


@lru_cache(maxsize=_AT_MOST)
def _name(file: str) -> str:
    return encode_basestring(file)


def _text(value: str | None) -> str:
    return "null" if value is None else encode_basestring(value)


def _number(value: float | None) -> str:
    """A number as JSON has it. Raises `ValueError` for one that is not finite: the file has no word for it."""
    if value.__class__ is float and isfinite(value):
        return repr(value)
    if value is None:
        return "null"
    if not isfinite(value):
        raise ValueError(f"{value} cannot be written to a findings file")
    return float.__repr__(value) if isinstance(value, float) else int.__repr__(value)


@lru_cache(maxsize=_AT_MOST)
def _modifiers(modifiers: tuple[str, ...]) -> str:
    return _dumped(modifiers)


def _margin(margin: Margin | None) -> str:
    if margin is None:
        return "null"
    share, value = _number(margin.percent_of_limit), _number(margin.value)
    return f'{{"percent_of_limit": {share}, "unit": {encode_basestring(margin.unit)}, "value": {value}}}'
