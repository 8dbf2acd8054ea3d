"""``pqcheck check``: recording to verdict."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from pqcheck.cli.console import show

HELP = "Judge recordings against limit tables and say what passes, what fails, and what cannot be said."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="RECORDING", help="CSV or Parquet files of one site")
    parser.add_argument("--site", required=True, metavar="FILE", help="site file (TOML): what a person declares")
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site file applies)"
    )
    parser.add_argument("--quantities", nargs="+", metavar="NAME", help="judge only these quantities")
    parser.add_argument(
        "--json", metavar="FILE", help="write the findings file, - to print it (with --each: a folder of them)"
    )
    parser.add_argument(
        "--each", action="store_true", help="judge every recording by itself, on all cores, one line for each"
    )
    parser.add_argument(
        "--out", nargs="+", default=[], metavar="FILE",
        help="write reports; the ending chooses the form (.html .pdf .xlsx .md .csv .json ...)",
    )
    parser.add_argument("--bundle", metavar="DIR", help="write a folder from which the check can be repeated")
    parser.add_argument("--all", action="store_true", help="list every finding, passes too")
    parser.add_argument("--quiet", action="store_true", help="one line only, danger signs excepted")


def run(args: argparse.Namespace) -> int:
    """Check, print, write; returns the exit status."""
    if args.each:
        return _each(args)
    from pqcheck.io.source_files import LATER

    # Beside the imports that follow, which keep one core busy for a while.
    LATER.ahead(args.recordings)
    from pqcheck.io.progress import shown
    from pqcheck.reports.check_terminal import as_text
    from pqcheck.reports.output_forms import check_form, prepare, printed_as_json, wants_trends, write_all
    from pqcheck.workflows.check_recording import check, check_and_gather
    from pqcheck.workflows.inputs import files_read

    inputs = files_read(args.recordings, [args.site], args.limits)
    targets = prepare(args.out, json_path=args.json, inputs=inputs)
    if args.bundle:
        from pqcheck.reports.bundle import bundle_files, check_place, placed

        check_place(args.bundle, inputs)
    drawn: Any = args.recordings
    with shown("days judged", quiet=args.quiet):
        if wants_trends(targets):
            findings, gathered = check_and_gather(args.recordings, args.site, args.limits, quantities=args.quantities)
            drawn = gathered if gathered is not None else ()
        else:
            findings = check(args.recordings, args.site, args.limits, quantities=args.quantities)
    bundle: list[tuple[Path, bytes]] = []
    if args.bundle:
        files = bundle_files(findings, args.recordings, args.site, args.limits, args.quantities)
        bundle = placed(Path(args.bundle), files)
    write_all(targets, lambda form: check_form(form, findings, drawn, args.site), bundle)
    show(as_text(findings, everything=args.all, quiet=args.quiet), beside=printed_as_json(targets))
    return int(findings.exit_status)


def _each(args: argparse.Namespace) -> int:
    """Every recording by itself: one line as each is done, counts at the end."""
    from pqcheck.io.progress import Progress
    from pqcheck.model.errors import OutputError
    from pqcheck.workflows.check_each import check_each, exit_status

    if args.out or args.bundle:
        raise OutputError(
            "--out and --bundle are about one recording and --each judges many; use --json FOLDER with --each"
        )
    results = []
    progress = Progress("recordings", len(args.recordings), quiet=args.quiet)
    for outcome in check_each(args.recordings, args.site, args.limits, quantities=args.quantities, folder=args.json):
        results.append(outcome)
        progress.at(len(results))
        word = outcome.verdict.value if outcome.verdict is not None else "unreadable"
        if not args.quiet or word not in ("pass", "waived"):
            show(
                f"{outcome.recording}: {outcome.line if outcome.readable else 'UNREADABLE: ' + outcome.line}\n"
            )
    progress.end()
    counts: dict[str, int] = {}
    for result in results:
        word = result.verdict.value if result.verdict is not None else "unreadable"
        counts[word] = counts.get(word, 0) + 1
    summary = ", ".join(f"{count} {word}" for word, count in sorted(counts.items()))
    show(f"{len(results)} recordings: {summary}\n")
    return int(exit_status(results))
