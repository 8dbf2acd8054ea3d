"""``pqcheck waivers``: check a waiver file before a pipeline rests on it."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Check a waiver file against the sites and limit tables it is for, before a pipeline rests on it."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    check = actions.add_parser("check", help="unknown tables, rules and names; ceilings, life and approval")
    check.add_argument("file", metavar="FILE", help="the waiver file")
    check.add_argument("--site", nargs="+", required=True, metavar="FILE", help="site files; each is one scenario")
    check.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site files apply)"
    )
    check.add_argument("--as-of", metavar="DATE", help="the day on which every waiver has to hold, as 2031-03-04")


def run(args: argparse.Namespace) -> int:
    """Check and print; 0 when nothing is wrong, 1 for faults, 2 for a file that is malformed."""
    from pqcheck.cli.gate import day_of
    from pqcheck.model.exit_status import ExitStatus
    from pqcheck.waivers.check_waivers import Judged, faults
    from pqcheck.waivers.waiver_file import read_waivers
    from pqcheck.workflows.run_gate import questions_of

    waivers = read_waivers(args.file)
    judged = [Judged(question.site, question.tables) for question in questions_of(args.site, args.limits, ())]
    wrong = faults(waivers, judged, as_of=day_of(args.as_of))
    for line in wrong:
        show(f"{line}\n")
    many = f"{len(wrong)} fault{'s' if len(wrong) > 1 else ''}" if wrong else "nothing is wrong"
    show(f"{args.file}: {len(waivers)} waiver{'' if len(waivers) == 1 else 's'}, {many}.\n")
    return int(ExitStatus.FAILED if wrong else ExitStatus.PASSED)
