"""``pqcheck plan``: the measurement plan before going out."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Plan a survey: what to record, how long, which facts to collect, and a field checklist."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("--limits", nargs="+", required=True, metavar="ID_OR_FILE", help="limit tables to be judged")
    parser.add_argument("--quantities", nargs="+", default=[], metavar="NAME", help="only these quantities")
    parser.add_argument("--days", type=int, metavar="N", help="days that are available")
    parser.add_argument("--channels", type=int, metavar="N", help="also size the memory for so many channels")
    parser.add_argument(
        "--connection",
        default="wye",
        metavar="NAME",
        help="wye, delta, split-phase, single-phase or high-leg-delta (default: wye)",
    )
    parser.add_argument("--out", metavar="FILE", help="write the plan: .html to print, .txt as shown")


def run(args: argparse.Namespace) -> int:
    """Plan, print or write; returns the exit status."""
    from pqcheck.io.write_files import refuse_inputs, write_text
    from pqcheck.limit_tables import load_table
    from pqcheck.model.errors import OutputError, SiteError
    from pqcheck.plan.survey import plan
    from pqcheck.reports.plan_text import as_text
    from pqcheck.workflows.inputs import files_read

    for name in ("days", "channels"):
        value = getattr(args, name)
        if value is not None and value < 1:
            raise SiteError(f"--{name} {value} is not a whole number above zero")
    if args.out and not args.out.endswith((".html", ".txt")):
        raise OutputError(f"{args.out} has no ending that a plan is written in; use .html or .txt")
    if args.out:
        refuse_inputs([args.out], files_read([], [], args.limits))
    made = plan(
        [load_table(table) for table in args.limits],
        quantities=args.quantities,
        days=args.days,
        channels=args.channels,
        connection=args.connection,
    )
    text = as_text(made)
    if not args.out:
        show(text)
        return 0
    if args.out.endswith(".html"):
        from pqcheck.reports.html.plan_page import plan_page

        text = plan_page(made)
    write_text(args.out, text)
    show(f"wrote {args.out}\n")
    return 0
