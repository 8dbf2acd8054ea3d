"""What the invented recordings are made of: stamps, waves and scatter by formula, written as CSV text.

Nothing here uses pqcheck or chance: the same bytes on every machine. The `make_case.py` of a folder names its files in
`FILES`; `python -m reference_cases.invented [FOLDER...]` writes them, and a test fails when file and formula differ.
"""

from __future__ import annotations

import runpy
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

MONDAY = datetime(2031, 3, 3, tzinfo=UTC)
TEN_MINUTES = 600
WEEK = 1008
"""Ten-minute intervals of a week."""


def wave(index: int, per_day: int = 144) -> float:
    """A triangle over the day between -1 (midnight) and 1 (noon)."""
    return 1 - abs(4 * (index % per_day) / per_day - 2)


def scatter(index: int, seed: int = 0) -> float:
    """A number between -0.5 and 0.5 that looks like chance: the bits of the index, mixed."""
    bits = (index * 0x9E3779B1 + seed * 0x85EBCA77 + 0x165667B1) & 0xFFFFFFFF
    for _ in range(2):
        bits = ((bits ^ (bits >> 15)) * 0x2C1B3C6D) & 0xFFFFFFFF
    return ((bits ^ (bits >> 16)) & 0xFFFF) / 0xFFFF - 0.5


def steady(level: float, count: int = WEEK, *, swing: float = 1.0, noise: float = 0.6, seed: int = 0) -> list[float]:
    """A quiet channel: a level with a daily swing and some scatter, at ten minutes."""
    return [level + swing * wave(index) + noise * scatter(index, seed) for index in range(count)]


def marked(values: Sequence[float], outside: Mapping[int, float]) -> list[float]:
    """The values with some of them replaced."""
    changed = list(values)
    for index, value in outside.items():
        changed[index] = value
    return changed


def table(
    columns: Mapping[str, Sequence[float | str | None]],
    *,
    start: datetime = MONDAY,
    step_s: int = TEN_MINUTES,
    decimals: int | Mapping[str, int] = 2,
    zone: str | None = None,
    left_out: Sequence[int] = (),
) -> str:
    """A plain table. Stamps in UTC with a Z, or as the wall clock of `zone` without any offset.

    None is an empty cell, text stands as it is, rows `left_out` are not written at all.
    """
    places = [decimals if isinstance(decimals, int) else decimals.get(name, 2) for name in columns]
    lines = ["time," + ",".join(columns)]
    gone = set(left_out)
    for index, row in enumerate(zip(*columns.values(), strict=True)):
        if index in gone:
            continue
        moment = start + timedelta(seconds=step_s * index)
        form = "%Y-%m-%dT%H:%M" if step_s % 60 == 0 else "%Y-%m-%dT%H:%M:%S"
        stamp = moment.strftime(form) + "Z" if zone is None else moment.astimezone(ZoneInfo(zone)).strftime(form)
        cells = (
            "" if value is None else value if isinstance(value, str) else f"{value:.{digits}f}"
            for value, digits in zip(row, places, strict=True)
        )
        lines.append(stamp + "," + ",".join(cells))
    return "\n".join(lines) + "\n"


def files_of(folder: Path) -> dict[str, str]:
    """The files that the `make_case.py` of a folder makes, by name; none where there is no such script."""
    script = folder / "make_case.py"
    return dict(runpy.run_path(str(script))["FILES"]) if script.exists() else {}


def kept(folder: Path) -> dict[str, str]:
    """Those of them that are kept beside the script; the `.gitignore` of a folder names what is too large for that."""
    ignored = folder / ".gitignore"
    large = ignored.read_text(encoding="utf-8").split() if ignored.exists() else []
    return {name: text for name, text in files_of(folder).items() if name not in large}


def main(names: Sequence[str]) -> None:
    """Write the kept files of all folders anew, or all files of the folders that are named."""
    here = Path(__file__).parent
    for folder in [here / name for name in names] or sorted(path for path in here.iterdir() if path.is_dir()):
        for name, text in (files_of(folder) if names else kept(folder)).items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
