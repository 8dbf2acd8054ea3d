"""A small fleet for tests: weeks of voltage of invented meters, and a registry that names them."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

FACTS = {
    "nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz", "time_zone": "UTC",
    "limits": "en50160-2010-lv",
}  # fmt: skip


def week(
    path: Path, number: int, *, low: int = 0, start: str = "2031-03-03", days: int = 7, volts: float = 230.0
) -> None:
    """Single-phase voltage in 10-minute steps that no other number has; `low` readings lie at 203.5 V."""
    rows = ["time,voltage.an [V]"]
    first = datetime.fromisoformat(start)
    for slot in range(days * 144):
        value = 203.5 if slot < low else volts
        at = first + slot * timedelta(minutes=10)
        rows.append(f"{at.isoformat()}Z,{value + (slot * 7 + number) % 11 / 10 + number / 1000:.3f}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def fleet(folder: Path, count: int = 4) -> list[dict[str, str]]:
    """Recordings of `count` meters under ``data``, every fourth of them too low, and their registry rows."""
    (folder / "data").mkdir(exist_ok=True)
    rows = []
    for number in range(count):
        week(folder / "data" / f"m{number}.csv", number, low=80 if number % 4 == 1 else 0)
        rows.append({
            "site": f"M-{number:04d}", "recording": f"data/m{number}.csv", **FACTS,
            "feeder": f"F{number % 2}", "transformer": f"T{number // 4}",
        })  # fmt: skip
    return rows


def write_registry(path: Path, rows: Sequence[Mapping[str, str]]) -> Path:
    """The rows as CSV, a column for every key that any row has."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names)
        writer.writeheader()
        writer.writerows(rows)
    return path


def contents(results: Path) -> dict[str, bytes]:
    """Every result file by its name."""
    return {
        path.relative_to(results).as_posix(): path.read_bytes()
        for name in ("findings", "checks") for path in sorted((results / name).iterdir())
    }  # fmt: skip


def rows_of(results: Path) -> Any:
    """All findings, as pandas opens the dataset."""
    import pandas

    return pandas.read_parquet(results / "findings")


def documents(results: Path) -> dict[str, str]:
    """The findings files by site and place in the registry's naming."""
    return {
        path.name.rsplit("-", 1)[0]: gzip.decompress(path.read_bytes()).decode("utf-8")
        for path in sorted((results / "checks").iterdir())
    }
