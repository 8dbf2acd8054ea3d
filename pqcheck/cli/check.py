"""``pqcheck check``: recording to verdict."""

from __future__ import annotations

import argparse
import sys

HELP = "Judge recordings against limit tables and say what passes, what fails, and what cannot be said."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="RECORDING", help="CSV or Parquet files of one site")
    parser.add_argument("--site", required=True, metavar="FILE", help="site file (TOML): what a person declares")
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site file applies)"
    )
    parser.add_argument("--quantities", nargs="+", metavar="NAME", help="judge only these quantities")
    parser.add_argument("--json", metavar="FILE", help="write the findings file")
    parser.add_argument(
        "--out", nargs="+", default=[], metavar="FILE", help="write reports; the ending chooses the form"
    )
    parser.add_argument("--all", action="store_true", help="list every finding, passes too")
    parser.add_argument("--quiet", action="store_true", help="one line only, danger signs excepted")


def run(args: argparse.Namespace) -> int:
    """Check, print, write; returns the exit status."""
    from pqcheck.pipeline import check
    from pqcheck.reports.out import prepare, write_all
    from pqcheck.reports.terminal import as_text

    targets = prepare([*([args.json] if args.json else []), *args.out], json_path=args.json)
    findings = check(args.recordings, args.site, args.limits, quantities=args.quantities)
    write_all(targets, findings, args.recordings, args.site)
    sys.stdout.write(as_text(findings, everything=args.all, quiet=args.quiet))
    return int(findings.exit_status)
