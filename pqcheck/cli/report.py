"""``pqcheck report``: findings file (and the recording it was made from) to a report."""

from __future__ import annotations

import argparse

HELP = "Write a report from a findings file, with plots when the recording is given too."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("findings", metavar="FINDINGS", help="findings file written by check --json")
    parser.add_argument(
        "recordings", nargs="*", metavar="RECORDING", help="the files that were judged (without them: no trends)"
    )
    parser.add_argument("--site", metavar="FILE", help="site file, for its logo and style sheet")
    parser.add_argument(
        "--out", nargs="+", required=True, metavar="FILE", help="what to write; the ending chooses the form"
    )


def run(args: argparse.Namespace) -> int:
    """Read, draw, write. The exit status is 0 when the report was written, whatever the verdict."""
    from pqcheck.model.findings_file import read_findings
    from pqcheck.reports.output_forms import check_form, prepare, write_all
    from pqcheck.workflows.inputs import files_read

    targets = prepare(args.out, inputs=files_read(args.recordings, [args.site], None, args.findings))
    findings = read_findings(args.findings)
    write_all(targets, lambda form: check_form(form, findings, args.recordings, args.site))
    return 0
