"""``pqcheck site``: begin a site file from what a recording shows; what a person must declare stays a question."""

from __future__ import annotations

import argparse
import sys

from pqcheck.cli.console import show

HELP = "Write a starter site file: what the recording shows as proposals, what a person must declare as questions."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="RECORDING", help="files of one site")
    parser.add_argument("--out", required=True, metavar="FILE", help="the site file to write; it must not exist")
    parser.add_argument("--country", metavar="CODE", help="two letters, such as PT: list the limit tables that fit")


def run(args: argparse.Namespace) -> int:
    """Look, write, say what is open; 0 when the file was written."""
    from pathlib import Path

    from pqcheck.io.write_files import refuse_inputs, write_text
    from pqcheck.model.errors import OutputError
    from pqcheck.model.exit_status import ExitStatus
    from pqcheck.model.findings import Findings
    from pqcheck.reports.starter_site_file import open_questions, starter_text
    from pqcheck.reports.text import danger_text
    from pqcheck.workflows.inputs import files_read
    from pqcheck.workflows.start_site import start_site

    refuse_inputs([args.out], files_read(args.recordings, []))
    if Path(args.out).exists():
        raise OutputError(f"{args.out} exists already and may hold what someone declared; name a new file")
    start = start_site(args.recordings, args.country or "")
    write_text(args.out, starter_text(start))
    if start.signs:
        show(danger_text(Findings(start.signs)) + "\n\n")
    show("Still open, to be declared by a person:\n" + "".join(f"- {line}\n" for line in open_questions(start)))
    sys.stderr.write(f"wrote {args.out}; nothing in it is in force until someone removes the # of a line\n")
    return int(ExitStatus.PASSED)
