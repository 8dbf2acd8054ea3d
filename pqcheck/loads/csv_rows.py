"""Small CSV files that the site file names: the spectrum or the profile of a new load."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from pqcheck.model.errors import SiteError
from pqcheck.model.small_files import read_small


def csv_rows(path: Path, what: str, where: str) -> list[list[str]]:
    """The rows that hold anything, cells without outer blanks; commas or semicolons between them.

    `what` ("spectrum", "profile") and `where` name the file in errors. Raises `SiteError` for what is no UTF-8 text.
    """
    try:
        text = read_small(path).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        undecoded = isinstance(error, UnicodeDecodeError)
        why = "it is not UTF-8 text" if undecoded else str(getattr(error, "strerror", error)).lower()
        message = f"{where}: the {what} {path.name!r} cannot be read ({why}); check the path"
        raise SiteError(message) from None
    delimiter = ";" if text.count(";") > text.count(",") else ","
    rows = ([cell.strip() for cell in row] for row in csv.reader(io.StringIO(text), delimiter=delimiter))
    return [row for row in rows if any(row)]
