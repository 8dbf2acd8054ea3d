"""``pqcheck load``: demand, spare capacity, and what a new load would do to the verdicts."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Study the load: demand, spare capacity, and whether declared new loads may go in."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="RECORDING", help="CSV or Parquet files of one site")
    parser.add_argument(
        "--site", required=True, metavar="FILE", help="site file (TOML) with [ratings], [[new_load]], [load_study]"
    )
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site file applies)"
    )
    parser.add_argument("--quantities", nargs="+", metavar="NAME", help="judge only these quantities")
    parser.add_argument("--json", metavar="FILE", help="write the findings file, predictions included, - to print it")
    parser.add_argument("--study", metavar="FILE", help="write the demand study and the predictions as JSON")
    parser.add_argument(
        "--out", nargs="+", default=[], metavar="FILE", help="write reports; .html is the page of the study"
    )
    parser.add_argument("--all", action="store_true", help="list every criterion")
    parser.add_argument("--quiet", action="store_true", help="the answer only, danger signs excepted")


def run(args: argparse.Namespace) -> int:
    """Study, print, write; returns the exit status of the study: measured findings and predictions."""
    from pqcheck.reports.load_terminal import as_text
    from pqcheck.reports.output_forms import load_form, prepare, printed_as_json, write_all
    from pqcheck.workflows.inputs import files_read
    from pqcheck.workflows.study_load import load_study

    inputs = files_read(args.recordings, [args.site], args.limits)
    targets = prepare(args.out, json_path=args.json, study_path=args.study, inputs=inputs)
    study = load_study(args.recordings, args.site, args.limits, quantities=args.quantities)
    write_all(targets, lambda form: load_form(form, study, args.recordings, args.site))
    show(as_text(study, everything=args.all, quiet=args.quiet), beside=printed_as_json(targets))
    return int(study.exit_status)
