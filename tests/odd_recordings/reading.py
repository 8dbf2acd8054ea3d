"""The same rows read a second time, independently: cells as intervals of exact numbers, verdicts as counts.

Nothing here comes from the package. A cell is what docs/reference says; where two readings of a cell can be
defended, the one that says more is taken, so that a checker that is more careful is never contradicted.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

Number = Fraction | float
"""Exact, or infinite."""
INFINITE = float("inf")

UNITS: Mapping[str, Mapping[str, Fraction]] = {
    "voltage": {"": Fraction(1), "V": Fraction(1), "kV": Fraction(1000), "mV": Fraction(1, 1000)},
    "voltage_thd": {"": Fraction(1), "%": Fraction(1), "pu": Fraction(100), "p.u.": Fraction(100)},
    "flicker_pst": {"": Fraction(1)},
}
"""What may stand behind a number, and what it is multiplied with to be in V, % or 1."""
OVERFLOW = ("OL", "OVL", "OFL", "OVER")
SLOT_S = 600


@dataclass(frozen=True)
class Span:
    """Between which values a reading lies; unbounded where nothing was read."""

    low: Number
    high: Number

    @property
    def known(self) -> bool:
        """Whether anything at all was read."""
        return self.low > 0 or self.high < INFINITE


UNREAD = Span(Fraction(0), INFINITE)
"""Nothing was read: any value that the quantity can have."""


def cell_span(text: str, mark: str, quantity: str) -> Span:
    """What a cell says about a reading, in V, % or 1; `mark` is the decimal mark of the file."""
    point, group = re.escape(mark), "[,\u00a0\u202f ']" if mark == "." else "[.\u00a0\u202f ']"
    whole = rf"(?:[1-9][0-9]{{0,2}}(?:{group}[0-9]{{3}})+|[0-9]+)"
    number = rf"(?P<number>(?:{whole}(?:{point}[0-9]*)?|{point}[0-9]+)(?:[eE][+-]?[0-9]{{1,3}})?)"
    form = rf"(?P<side>[<>])?\s*(?P<sign>[+-]?){number}\s*(?P<unit>[^\s0-9]*)"
    match = re.fullmatch(form, text.strip(" \t\u00a0"))
    if match is None:
        return UNREAD
    digits = re.sub(group, "", match["number"]).replace(mark, ".")
    value = Fraction("0" + digits if digits.startswith(".") else digits)
    overflow = match["unit"].upper() in OVERFLOW
    factor = Fraction(1) if overflow else UNITS[quantity].get(match["unit"])
    if factor is None or (match["sign"] == "-" and value) or (overflow and match["side"]):
        return UNREAD
    value *= factor
    if match["side"] == "<":
        return Span(Fraction(0), value)
    return Span(value, INFINITE if overflow or match["side"] == ">" else value)


@dataclass(frozen=True)
class Row:
    """One row of a file: its text stamp and the cells behind it."""

    stamp: str
    cells: Sequence[str]


def rows_of(data: bytes, delimiter: str, mark: str) -> tuple[list[str], list[Row]]:
    """Header and rows of a file that may end anywhere.

    Without a final line break, a last row with fewer cells than the header is none; a last cell with fewer decimals
    than all others of its column, which have one number of them, was cut.
    """
    text = data.decode("utf-8-sig", errors="replace")
    lines = [line for line in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if line]
    if not lines:
        return [], []
    header, rows = lines[0], lines[1:]
    if rows and not text.endswith(("\n", "\r")):
        last, before = rows[-1], rows[:-1]
        if len(last) < len(header):
            rows = before
        else:
            decimals = {_decimals(row[-1], mark) for row in before if len(row) == len(header) and row[-1].strip()}
            if len(decimals) == 1 and _decimals(last[-1], mark) < max(1, *decimals) <= max(decimals):
                last[-1] = ""
    return header[1:], [Row(row[0], row[1:]) for row in rows if len(row) == len(header)]


def _decimals(cell: str, mark: str) -> int:
    return len(cell.split(mark)[1]) if mark in cell else 0


def aggregated(members: Sequence[Span]) -> Span:
    """Root mean square of the members as the span of its *square*, exact."""

    def square(side: Sequence[Number]) -> Number:
        return INFINITE if INFINITE in side else sum((Fraction(value) ** 2 for value in side), Fraction(0)) / len(side)

    return Span(square([span.low for span in members]), square([span.high for span in members]))


@dataclass(frozen=True)
class Rule:
    """A rule of the test's own table: `percent` of the values between the limits, in V, % or 1."""

    id: str
    quantity: str
    percent: int
    low: Fraction | None
    high: Fraction


@dataclass(frozen=True)
class Tally:
    """Slots of a period: counted ones, and which of them are certainly inside or outside."""

    expected: int
    excluded: int
    inside: int
    outside: int
    allowed: int
    """How many may lie outside."""

    @property
    def proves_pass(self) -> bool:
        """Whether all that is not certainly inside may lie outside."""
        counted = self.expected - self.excluded
        return counted > 0 and counted - self.inside <= self.allowed

    @property
    def proves_fail(self) -> bool:
        """Whether more lie outside for certain than may."""
        return self.outside > self.allowed


Slots = Mapping[int, Span]
"""The span of the square of each slot, by its number since 1970."""


def tally(
    rule: Rule, slots: Slots, first: int, end: int, excluded: frozenset[int], dead: frozenset[int], longer: Slots
) -> Tally:
    """Count the slots `first` to `end`; `dead` are those in which the supply was interrupted, which have no value.

    `longer` are the squares of means over three slots, from the one given: of those outside one slot at least is.
    """
    inside = outside = left_out = 0
    low, high = (rule.low or Fraction(0)) ** 2, rule.high**2
    for slot in range(first, end):
        if slot in excluded:
            left_out += 1
            continue
        span = UNREAD if slot in dead else slots.get(slot, UNREAD)
        inside += span.low >= low and span.high <= high
        outside += span.high < low or span.low > high
    for slot, span in longer.items():
        three = range(slot, slot + 3)
        known = any(each in excluded or each in dead or slots.get(each, UNREAD).known for each in three)
        if first <= slot and slot + 3 <= end and not known:
            outside += span.high < low or span.low > high
    counted = end - first - left_out
    return Tally(end - first, left_out, inside, outside, (100 - rule.percent) * counted // 100)
