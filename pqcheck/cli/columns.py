"""``pqcheck columns``: say in words how files are read, and write that down to edit and reuse."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from pqcheck.cli.console import show

if TYPE_CHECKING:
    from pqcheck.io.describe_columns import Described

HELP = "Say in words how a file is read, column by column, with the reasons; write a mapping to edit."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="FILE", help="CSV, Excel or Parquet files, or a zipped folder")
    parser.add_argument("--site", metavar="FILE", help="site file: its nominal voltage decides what names leave open")
    parser.add_argument("--write", metavar="FILE", help="save a [recording] section (TOML) that fixes this reading")
    parser.add_argument(
        "--sidecar", action="store_true", help="write FILE.columns.json beside each file, honoured when it is read"
    )


def run(args: argparse.Namespace) -> int:
    """Describe, print, write; 0 whenever the files can be read, ambiguous or not."""
    from pathlib import Path

    from pqcheck.io.describe_columns import describe, recording_section, sidecar
    from pqcheck.io.sidecar import ENDING
    from pqcheck.io.write_files import refuse_inputs, write_set
    from pqcheck.model.exit_status import ExitStatus
    from pqcheck.workflows.inputs import files_read

    sidecars = [f"{path}{ENDING}" for path in args.recordings] if args.sidecar else []
    written = [*sidecars, *([args.write] if args.write else [])]
    refuse_inputs(written, files_read(args.recordings, [args.site]))
    site = None
    if args.site is not None:
        from pqcheck.site.load_site import load_site

        site = load_site(args.site)
    tables = describe(args.recordings, site)
    show("\n".join(as_text(table) for table in tables))
    files = [(args.write, recording_section(tables, site))] if args.write else []
    if args.sidecar:
        if len(tables) != len(args.recordings):
            from pqcheck.model.errors import OutputError

            raise OutputError("a file of several tables has no sidecar; use --write instead")
        files += [(target, sidecar(table, site)) for target, table in zip(sidecars, tables, strict=True)]
    write_set(files)
    if args.write:
        sys.stderr.write(f"wrote {args.write}; copy it into the site file\n")
    for target in sidecars:
        sys.stderr.write(f"wrote {Path(target).name}\n")
    return int(ExitStatus.PASSED)


def as_text(table: Described) -> str:
    """One table in words."""
    from tabulate import tabulate

    from pqcheck.model.clock import duration_text

    lines = [f"{table.name}: {table.written}"]
    times = " and ".join(f"{name!r}" for name in table.time_columns)
    times_note = f", {table.time_format}" if table.time_format else ""
    every = f", one row every {duration_text(table.interval_us)}" if table.interval_us else ""
    lines.append(f"time: {times}{times_note}{every}")
    if table.zone_missing:
        lines.append("zone: the stamps carry no offset from UTC; declare time_zone in the site file")
    lines.append("")
    rows = [
        [column.column, column.header or "-", column.confidence, _because(column.sentence, column.why)]
        for column in table.columns
    ]
    titles = ["column", "read as", "sure", "in words, and why"]
    lines.append(tabulate(rows, headers=titles, maxcolwidths=[30, 34, 10, 70]))
    doubts = [column for column in table.columns if column.other]
    if table.refusal:
        lines += ["", f"As it stands it is not judged: {table.refusal}"]
    elif doubts:
        lines += ["", "Decide the columns that can be read in two ways before judging."]
    return "\n".join(lines) + "\n"


def _because(sentence: str, why: str) -> str:
    if not sentence:
        return why
    return f"{sentence} ({why})" if why and why != "contract header" else sentence
