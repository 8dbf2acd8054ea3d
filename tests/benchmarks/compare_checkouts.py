#!/usr/bin/env python3
"""Run two checkouts on the same inputs and compare everything they hand out, byte for byte.

    compare_checkouts.py BEFORE AFTER [--only WORD] [--random 120] [--seed 1] [--week FOLDER] [--keep FOLDER]
                         [--outputs-of-before FOLDER]

BEFORE and AFTER are checkouts with their compiled modules built in place. Inputs: every run of AFTER's reference cases
with all report forms, the reading corpus, the demo, the commands around a check (vet, columns, plan, limits, load,
compare, gate, report), and random recordings with random sites; with --week also a folder that make_week.py wrote.
With --outputs-of-before the outputs of BEFORE are kept by the checksum of their inputs and used again by later runs.
Compared: exit status, standard output, standard error and every file written. Exit status 1 when something differs.
"""

from __future__ import annotations

import argparse
import contextlib
import filecmp
import hashlib
import io
import json
import os
import random
import shlex
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

REPORTS = ["--json", "findings.json", "--out", "report.html", "report.md", "report.csv", "report.junit.xml"]


@dataclass
class Case:
    """A folder of inputs and the commands run in it, in order."""

    name: str
    commands: list[list[str]]
    copied: Path | None = None
    files: dict[str, bytes] = field(default_factory=dict)


# Inputs.


def reference_cases(root: Path) -> Iterator[Case]:
    """Every run of every folder; files too large to keep are made by the checkout's own formulas."""
    sys.path.insert(0, str(root))
    from reference_cases.invented import files_of

    for path in sorted((root / "reference_cases").glob("*/case.toml")):
        folder = path.parent
        commands = []
        for number, run in enumerate(tomllib.loads(path.read_text(encoding="utf-8"))["run"]):
            words = shlex.split(run["command"])[1:]
            if words[0] == "check" and "--json" not in words:
                forms = [word.replace("report", f"report{number}").replace("findings", f"findings{number}")
                         for word in REPORTS]  # fmt: skip
                commands.append([*words, *forms, "--all"])
                recordings = words[1 : words.index("--site")]
                site = words[words.index("--site") + 1]
                commands.append(["vet", *recordings, "--site", site, "--all", "--json", f"vet{number}.json"])
                commands.append(["vet", *recordings, "--site", site, "--so-far", "--propose", f"propose{number}.toml"])
                commands.append(["columns", *recordings, "--site", site])
                commands.append(["load", *recordings, "--site", site, "--out", f"load{number}.html"])
            commands.append(words)
        made = {name: text.encode() for name, text in files_of(folder).items()}
        yield Case(folder.name, commands, folder, made)


def reading_corpus(root: Path) -> Iterator[Case]:
    """Files as people have them: how they are read, in words, and what vetting says."""
    folder = root / "reference_cases" / "reading"
    sites = {"400 V": "wye", "120/240 V": "split-phase"}
    files: dict[str, bytes] = {}
    commands = []
    for number, (nominal, connection) in enumerate(sites.items()):
        files[f"site{number}.toml"] = _site_text(nominal, connection, "UTC", ["en50160-2010-lv"]).encode()
    for path in sorted(folder.iterdir()):
        if path.suffix in (".md", ".toml"):
            continue
        commands.append(["columns", path.name])
        for number in range(len(sites)):
            commands.append(["check", path.name, "--site", f"site{number}.toml", "--json", f"{path.name}{number}.json"])
    yield Case("reading", commands, folder, files)


def commands_about_tables() -> Iterator[Case]:
    """What needs no recording."""
    ids = ["ansi-c84.1-2020", "ieee519-2014", "ieee519-2022", "en50160-2010-lv", "en50160-2010-mv", "nl-netcode-lv"]
    commands = [
        ["limits"],
        ["limits", "list"],
        ["--help"],
        ["--version"],
        ["check", "nothing.csv", "--site", "no.toml"],
    ]
    commands += [["limits", "show", table] for table in ids]
    commands += [["limits", "diff", "ieee519-2014", "ieee519-2022"], ["limits", "diff", "en50160-2007-lv", ids[3]]]
    commands += [["plan", "--limits", table, "--out", f"{table}.html"] for table in ids]
    commands += [["plan", "--limits", *ids[2:4], "--days", "9", "--channels", "300", "--connection", "split-phase"]]
    commands += [["gate", "--explain", rule, "--limits", ids[3]] for rule in ("voltage-week-95", "no-such-rule")]
    commands += [[name, "--help"] for name in ("check", "vet", "columns", "plan", "limits", "report", "load", "gate")]
    yield Case("tables", commands)


def demo() -> Iterator[Case]:
    """The invented week that the README shows, and what can be done with its findings."""
    site = ["--site", "pqcheck-demo/site.toml"]
    recordings = ["pqcheck-demo/recording.csv", "pqcheck-demo/flicker.csv"]
    yield Case("demo", [
        ["demo"],
        ["check", *recordings, *site, *REPORTS, "--all"],
        ["check", *recordings, *site, "--quiet"],
        ["check", *recordings, *site, "--bundle", "bundle"],
        ["check", *recordings, "--each", *site, "--json", "each"],
        ["vet", *recordings, *site, "--all"],
        ["report", "findings.json", "--out", "again.html", "again.md"],
        ["report", "findings.json", *recordings, "--out", "drawn.html"],
        ["compare", "findings.json", "pqcheck-demo/findings.json", "--out", "compare.html", "compare.md"],
        ["gate", *recordings, *site, "--baseline", "findings.json", "--fail-on", "new", "--out", "g.json", "g.md"],
        ["gate", *recordings, *site, "--margin", "5", "--annotations", "github", "--out", "h.json", "h.md"],
        ["load", *recordings, *site, "--out", "load.html", "--study", "study.json", "--json", "load.json", "--all"],
        ["columns", *recordings, "--write", "mapping.toml"],
    ])  # fmt: skip


def week(folder: Path) -> Iterator[Case]:
    """The benchmark's week, from every form that lies in the folder."""
    site = ["--site", str(folder / "site.toml")]
    for path in sorted(folder.glob("week*")):
        if path.suffix in (".csv", ".parquet"):
            yield Case(f"week {path.suffix}", [["check", str(path), *site, "--json", "findings.json", "--all"]])


def _site_text(nominal: str, connection: str, zone: str, tables: list[str], extra: str = "") -> str:
    return f"""name = "Invented place"
time_zone = "{zone}"
[supply]
nominal_voltage = "{nominal}"
connection = "{connection}"
frequency = "{60 if nominal in ("120/240 V", "208 V", "480 V") else 50} Hz"
measured_at = "service"
[limits]
apply = {json.dumps(tables)}
{extra}"""


SUPPLIES = {
    # nominal: (connection, voltages to neutral, line voltages, current phases, level to neutral, level between lines)
    "400 V": ("wye", "an bn cn", "ab bc ca", "a b c", 230.0, 400.0),
    "480 V": ("wye", "an bn cn", "ab bc ca", "a b c", 277.0, 480.0),
    "120/240 V": ("split-phase", "an bn", "ab", "a b", 120.0, 240.0),
    "230 V": ("single-phase", "an", "", "a", 230.0, 0.0),
    "10 kV": ("delta", "", "ab bc ca", "a b c", 0.0, 10_000.0),
    "20 kV": ("wye", "", "ab bc ca", "a b c", 0.0, 20_000.0),
}


def random_case(number: int, seed: int) -> Case:
    """A recording with everything that may come, and a site that may fit it."""
    draw = random.Random(f"{seed}/{number}")
    nominal = draw.choice(list(SUPPLIES))
    connection, to_neutral, lines, currents, level, line_level = SUPPLIES[nominal]
    interval = draw.choice([600, 600, 600, 60, 900, 3, 30])
    rows = {3: draw.randint(400, 2500), 30: 3000, 60: draw.randint(500, 4000)}.get(interval, draw.randint(3, 1600))
    zone = draw.choice(["UTC", "Europe/Lisbon", "America/Chicago", "Asia/Kolkata"])
    columns: dict[str, tuple[float, float]] = {}
    if draw.random() < 0.9:
        spread = draw.choice([0.004, 0.02, 0.05])
        for phase in to_neutral.split():
            columns[f"voltage.{phase} [V]"] = (level * draw.uniform(0.95, 1.05), level * spread)
        if not to_neutral or draw.random() < 0.4:
            for phase in lines.split():
                columns[f"voltage.{phase} [V]"] = (line_level * draw.uniform(0.97, 1.03), line_level * spread)
        if draw.random() < 0.35:
            for header, (middle, width) in list(columns.items()):
                columns[header.replace(" [", ".min [")] = (middle * 0.98, width)
                columns[header.replace(" [", ".max [")] = (middle * 1.02, width)
    measured = to_neutral.split() or lines.split()
    if draw.random() < 0.6:
        columns |= {f"voltage_thd.{phase} [%]": (draw.choice([2.0, 6.0, 7.8]), 0.5) for phase in measured}
    if draw.random() < 0.4:
        for phase in measured:
            for order in draw.sample(range(2, 51), 6) if draw.random() < 0.5 else range(2, 26):
                columns[f"voltage_harmonic.{phase}.h{order} [%]"] = (draw.choice([0.2, 0.4, 1.5]), 0.2)
    if draw.random() < 0.7:
        for phase in currents.split():
            columns[f"current.{phase} [A]"] = (draw.choice([20.0, 180.0]), 15.0)
            if draw.random() < 0.8:
                columns[f"active_power.{phase} [kW]"] = (draw.choice([4.0, 40.0, -4.0]), 2.0)
                columns[f"reactive_power.{phase} [kvar]"] = (2.0, 1.0)
        if draw.random() < 0.6:
            columns |= {f"current_thd.{phase} [%]": (9.0, 3.0) for phase in currents.split()}
            for phase in currents.split():
                columns |= {f"current_harmonic.{phase}.h{order} [A]": (60.0 / order**2, 1.0) for order in range(2, 20)}
    if draw.random() < 0.4:
        columns["frequency [Hz]"] = (50.0 if "400" in nominal else 60.0, 0.05)
    if draw.random() < 0.3:
        columns["negative_sequence_unbalance [%]"] = (1.2, 0.5)
    if draw.random() < 0.4:
        columns |= {f"flicker_pst.{phase} [1]": (0.6, 0.2) for phase in measured}
    if not columns:
        columns["frequency [Hz]"] = (50.0, 0.05)
    begin = datetime(2031, 3, draw.choice([3, 8, 28]), tzinfo=UTC) + timedelta(seconds=interval * draw.randint(0, 99))
    values = {header: [draw.gauss(middle, width) for _ in range(rows)] for header, (middle, width) in columns.items()}
    cells = {header: [f"{value:.{draw.choice([2, 3])}f}" for value in column] for header, column in values.items()}
    for header in cells:
        if draw.random() < 0.25:
            start = draw.randrange(rows)
            for row in range(start, min(rows, start + draw.choice([1, 5, 200]))):
                cells[header][row] = draw.choice(["", "---", cells[header][start]])
        if draw.random() < 0.04:
            for row in range(rows):
                cells[header][row] = draw.choice([cells[header][0], "OL", "1e9"]) if row % 7 else cells[header][0]
    if draw.random() < 0.2:
        start = draw.randrange(rows)
        for header in cells:
            if header.startswith("voltage."):
                for row in range(start, min(rows, start + 6)):
                    cells[header][row] = "0.4"
    if draw.random() < 0.2:
        cells["flag"] = [str(int(draw.random() < 0.02)) for _ in range(rows)]
    kept = [row for row in range(rows) if draw.random() > draw.choice([0, 0, 0.004])]
    stamps = [(begin + timedelta(seconds=interval * row)).strftime("%Y-%m-%dT%H:%M:%SZ") for row in kept]
    lines_of = [",".join(["time", *cells])]
    lines_of += [",".join([stamp, *(cells[header][row] for header in cells)])
                 for stamp, row in zip(stamps, kept, strict=True)]  # fmt: skip
    files = {}
    names = ["recording.csv"]
    if draw.random() < 0.2 and len(lines_of) > 20:
        cut = draw.randrange(5, len(lines_of) - 5)
        files["recording.csv"] = "\n".join(lines_of[:cut]).encode() + b"\n"
        files["second.csv"] = "\n".join([lines_of[0], *lines_of[cut - draw.choice([0, 3]) :]]).encode() + b"\n"
        names.append("second.csv")
    else:
        files["recording.csv"] = "\n".join(lines_of).encode() + b"\n"
    if draw.random() < 0.35 and len(names) == 1:
        names = ["recording.parquet"]
        files["recording.parquet"] = _parquet(files.pop("recording.csv"), draw)
    if draw.random() < 0.15:
        events = ["time,phase,kind,duration [s],residual [%]"]
        for _ in range(6):
            residual = draw.randint(20, 89)
            events.append(
                f"{draw.choice(stamps)},{draw.choice(currents.split())},dip,{draw.choice([0.1, 0.6])},{residual}"
            )
        files["events.csv"] = "\n".join(events).encode() + b"\n"
        names.append("events.csv")
    tables = draw.sample(
        [
            "en50160-2010-lv",
            "en50160-2010-mv",
            "ieee519-2014",
            "ieee519-2022",
            "ansi-c84.1-2020",
            "iec61000-2-2-2002",
            "nl-netcode-lv",
            "iti-2000",
            "semi-f47-0706",
        ],
        draw.randint(1, 3),
    )
    files["site.toml"] = _site_text(nominal, connection, zone, tables, _extra(draw, begin, currents)).encode()
    files["second-site.toml"] = _site_text(draw.choice(list(SUPPLIES)), connection, zone, tables).encode()
    site = ["--site", "site.toml"]
    commands = [
        ["check", *names, *site, *REPORTS, "--all"],
        ["check", *names, "--site", "second-site.toml", "--json", "second.json"],
        ["vet", *names, *site, "--all", "--propose", "proposed.toml"],
        ["vet", *names, *site, "--so-far"],
        ["load", *names, *site, "--study", "study.json", "--json", "load.json", "--out", "load.html", "--all"],
        ["compare", "findings.json", "second.json", "--out", "compare.html"],
        ["gate", *names, *site, "--margin", "3", "--out", "gate.json", "gate.junit.xml", "--baseline", "second.json"],
    ]
    return Case(f"random-{number}", commands, None, files)


def _parquet(text: bytes, draw: random.Random) -> bytes:
    import polars

    frame = polars.read_csv(text, infer_schema_length=None, null_values=["---", ""])
    if draw.random() < 0.5:
        frame = frame.with_columns(polars.col(polars.Float64).cast(polars.Float32))
    if draw.random() < 0.5:
        frame = frame.with_columns(polars.col("time").str.to_datetime(time_zone="UTC"))
    target = io.BytesIO()
    frame.write_parquet(target, row_group_size=draw.choice([200, 1000, 100_000]))
    return target.getvalue()


def _extra(draw: random.Random, begin: datetime, currents: str) -> str:
    text = ""
    if draw.random() < 0.6:
        text += """[pcc]
is_pcc = true
short_circuit_current = "12 kA"
maximum_demand_current = "400 A"
demand_basis = "mean of 12 monthly maxima"
"""
    if draw.random() < 0.3:
        text += '[recording]\nextremes_of = "200 ms"\n'
    if draw.random() < 0.3:
        start = begin + timedelta(hours=draw.randint(0, 30))
        text += f"""[[exclusions]]
from = {start.isoformat()}
to = {(start + timedelta(hours=2)).isoformat()}
reason = "supply interruption, outage log"
author = "site engineer"
"""
    if draw.random() < 0.25:
        text += f"""[[corrections]]
kind = "reverse-current"
phase = "{draw.choice(currents.split())}"
reason = "clamp fitted against the arrow"
author = "site engineer"
"""
    if draw.random() < 0.3:
        text += '[coverage]\nat_least_percent = 90\npolicy_of = "the utility"\n'
    if draw.random() < 0.3:
        text += '[ratings]\nservice = "400 A"\n'
        text += '[[new_load]]\nname = "chargers"\nactive_power = "60 kW"\npower_factor = 0.98\n'
    return text


# Running and comparing.


def prepare(case: Case, folder: Path) -> None:
    """The inputs of a case in a folder of its own."""
    if case.copied is not None:
        shutil.copytree(case.copied, folder, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        folder.mkdir(parents=True)
    for name, content in case.files.items():
        (folder / name).write_bytes(content)


def run_inside(list_of_cases: Path) -> None:
    """In a process whose pqcheck is the checkout's: run what the list says, and write what was printed."""
    from pqcheck.cli import main

    for folder, commands in json.loads(list_of_cases.read_text(encoding="utf-8")):
        os.chdir(folder)
        for number, words in enumerate(commands):
            out, err = io.StringIO(), io.StringIO()
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                status = main(words)
            printed = f"$ pqcheck {shlex.join(words)}\n{out.getvalue()}--- stderr\n{err.getvalue()}--- exit {status}\n"
            Path(f"printed-{number:03}.txt").write_text(printed, encoding="utf-8")


def checksum(case: Case) -> str:
    """Checksum of what goes into a case."""
    digest = hashlib.sha256(json.dumps(case.commands).encode())
    if case.copied is not None:
        for path in sorted(case.copied.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                digest.update(path.name.encode() + path.read_bytes())
    for name, content in sorted(case.files.items()):
        digest.update(name.encode() + content)
    return digest.hexdigest()[:24]


def run_or_reuse(checkout: Path, cases: list[Case], work: Path, kept: Path) -> None:
    """As `run`, but what an earlier call left in `kept` for the same inputs is copied from there."""
    missing = [case for case in cases if not (kept / checksum(case)).exists()]
    run(checkout, missing, work)
    kept.mkdir(parents=True, exist_ok=True)
    for case in cases:
        folder, stored = folder_of(case, work), kept / checksum(case)
        if folder.exists():
            partly = Path(tempfile.mkdtemp(dir=kept))
            shutil.copytree(folder, partly, dirs_exist_ok=True)
            with contextlib.suppress(OSError):
                partly.rename(stored)
        else:
            shutil.copytree(stored, folder)


def folder_of(case: Case, work: Path) -> Path:
    """Where a case runs."""
    return work / case.name.replace(" ", "_")


def run(checkout: Path, cases: list[Case], work: Path) -> None:
    """Every case with one checkout, in one process."""
    work.mkdir(parents=True, exist_ok=True)
    jobs = []
    for case in cases:
        folder = folder_of(case, work)
        prepare(case, folder)
        jobs.append([str(folder), case.commands])
    listed = work / "cases.json"
    listed.write_text(json.dumps(jobs), encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(checkout), "PYTHONHASHSEED": "0", "COLUMNS": "100"}
    environment.pop("PQCHECK_DEBUG", None)
    command = [sys.executable, "-P", str(Path(__file__).resolve()), "--inside", str(listed)]
    subprocess.run(command, check=True, env=environment, cwd=work)
    listed.unlink()


def differences(before: Path, after: Path) -> list[str]:
    """Relative paths that are not in both folders or not equal."""
    names = {path.relative_to(root) for root in (before, after) for path in root.rglob("*") if path.is_file()}
    return [
        str(name) for name in sorted(names)
        if not ((before / name).is_file() and (after / name).is_file()
                and filecmp.cmp(before / name, after / name, shallow=False))
    ]  # fmt: skip


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("checkouts", nargs="*", type=Path)
    parser.add_argument("--only", default="", help="only cases whose name contains this")
    parser.add_argument("--random", type=int, default=120, help="how many random recordings")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--week", type=Path, help="a folder that make_week.py wrote")
    parser.add_argument("--keep", type=Path, help="keep all outputs here (default: removed when equal)")
    parser.add_argument("--outputs-of-before", type=Path, help="keep and reuse the outputs of BEFORE in this folder")
    parser.add_argument("--inside", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.inside is not None:
        run_inside(args.inside)
        return 0
    before, after = (path.resolve() for path in args.checkouts)
    work = args.keep.resolve() if args.keep else Path(tempfile.mkdtemp(prefix="compare-"))
    cases = [*reference_cases(after), *reading_corpus(after), *commands_about_tables(), *demo()]
    cases += [random_case(number, args.seed) for number in range(args.random)]
    if args.week:
        cases += week(args.week.resolve())
    cases = [case for case in cases if args.only in case.name]
    with ThreadPoolExecutor(2) as pool:
        if args.outputs_of_before:
            first = pool.submit(run_or_reuse, before, cases, work / "before", args.outputs_of_before.resolve())
        else:
            first = pool.submit(run, before, cases, work / "before")
        second = pool.submit(run, after, cases, work / "after")
        first.result(), second.result()
    different = differences(work / "before", work / "after")
    compared = sum(path.is_file() for path in (work / "after").rglob("*"))
    for name in different:
        print(f"differs: {name}")
    print(
        f"{len(cases)} cases, {compared} files compared, {len(different)} differ" + (f": {work}" if different else "")
    )
    if not different and not args.keep:
        shutil.rmtree(work)
    return 1 if different else 0


if __name__ == "__main__":
    raise SystemExit(main())
