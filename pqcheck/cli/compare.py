"""``pqcheck compare``: the same criteria before and after, from two findings files or two recordings."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Put two results side by side: what changed before and after, and whether the loads were comparable."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    what = "findings file, recording, or folder with the files of one recording"
    parser.add_argument("before", metavar="BEFORE", help=what)
    parser.add_argument("after", metavar="AFTER", help=what)
    parser.add_argument("--site", metavar="FILE", help="site file, for recordings")
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site file applies)"
    )
    parser.add_argument("--out", nargs="+", default=[], metavar="FILE", help="write reports: .html, .md")
    parser.add_argument("--quiet", action="store_true", help="one line only")


def run(args: argparse.Namespace) -> int:
    """Read or check both, compare, print, write; the exit status is that of the result after."""
    from pqcheck.reports.before_after import as_text, summary
    from pqcheck.reports.output_forms import comparison_form, prepare, write_all
    from pqcheck.reports.text import danger_text
    from pqcheck.workflows.inputs import files_read
    from pqcheck.workflows.two_sides import both_sides, recordings_of

    inputs = files_read(recordings_of(args.before) + recordings_of(args.after), [args.site], args.limits)
    targets = prepare(args.out, inputs=inputs, endings=(".html", ".md"))
    both = both_sides(args.before, args.after, args.site, args.limits)
    write_all(targets, lambda form: comparison_form(form, both))
    danger = danger_text(both.after.findings)
    quiet = f"{danger}\n{summary(both)}\n" if danger else f"{summary(both)}\n"
    show(quiet if args.quiet else as_text(both))
    return int(both.after.findings.exit_status)
