"""What the report of a week of 3-second values costs beside a plain matplotlib script that draws the same figures.

Both start from the same arrays in memory. The plain script thins them by slicing, draws as many figures of the same
kinds with matplotlib's own settings, and saves them as SVG. Run: ``python tests/benchmarks/report_week.py [ROUNDS]``.
"""

from __future__ import annotations

import io
import statistics
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pqcheck.observe.gather import asked_by_tables, gather
from pqcheck.reports.html.build import as_html
from pqcheck.workflows.check_recording import check
from pqcheck.workflows.inputs import as_site, as_tables
from tests.recordings import recording

SLOTS = 201_600
TABLES = ["en50160-2010-lv", "ieee519-2022"]
SITE = {
    "name": "Benchmark week", "time_zone": "UTC",
    "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"},
    "pcc": {"is_pcc": True, "short_circuit_current": "12 kA", "maximum_demand_current": "400 A",
            "demand_basis": "mean of 12 monthly maxima"},
}  # fmt: skip


def arrays() -> dict[str, Any]:
    """The columns of the week, float32, 308 of them."""
    random = np.random.RandomState(1)

    def noise(level: float, spread: float) -> Any:
        return np.abs(level + spread * random.randn(SLOTS)).astype(np.float32)

    columns = {"frequency [Hz]": noise(50, 0.01), "negative_sequence_unbalance [%]": noise(1, 0.05)}
    for phase in "abc":
        columns[f"voltage.{phase}n [V]"] = noise(230, 1)
        columns[f"current.{phase} [A]"] = noise(100, 10)
        columns[f"voltage_thd.{phase}n [%]"] = noise(3, 0.3)
        columns[f"current_tdd.{phase} [%]"] = noise(5, 0.3)
        for order in range(2, 51):
            columns[f"voltage_harmonic.{phase}n.h{order} [%]"] = noise(1 / order, 0.1 / order)
            columns[f"current_harmonic.{phase}.h{order} [A]"] = noise(20 / order, 2 / order)
    return columns


def plain(columns: dict[str, Any], html: str) -> int:
    """As many figures as the page has, of the same kinds; bytes written."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    written = 0
    hours = np.arange(SLOTS) * 3 / 3600

    def save() -> None:
        nonlocal written
        out = io.StringIO()
        pyplot.savefig(out, format="svg")
        pyplot.close()
        written += len(out.getvalue())

    def lines(axes: Any, quantity: str, phases: list[str]) -> None:
        for phase in phases:
            name = next(one for one in columns if one.startswith(f"{quantity}{phase} "))
            axes.plot(hours[::134], columns[name][::134], label=phase or quantity)
        axes.legend()

    for identity in [part.split('"')[0] for part in html.split('<figure id="')[1:]]:
        if "orders" in identity:
            kind = "current_harmonic" if "current" in identity else "voltage_harmonic"
            _, axes = pyplot.subplots(figsize=(9, 3))
            for place, phase in enumerate("abc"):
                tail = phase if kind.startswith("current") else f"{phase}n"
                names = [one for one in columns if one.startswith(f"{kind}.{tail}.h")]
                heights = [np.percentile(columns[one][::200], 95) for one in names]
                axes.bar(np.arange(len(heights)) + place * 0.27, heights, 0.27)
        elif "distortion" in identity:
            _, stack = pyplot.subplots(3, 1, figsize=(9, 6))
            lines(stack[0], "voltage_thd", [".an", ".bn", ".cn"])
            lines(stack[1], "current_tdd", [".a", ".b", ".c"])
            lines(stack[2], "current", [".a", ".b", ".c"])
        elif "volt-ampere" in identity:
            _, row = pyplot.subplots(1, 3, figsize=(9, 3))
            for axes, phase in zip(row, "abc", strict=True):
                axes.plot(columns[f"current.{phase} [A]"][::224], columns[f"voltage.{phase}n [V]"][::224], ".")
        elif "duration" in identity:
            _, axes = pyplot.subplots(figsize=(9, 3))
            for phase in "abc":
                axes.plot(np.sort(columns[f"voltage.{phase}n [V]"])[::134])
        elif "pattern" in identity:
            _, axes = pyplot.subplots(figsize=(9, 3))
            shown = axes.imshow(columns["voltage.an [V]"].reshape(7, 24, 1200).mean(axis=2).T, aspect="auto")
            pyplot.colorbar(shown)
        elif "recorded" in identity:
            _, axes = pyplot.subplots(figsize=(9, 4))
            axes.barh(range(20), [168] * 20)
        else:
            _, axes = pyplot.subplots(figsize=(9, 3))
            quantity, phases = {
                "fig-frequency": ("frequency", [""]), "fig-unbalance": ("negative_sequence_unbalance", [""]),
                "fig-current": ("current", [".a", ".b", ".c"]),
            }.get(identity, ("voltage", [".an", ".bn", ".cn"]))  # fmt: skip
            lines(axes, quantity, phases)
        save()
    return written


def main(rounds: int) -> None:
    """Interleaved rounds, medians."""
    columns = arrays()
    made, site, tables = recording(columns, interval_s=3), as_site(SITE), as_tables(TABLES)
    findings = check(made, site, tables)
    ours, theirs = [], []
    html = as_html(findings, made, site)
    plain(columns, html)
    for _ in range(rounds):
        start = time.perf_counter()
        html = as_html(findings, gather(made, asked_by_tables(tables, made, site)), site)
        middle = time.perf_counter()
        plain(columns, html)
        ours.append(middle - start)
        theirs.append(time.perf_counter() - middle)
    ratios = sorted(one / two for one, two in zip(ours, theirs, strict=True))
    print(f"report {statistics.median(ours):.2f} s, plain script {statistics.median(theirs):.2f} s, "
          f"ratio {statistics.median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}); "
          f"{len(html.encode()) / 1e6:.2f} MB, "
          f"{html.count('<figure id=')} figures")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7)
