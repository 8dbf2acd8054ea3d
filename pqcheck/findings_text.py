"""The text of the findings file, bit by bit: that of a year is larger than all the rest of a check.

What it holds is said by `findings_file.as_document`, and the two agree (`tests/test_findings_file.py`); here it is only
written, with sorted keys, and what hundreds of findings share is put into words once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from json.encoder import JSONEncoder, encode_basestring
from math import isfinite
from typing import Any

from pqcheck.findings import FORMAT, Finding, Findings, Margin, Statistic, Window, fingerprint_of
from pqcheck.findings_file import plain, rows_as_documents, version, whole

_dumped = JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False).encode

_AT_MOST = 4096
"""Texts of shared values that are kept at a time."""


def as_pieces(findings: Findings) -> Iterator[str]:
    """The findings file: keys sorted, one finding, recording and table a line."""

    def lines(values: Iterable[Iterable[str]]) -> Iterator[str]:
        before = "[\n  "
        for value in values:
            for piece in value:
                yield before + piece
                before = ""
            before = ",\n  "
        yield "[]" if before[0] == "[" else "\n ]"

    parts: dict[str, Iterable[str]] = {
        "counts": (_dumped(findings.counts),),
        "findings": lines(_findings(findings)),
        "format": (_dumped(FORMAT),),
        "limit_tables": lines((_dumped(dict(one)),) for one in findings.limit_tables),
        "produced_by": (_dumped({"name": "pqcheck", "version": version()}),),
        "recordings": lines((_dumped(dict(one)),) for one in findings.recordings),
        "site": (_dumped(dict(findings.site)),),
        "verdict": (_dumped(findings.verdict.value),),
    }
    before = "{\n"
    for name, pieces in parts.items():
        yield f'{before} "{name}": '
        yield from pieces
        before = ",\n"
    yield "\n}\n"


def _findings(findings: Findings) -> Iterator[Iterator[str]]:
    shared = _Shared()
    return (_finding(one, shared.text) for one in findings.findings)


class _Shared:
    """Texts of values that many findings hold, known by identity: equal values may differ in print (8 and 8.0)."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[Any, str]] = {}

    def text(self, value: Any) -> str:
        """The text of a dataclass of plain values, or of None."""
        if value is None:
            return "null"
        known = self._known.get(id(value))
        if known is None:
            if len(self._known) >= _AT_MOST:
                self._known.clear()
            # The value is held beside its text, so that no other can take its place in memory and be mistaken for it.
            known = self._known[id(value)] = (value, _dumped(plain(value)))
        return known[1]


def _finding(one: Finding, shared: Callable[[Any], str]) -> Iterator[str]:
    """`findings_file.finding_as_document` as text, its windows one by one."""
    to_id, to_limit, to_period, to_proven, to_reason, to_statistic, to_title = _between(
        one.kind, one.table, one.rule, one.clause, one.quantity, one.phase, one.order
    )
    snapshot = ""
    if one.snapshot is not None:
        point = {"operating_point": one.snapshot.operating_point, "rows": rows_as_documents(one.snapshot.rows)}
        snapshot = f'"snapshot": {_dumped(point)}, '
    head = (
        f'{to_id}{encode_basestring(one.id)}, "intervals": {shared(one.intervals)}{to_limit}{shared(one.limit)}, '
        f'"margin": {_margin(one.margin)}, "modifiers": {_modifiers(one.modifiers)}{to_period}{shared(one.period)}'
        f'{to_proven}{"true" if one.proven else "false"}{to_reason}{shared(one.reason)}{to_statistic}{snapshot}'
        f'"statistic": {_statistic(one.statistic)}{to_title}{encode_basestring(one.title)}, '
        f'"verdict": "{one.verdict.value}", "waiver": {"null" if one.waiver is None else _dumped(dict(one.waiver))}, '
        '"windows": ['
    )
    tail = (
        f'], "without_corrections": {_text(one.without_corrections)}, '
        f'"without_exclusions": {_text(one.without_exclusions)}}}'
    )
    if not one.windows:
        yield head + tail
        return
    yield head
    before = ""
    for window in one.windows:
        yield before + _window(window)
        before = ", "
    yield tail


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


@lru_cache(maxsize=_AT_MOST, typed=True)
def _between(
    kind: str, table: str, rule: str, clause: str, quantity: str | None, phase: str | None, order: int | None
) -> tuple[str, ...]:
    """What stands between the parts that differ from period to period."""
    mark = fingerprint_of(table, rule, quantity, phase, order)
    return (
        f'{{"clause": {_text(clause)}, "fingerprint": "{mark}", "id": ',
        f', "kind": {_text(kind)}, "limit": ',
        f', "order": {_number(order)}, "period": ',
        f', "phase": {_text(phase)}, "proven": ',
        f', "quantity": {_text(quantity)}, "reason": ',
        f', "rule": {_text(rule)}, ',
        f', "table": {_text(table)}, "title": ',
    )


def _text(value: str | None) -> str:
    return "null" if value is None else encode_basestring(value)


def _number(value: float | None) -> str:
    """A number as JSON has it. Raises `ValueError` for one that is not finite: the file has no word for it."""
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


def _statistic(statistic: Statistic | None) -> str:
    if statistic is None:
        return "null"
    to_value = _to_value(statistic.kind, statistic.percent, statistic.interval_s, statistic.unit)
    return f"{to_value}{_number(statistic.value)}}}"


@lru_cache(maxsize=_AT_MOST)
def _to_value(kind: str, percent: float | None, interval_s: float | None, unit: str) -> str:
    return (
        f'{{"interval_s": {_number(whole(interval_s))}, "kind": {_text(kind)}, "percent": {_number(whole(percent))}, '
        f'"unit": {_text(unit)}, "value": '
    )
