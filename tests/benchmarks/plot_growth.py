#!/usr/bin/env python3
"""Draw what growth.py saved: time per day and peak memory over the length, as one SVG.

    plot_growth.py SAVED.json --out growth.svg

The same numbers give the same bytes. Lengths stand on a logarithmic axis.
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

WIDTH, HEIGHT = 760, 300
PANEL, TOP, BOTTOM = 320, 50, 240
LEFTS = (60, 430)
COLOURS = {"read": "#6b7f99", "check": "#1f5fa8"}
NAMES = {"read": "our read", "check": "full check"}


def _x(days: float, lengths: list[int], left: int) -> float:
    low, high = math.log(min(lengths)), math.log(max(lengths))
    return left + PANEL * (math.log(days) - low) / (high - low or 1.0)


def _panel(title: str, curves: dict[str, list[tuple[int, float]]], left: int) -> list[str]:
    lengths = [days for days, _ in next(iter(curves.values()))]
    top = max(value for points in curves.values() for _, value in points) * 1.15
    step = 10 ** math.floor(math.log10(top))
    step = next(one for one in (step / 5, step / 2, step, 2 * step) if top / one <= 7)
    parts = [f'<text x="{left}" y="{TOP - 22}" font-weight="600">{title}</text>']
    for number in range(int(top / step) + 1):
        y = BOTTOM - (BOTTOM - TOP) * number * step / top
        parts.append(f'<path d="M{left} {y:.1f}h{PANEL}" stroke="#8884" fill="none"/>')
        parts.append(f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{number * step:g}</text>')
    for days in lengths:
        parts.append(f'<text x="{_x(days, lengths, left):.1f}" y="{BOTTOM + 18}" text-anchor="middle">{days}</text>')
    for name, points in curves.items():
        spots = [
            (_x(days, lengths, left), BOTTOM - (BOTTOM - TOP) * value / top) for days, value in points
        ]
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in spots)
        parts.append(f'<path d="M{path}" stroke="{COLOURS[name]}" stroke-width="2" fill="none"/>')
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{COLOURS[name]}"/>' for x, y in spots]
        x, y = spots[-1]
        parts.append(f'<text x="{x:.1f}" y="{y - 9:.1f}" text-anchor="end" fill="{COLOURS[name]}">{NAMES[name]}</text>')
    parts.append(f'<text x="{left + PANEL / 2}" y="{BOTTOM + 38}" text-anchor="middle">days recorded</text>')
    return parts


def as_svg(saved: dict[str, Any]) -> str:
    """The picture. Time per day is processor time less that of the shortest length, over the days more than it."""
    lengths = sorted(saved["lengths"], key=int)
    entries = [(int(days), saved["lengths"][days]) for days in lengths]
    first_days, first = entries[0]
    times = {
        what: [(days, (one[what]["cpu"] - first[what]["cpu"]) / (days - first_days)) for days, one in entries[1:]]
        for what in ("read", "check")
    }
    peaks = {what: [(days, one[what]["peak"]) for days, one in entries] for what in ("read", "check")}
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
        'font-size="12" fill="#555" role="img">',
        "<title>Processor time per further day and peak memory against the length of a recording</title>",
        *_panel("Processor seconds per further day", times, LEFTS[0]),
        *_panel("Peak memory, MiB", peaks, LEFTS[1]),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def main() -> None:
    """Read and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("saved", type=Path)
    parser.add_argument("--out", required=True, type=Path)
    arguments = parser.parse_args()
    arguments.out.write_text(as_svg(json.loads(arguments.saved.read_text(encoding="utf-8"))), encoding="utf-8")


if __name__ == "__main__":
    main()
