#!/usr/bin/env python3
"""Compare our answers with those of the plain scripts on the same data; ends with an error at the first difference.

    same_answers.py --data FOLDER [--parquet] [--only plain_pandas.py plain_polars.py]

FOLDER comes from make_week.py. Its `limits.csv` is written as a limit table with a rule for each quantity and phase:
99 % of the 3-second values of a day, 95 % and 99 % of the 10-minute values of the whole recording. Equal have to be,
per channel and day, the valid values and those above the limit; every window at both intervals with its first and last
interval and its worst value; and the gaps. The percentiles of the scripts are interpolated, our readings are values of
a rank: each must be one of the two values that the script interpolates between. TDD is left out: it is formed from the
orders and the declared demand here, not read.
"""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SCRIPTS = ["plain_pandas.py", "plain_polars.py"]
RULES = (("day-99", "3 s", "day", "99", 0), ("whole-95", "10 min", "recording", "95", 1),
         ("whole-99", "10 min", "recording", "99", 1))  # fmt: skip
RELATIVE = 1e-9
"""Ten-minute values are sums in another order there than here."""
RELATIVE_FLOAT32 = 1e-7
"""A value stored as float32 is printed here as the shortest decimal that reads back to it."""

REFERENCES = {
    "voltage_thd": {"reference": "fundamental", "highest_order": 50}, "voltage_harmonic": {"reference": "fundamental"},
    "current_harmonic": {"reference": "none", "unit": "A"},
}  # fmt: skip

Limits = dict[str, tuple[str, str]]
Answers = dict[str, Any]


def read_limits(path: Path) -> Limits:
    """Header of a channel to its limits for 3-second and for 10-minute values, as text."""
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()[1:]]
    return {header: (fine, coarse) for header, fine, coarse in rows if not header.startswith("current_tdd")}


def limit_table(limits: Limits) -> dict[str, Any]:
    """The limits as a limit table: a rule for each quantity, phase and statistic."""
    by_phase: dict[tuple[str, str], list[tuple[str, tuple[str, str]]]] = {}
    for header, pair in limits.items():
        quantity, phase, *order = header.split(" ")[0].split(".")
        by_phase.setdefault((quantity, phase), []).append((order[0] if order else "", pair))
    rules = []
    for (quantity, phase), members in by_phase.items():
        for name, interval, period, percent, which in RULES:
            if members[0][0]:
                limit: dict[str, Any] = {"kind": "by_order", "orders": [
                    {"orders": [int(order[1:])], "high": pair[which]} for order, pair in members
                ]}  # fmt: skip
            else:
                limit = {"kind": "band", "high": members[0][1][which]}
            rules.append({
                "id": f"{name}-{quantity.replace('_', '-')}-{phase}", "title": f"{quantity} {phase}, {name}",
                "clause": "1", "confidence": "derived", "quantity": quantity, "phases": [phase],
                **REFERENCES[quantity],
                "comparison": "closed", "interval": interval, "period": period,
                "statistic": {"kind": "share_within", "percent": percent}, "limit": limit,
            })  # fmt: skip
    return {
        "format": "pqcheck-limit-table/1", "id": "bench", "standard": "Benchmark", "edition": "1",
        "title": "Limits of the benchmark", "source": "invented for the benchmark", "rules": rules,
    }  # fmt: skip


def seconds(text: str) -> float:
    """Seconds since 1970 of a stamp with an offset."""
    return datetime.fromisoformat(text).timestamp()


def joined(findings: list[Any], step: int) -> list[list[float]]:
    """Windows of one rule and channel as [first interval, last interval, worst]; days are joined at midnight."""
    whole: list[list[float]] = []
    for one in sorted(findings, key=lambda each: seconds(each.period.start)):
        for window in one.windows:
            first, end = seconds(window.start), seconds(window.end)
            if whole and whole[-1][1] == first - step:
                whole[-1][1:] = [end - step, max(whole[-1][2], window.worst)]
            else:
                whole.append([first, end - step, window.worst])
    return whole


def our_answers(findings: Any, headers: list[str]) -> Answers:
    """What the plain scripts answer, from findings; keys and shapes are theirs, percentiles are one value each."""
    grouped: dict[tuple[str, str], list[Any]] = {}
    for one in findings.findings:
        if one.kind == "limit" and one.intervals is not None:
            name = next(rule for rule, *_ in RULES if one.rule.startswith(rule))
            grouped.setdefault((name, one.channel), []).append(one)
    channels = {header: header.split(" ")[0] for header in headers}
    answers: Answers = {key: {} for key in ("outside", "valid", "windows_3s", "windows_10min", *(r[0] for r in RULES))}
    for header, channel in channels.items():
        days = sorted(grouped["day-99", channel], key=lambda each: seconds(each.period.start))
        answers["outside"][header] = [one.intervals.outside for one in days]
        answers["valid"][header] = [one.intervals.valid for one in days]
        for name, *_ in RULES:
            parts = days if name == "day-99" else grouped[name, channel]
            answers[name][header] = [one.statistic.value for one in parts]
        answers["windows_3s"][header] = joined(days, 3)
        answers["windows_10min"][header] = joined(grouped["whole-95", channel], 600)
    holes = [one for one in findings.findings if one.kind == "recording" and one.rule == "holes"]
    spans = [(seconds(window.start), seconds(window.end)) for one in holes for window in one.windows]
    answers["gaps"] = [[start - 3, end] for start, end in spans]
    return answers


def differences(ours: Answers, plain: Answers, relative: float = RELATIVE) -> Iterator[str]:
    """A sentence for everything that is not the same; `relative` is allowed between values."""

    def close(one: float, other: float) -> bool:
        return math.isclose(one, other, rel_tol=relative)

    if ours["gaps"] != plain["gaps"]:
        yield f"gaps are {ours['gaps']} here and {plain['gaps']} there"
    for key in ("outside", "valid"):
        for header, counts in ours[key].items():
            if counts != plain[key][header]:
                yield f"{header}: {key} per day is {counts} here and {plain[key][header]} there"
    for key in ("windows_3s", "windows_10min"):
        for header, found in ours[key].items():
            other = plain[key][header]
            same = [one[:2] for one in found] == [one[:2] for one in other]
            if not same or not all(close(one[2], two[2]) for one, two in zip(found, other, strict=True)):
                yield f"{header}: {len(found)} {key} here and {len(other)} there, or not the same ones"
    for name, *_ in RULES:
        for header, readings in ours[name].items():
            ranks = plain[name][header]
            for reading, (lower, between, higher) in zip(readings, ranks, strict=True):
                if not (close(reading, lower) or close(reading, higher)) or not lower <= between <= higher:
                    yield f"{header}: {name} is {reading} here and between {lower} and {higher} there"


def counted(ours: Answers) -> dict[str, int]:
    """How much was compared."""
    return {
        "channels": len(ours["outside"]), "days": len(next(iter(ours["outside"].values()))),
        "above_3s": sum(map(sum, ours["outside"].values())), "gaps": len(ours["gaps"]),
        **{key: sum(map(len, ours[key].values())) for key in ("windows_3s", "windows_10min")},
        "percentiles": sum(len(one) for name, *_ in RULES for one in ours[name].values()),
    }  # fmt: skip


def plain_answers(script: str, data: Path, limits: Path, answers: Path) -> Answers:
    """What a plain script answers."""
    command = [sys.executable, str(HERE / script), str(data), str(limits), str(answers)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{script} failed\n{done.stderr[-2000:]}")
    found: Answers = json.loads(answers.read_text(encoding="utf-8"))
    return found


def checked(data: Path, folder: Path, scratch: Path) -> Any:
    """Our findings about `data` by the limits of the folder."""
    from pqcheck import check

    table = scratch / "bench.json"
    table.write_text(json.dumps(limit_table(read_limits(folder / "limits.csv"))), encoding="utf-8")
    return check(data, folder / "site.toml", [table])


def main() -> None:
    """Ask all, compare, print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", required=True, type=Path, help="folder made by make_week.py")
    parser.add_argument("--parquet", action="store_true", help="read week.parquet instead of week.csv")
    parser.add_argument("--only", nargs="+", choices=SCRIPTS, default=SCRIPTS)
    arguments = parser.parse_args()
    folder = arguments.data.resolve()
    data = folder / ("week.parquet" if arguments.parquet else "week.csv")
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        ours = our_answers(checked(data, folder, scratch), list(read_limits(folder / "limits.csv")))
        for script in arguments.only:
            plain = plain_answers(script, data, folder / "limits.csv", scratch / "answers.json")
            found = list(differences(ours, plain, RELATIVE_FLOAT32 if arguments.parquet else RELATIVE))
            if found:
                sys.exit(f"{script} differs {len(found)} times:\n" + "\n".join(found[:20]))
            print(json.dumps({"same as": script, **counted(ours)}))


if __name__ == "__main__":
    main()
