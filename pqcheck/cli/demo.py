"""``pqcheck demo``: an invented recording, its site file, and the check."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Write an invented recording with its site file into a folder, check it, and show the result."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("folder", nargs="?", default="pqcheck-demo", help="where to write (default: %(default)s)")
    parser.add_argument("--all", action="store_true", help="list every finding, passes too")


def run(args: argparse.Namespace) -> int:
    """Write, check, print. The demo contains trouble on purpose, so finding it is success: exit 0."""
    from pqcheck.reports.check_terminal import as_text
    from pqcheck.workflows.make_demo import write_demo

    files, findings = write_demo(args.folder)
    show(as_text(findings, everything=args.all))
    show(
        f"\nWritten to {args.folder}: {files.recording.name}, {files.flicker.name}, {files.site.name}, "
        f"{files.findings.name}.\nThe place is invented and the trouble is put there on purpose. "
        "The same check by hand:\n"
        f"  pqcheck check {files.recording} {files.flicker} --site {files.site}\n"
    )
    return 0
