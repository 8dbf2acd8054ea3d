"""How a delimited text is written: delimiter, decimal mark, where its header and its rows begin.

Found once from the first lines, by what the cells look like; what the site file declares is taken as it stands.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from msgspec import Struct

from pqcheck.io.csv.cells import is_value
from pqcheck.io.csv.text_file import Text, split_line
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import QUANTITIES

DELIMITERS = (",", ";", "\t", "|")
PREAMBLE_LIMIT = 80
HEADER_LIMIT = 3
LOOKED_AT = 20
CELLS_LOOKED_AT = 40
"""Cells of a line that decide what it is; wide tables repeat themselves."""
_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}

_CLOCK = r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?\s*(?:[AaPp]\.?\s?[Mm]\.?)?"
_ZONE = r"\s?(?:Z|UTC|[+-]\d\d(?::?\d\d)?)?"
DATE = re.compile(rf"\d{{1,4}}([-./])\d{{1,2}}\1\d{{1,4}}(?:(?:T|,? +){_CLOCK}{_ZONE})?\Z|\d{{8}}T\d{{4,6}}{_ZONE}\Z")
CLOCK = re.compile(rf"{_CLOCK}\Z")


class Dialect(Struct, frozen=True):
    """The choice made for one file.

    `headers` are the names of the columns (header lines joined by a blank), `units` what a line of units says about
    them. Rows begin at byte `first_byte`, on line `first_line`. `headings` are all lines above, to know them again.
    """

    delimiter: str
    decimal: str
    headers: tuple[str, ...]
    units: tuple[str, ...]
    first_line: int
    first_byte: int
    headings: frozenset[bytes]
    preamble: tuple[str, ...]
    encoding: str
    header_rows: int

    @staticmethod
    def plain_description(encoding: str) -> str:
        """What `description` is for the plain table."""
        return f"commas between cells, decimal point, header of 1 line, rows from line 2, {encoding}"

    @property
    def description(self) -> str:
        """The choice in words."""
        mark = "decimal comma" if self.decimal == "," else "decimal point"
        lines = "line" if self.header_rows == 1 else "lines"
        head = f"header of {self.header_rows} {lines}, rows from line {self.first_line}"
        return f"{_NAMES.get(self.delimiter, repr(self.delimiter))} between cells, {mark}, {head}, {self.encoding}"


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of one line, quotes and outer blanks removed."""
    return [cell.strip() for cell in split_line(line, delimiter)]


def is_time(cell: str) -> bool:
    """Whether a cell looks like a date, a time of day, or both."""
    return bool(DATE.match(cell) or CLOCK.match(cell))


def is_row(cells: Sequence[str]) -> bool:
    """Whether a line is a row of readings: mostly numbers and stamps, at least one of each kind of cell."""
    filled = [cell for cell in cells[:CELLS_LOOKED_AT] if cell]
    if len(cells) < 2 or not filled:
        return False
    times = sum(is_time(cell) for cell in filled)
    values = sum(is_value(cell) and not is_time(cell) for cell in filled)
    if 2 * (times + values) < len(filled):
        return False
    # A row whose readings are all blank still has its stamp; a serial day number looks like a value.
    return values >= 2 or (times > 0 and (values > 0 or len(filled) == times))


def find_dialect(text: Text, declared: Mapping[str, Any], mapped: Collection[str] = ()) -> Dialect:
    """The dialect of a text. InputError when there are no rows, no header, or the decimal mark cannot be told.

    A first line with a column `time` and further columns that the contract or the site file (`mapped`) names is a
    header by itself, whatever follows.
    """
    name = text.source.name
    lines = [text.decode(line) for line in text.lines()]
    skip = 0
    given = declared.get("delimiter")
    plain = None if declared.get("header_rows") else _plain(lines[0] if lines else "", given, mapped)
    if plain:
        headers = tuple(cells_of(lines[0], plain))
        decimal = declared.get("decimal")
        if not decimal and plain == "," and '"' not in "".join(lines[1:LOOKED_AT]):
            # Between unquoted commas a comma cannot be a decimal mark.
            decimal = "."
        if not decimal:
            table = [cells_of(line, plain) for line in lines[1 : LOOKED_AT + 10_000 // len(headers)] if line]
            decimal = _decimal(table, plain, name)
        first = text.head.find(b"\n") + 1 or len(text.head)
        heading = text.head[:first].strip()
        return Dialect(
            plain, decimal, headers, (), 2, text.start + first, frozenset((heading,)), (), text.encoding, 1
        )
    if lines and re.fullmatch(r"sep=.", lines[0].strip('"'), re.IGNORECASE):
        given = given or lines[0].strip('"')[4]
        skip = 1
    given = {"tab": "\t", "\\t": "\t"}.get(str(given), given)
    delimiter = str(given) if given else _delimiter(lines[skip:], name)
    logical = _logical(lines, delimiter)
    first = _first_row(logical, skip, declared.get("header_rows"), name)
    last = first + max(LOOKED_AT, 10_000 // len(logical[first][1]))
    table = [cells for _, cells in logical[first:last] if is_row(cells)]
    decimal = declared.get("decimal") or _decimal(table, delimiter, name)
    rows, units = _header(logical[skip:first], declared.get("header_rows"), name)
    width = max([len(cells) for cells in rows] + [_usual(table)])
    if width < 2:
        raise InputError(f"{name} has one column only; a recording needs stamps and at least one column of readings")
    headers = _joined(rows, width)
    first_line = logical[first][0] if first < len(logical) else len(lines)
    raw = text.head.split(b"\n")
    offset = text.start + sum(len(line) + 1 for line in raw[:first_line])
    headings = frozenset(line.strip() for line in raw[:first_line] if line.strip())
    count = len(rows) + (1 if units else 0)
    above = tuple(line.strip(delimiter + " ") for line in lines[skip:first_line] if line.strip(delimiter + " "))
    return Dialect(
        delimiter, decimal, headers, tuple((units + [""] * width)[:width]) if units else (), first_line + 1, offset,
        headings, above[: max(0, len(above) - count)], text.encoding, count,
    )


def _plain(line: str, given: object, mapped: Collection[str]) -> str:
    """The delimiter of a plain table's header, or nothing."""
    for delimiter in (str(given),) if given else DELIMITERS:
        cells = cells_of(line, delimiter) if len(delimiter) == 1 else []
        known = [cell in mapped or cell.split("[")[0].split(".")[0].strip() in QUANTITIES for cell in cells]
        if len(cells) > 1 and ("time" in cells or any(cell in mapped for cell in cells)) and any(known):
            return delimiter
    return ""


def _logical(lines: Sequence[str], delimiter: str) -> list[tuple[int, list[str]]]:
    """(index of the physical line, cells); a quoted cell may hold line feeds."""
    result: list[tuple[int, list[str]]] = []
    at = 0
    while at < min(len(lines), PREAMBLE_LIMIT + 500):
        end = at + 1
        joined = lines[at]
        while joined.count('"') % 2 and end < len(lines) and end - at < 8:
            joined += " " + lines[end]
            end += 1
        if joined.count('"') % 2:
            joined, end = lines[at], at + 1
        result.append((at, cells_of(joined, delimiter)))
        at = end
    return result


def _delimiter(lines: Sequence[str], name: str) -> str:
    best, score = "", 0.0
    for delimiter in DELIMITERS:
        split = [cells_of(line, delimiter) for line in lines[: PREAMBLE_LIMIT + LOOKED_AT] if line.strip()]
        rows = [cells for cells in split if len(cells) > 1 and is_row(cells)][:LOOKED_AT]
        if not rows:
            # A file of headers only is cut by what cuts it most.
            points = 1e-6 * max((len(cells) - 1 for cells in split), default=0)
        else:
            some = [cell for cells in rows for cell in cells[:CELLS_LOOKED_AT]]
            good = sum(is_time(cell) or is_value(cell) or not cell for cell in some)
            points = len(rows) * good / len(some) + 1e-4 * len(rows[0])
        if points > score:
            best, score = delimiter, points
    if not best:
        raise InputError(f"{name} has one column only; a recording needs stamps and at least one column of readings")
    return best


def _first_row(
    logical: Sequence[tuple[int, list[str]]], skip: int, declared: int | None, name: str
) -> int:
    for at in range(skip, min(len(logical), PREAMBLE_LIMIT)):
        if not is_row(logical[at][1]):
            continue
        following = [cells for _, cells in logical[at + 1 : at + 4] if any(cells)]
        if not following or any(is_row(cells) or _only_stamp(cells, logical[at][1]) for cells in following):
            if at == skip and not declared == 0:
                raise InputError(
                    f"{name} has no header: its first line is a row of readings; add a line with the names of the "
                    "columns"
                )
            return at
    if len(logical) > PREAMBLE_LIMIT:
        raise InputError(
            f"no rows of readings were found in the first {PREAMBLE_LIMIT} lines of {name}; remove what stands above "
            "the table"
        )
    raise InputError(f"{name} holds a header and no rows; export the recording again")


def _only_stamp(cells: Sequence[str], row: Sequence[str]) -> bool:
    """Whether cells are a stamp that looks like a number and blank readings, below a row as wide."""
    filled = [at for at, cell in enumerate(cells) if cell]
    return len(cells) == len(row) and len(filled) == 1 and is_value(cells[filled[0]]) and is_value(row[filled[0]])


def _usual(table: Sequence[Sequence[str]]) -> int:
    counts = [len(cells) for cells in table]
    return max(set(counts), key=counts.count) if counts else 0


def _decimal(table: Sequence[Sequence[str]], delimiter: str, name: str) -> str:
    """The decimal mark, from cells that can be read one way only; thousands marks are three digits apart."""
    commas, points, doubtful = 0, 0, ""
    for cells in table:
        for cell in cells:
            bare = cell.lstrip("<>+- ")
            if is_time(cell) or not is_value(cell):
                continue
            digits = re.match(r"[\d.,]+", bare)
            if not digits:
                continue
            number = digits[0]
            if "," in number and "." in number:
                commas, points = (commas + 1, points) if number.rfind(",") > number.rfind(".") else (commas, points + 1)
            elif number.count(",") > 1:
                points += 1
            elif number.count(".") > 1:
                commas += 1
            elif re.fullmatch(r"[1-9]\d{0,2},\d{3}", number):
                doubtful = doubtful or cell
            elif "," in number:
                commas += 1
            elif "." in number and not re.fullmatch(r"[1-9]\d{0,2}\.\d{3}", number):
                points += 1
    if commas and points:
        # Both occur: glued texts apart, the mark that decides more cells is the decimal mark.
        return "," if commas > points else "."
    if doubtful and not commas and not points:
        raise InputError(
            f"{name}: {doubtful!r} could be a decimal comma or a thousands comma, and no cell decides; add "
            'decimal = "," (or decimal = ".") under [recording] in the site file'
        )
    return "," if commas else "."


def _header(
    above: Sequence[tuple[int, list[str]]], declared: int | None, name: str
) -> tuple[list[list[str]], list[str]]:
    """Header lines (top first) and the line of units, if there is one."""
    from pqcheck.io.headers.tokens import names_quantity

    filled = [cells for _, cells in above if any(cells)]
    if declared == 0:
        return [], []
    if not filled:
        raise InputError(f"{name} has no header line above its rows; add a line with the names of the columns")
    if declared is not None:
        chosen = filled[-declared:]
        if len(chosen) > 1 and _all_units(chosen[-1]):
            return chosen[:-1], chosen[-1]
        return chosen, []
    units: list[str] = []
    at = len(filled) - 1
    if at > 0 and _all_units(filled[at]):
        units = filled[at]
        at -= 1
    rows = [filled[at]]
    # Lines above belong to the header as long as the names below say a phase or a statistic and no quantity.
    while at > 0 and len(rows) + bool(units) < HEADER_LIMIT and not any(names_quantity(cell) for cell in rows[0]):
        at -= 1
        if sum(bool(cell) for cell in filled[at]) < 2 and not any(names_quantity(cell) for cell in filled[at]):
            break
        rows.insert(0, filled[at])
    return rows, units


def _all_units(cells: Sequence[str]) -> bool:
    from pqcheck.io.headers.tokens import is_unit

    filled = [cell.strip("[]() ") for cell in cells if cell]
    return bool(filled) and all(is_unit(cell) for cell in filled)


def _joined(rows: Sequence[Sequence[str]], width: int) -> tuple[str, ...]:
    """One name per column: merged cells are filled from the left, then the lines are joined."""
    names = [""] * width
    for number, row in enumerate(rows):
        last = ""
        for column in range(width):
            cell = " ".join(row[column].split()) if column < len(row) else ""
            if number < len(rows) - 1:
                # Only upper lines have merged cells, and a merged cell does not reach over the stamps.
                last = cell or last
                cell = last
            names[column] = f"{names[column]} {cell}".strip()
    return tuple(names)
