"""Start to verdict for one spectrum, against the time in which Python imports numpy and jsonschema.

Both commands once per round, the ratio taken round by round; the median counts. Goal: at most 3.

    python tests/benchmarks/spectrum_start.py [ROUNDS]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLE = ROOT / "docs" / "sample-gate"
IMPORTS = [sys.executable, "-c", "import numpy, jsonschema"]


def seconds(command: list[str], folder: Path) -> float:
    """Wall time of a whole process."""
    start = time.perf_counter()
    subprocess.run(command, cwd=folder, capture_output=True, check=False)
    return time.perf_counter() - start


def one_point(folder: Path) -> Path:
    """The sample's spectrum at full load only."""
    header, *rows = (SAMPLE / "spectra" / "release.csv").read_text(encoding="utf-8").splitlines()
    path = folder / "spectrum.csv"
    path.write_text("\n".join([header, *(row for row in rows if row.startswith("100 %"))]) + "\n", encoding="utf-8")
    return path


def main() -> None:
    """Print the median and the range of the ratio."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 11
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        spectrum, site = one_point(folder), SAMPLE / "site" / "weak-grid.toml"
        gate = [sys.executable, "-m", "pqcheck", "gate", str(spectrum), "--site", str(site), "--as-of", "2031-04-01"]
        for command in (IMPORTS, gate):
            seconds(command, ROOT)
        pairs = [(seconds(IMPORTS, ROOT), seconds(gate, ROOT)) for _ in range(rounds)]
    ratios = sorted(judged / imported for imported, judged in pairs)
    middle = statistics.median(ratios)
    print(f"imports {statistics.median(pair[0] for pair in pairs) * 1000:.0f} ms, "
          f"gate {statistics.median(pair[1] for pair in pairs) * 1000:.0f} ms")
    print(f"ratio {middle:.2f} (from {ratios[0]:.2f} to {ratios[-1]:.2f}, {rounds} rounds)")


if __name__ == "__main__":
    main()
