#!/usr/bin/env python3
"""Data that is hard to judge against ordinary data: processor time of the check alone, nothing parsed or written.

    worst.py [--days 2] [--rounds 3]

The same 308 channels of 3-second values as make_week.py, handed over as arrays: as they are, constant, of two values,
with 30 % blanks strewn about, all above every limit, alternating around the limit from one value to the next (every
second interval a window of its own), and rising and falling evenly once a day. The findings are made, windows stay
arrays, as they do until something writes them.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
from make_week import SITE, START, STEP_S, channel_model, day

Values = dict[str, np.ndarray]


def typical(days: int, slots: int | None = None) -> Values:
    """The ordinary recording."""
    model = channel_model(1)
    parts = [day(model, 1, number, False)[1][:slots] for number in range(days)]
    return {header: np.concatenate([part[:, at] for part in parts]) for at, header in enumerate(model.headers)}


def hard(values: Values) -> Iterator[tuple[str, Values]]:
    """Each kind of hard data, made from the ordinary one."""
    model = channel_model(1)
    limits = {header: limit for header, limit in zip(model.headers, model.limit_10min, strict=True)}
    some = next(iter(values.values()))
    rng = np.random.default_rng(5)
    odd = np.arange(some.size) % 2 == 1
    blank = rng.random(some.size) < 0.3

    def about(header: str, factor: float) -> float:
        limit = limits[header]
        return float(np.median(values[header]) if np.isnan(limit) else limit * factor)

    yield "constant", {header: np.full(some.size, float(np.median(one))) for header, one in values.items()}
    yield "two values", {
        header: np.where(rng.random(some.size) < 0.5, float(np.median(one)), float(np.median(one)) * 1.01)
        for header, one in values.items()
    }
    yield "30 % blank", {header: np.where(np.roll(blank, at), np.nan, one) for at, (header, one) in
                         enumerate(values.items())}
    yield "all over", {header: np.full(some.size, about(header, 20.0)) * (1 + 0.001 * rng.random(some.size))
                       for header in values}
    yield "alternating", {header: np.where(odd, about(header, 20.0), about(header, 0.5)) for header in values}
    hump = 1 - np.abs(np.arange(some.size) % 28_800 - 14_400) / 28_800
    yield "rising and falling", {header: about(header, 0.9) * hump for header in values}


def seconds(values: Values) -> tuple[float, Any]:
    """Processor time of one check [s], and its findings."""
    import tomllib

    from pqcheck import check

    stamps = START + np.arange(next(iter(values.values())).size) * np.timedelta64(STEP_S, "s")
    begin = time.process_time()
    findings = check({"time": stamps, **values}, tomllib.loads(SITE))
    return time.process_time() - begin, findings


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=2)
    parser.add_argument("--slots", type=int, help="slots per day (tests use few)")
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    base = typical(arguments.days, arguments.slots)
    seconds(base)
    ordinary = []
    kinds: dict[str, list[float]] = {}
    windows: dict[str, int] = {}
    for _ in range(arguments.rounds):
        ordinary.append(seconds(base)[0])
        for name, values in hard(base):
            spent, findings = seconds(values)
            kinds.setdefault(name, []).append(spent / ordinary[-1])
            windows[name] = sum(len(one.windows) for one in findings.findings)
    print(json.dumps({"ordinary_s": round(statistics.median(ordinary), 3), "kinds": {
        name: {"ratio": round(statistics.median(ratios), 2), "windows": windows[name]} for name, ratios in kinds.items()
    }}))


if __name__ == "__main__":
    main()
