"""``pqcheck vet``: is the recording itself sound."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "Check whether a recording is sound: ten minutes after hook-up, half-way, and at the end."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="+", metavar="RECORDING", help="files of one site")
    parser.add_argument("--site", required=True, metavar="FILE", help="site file (TOML): what a person declares")
    parser.add_argument("--propose", metavar="FILE", help="write proposed corrections as commented TOML, to be signed")
    parser.add_argument("--so-far", action="store_true", help="half-way: what is proven, what the rest may still bear")
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="with --so-far: limit tables (default: the site file's)"
    )
    parser.add_argument("--json", metavar="FILE", help="write the findings file, - to print it")
    parser.add_argument("--all", action="store_true", help="list every check")
    parser.add_argument("--quiet", action="store_true", help="one line only, danger signs excepted")


def run(args: argparse.Namespace) -> int:
    """Vet, print, write; returns the exit status: 0 sound, 3 refused or open, 1 danger sign."""
    from pqcheck.io.write_files import STANDARD_OUTPUT, refuse_inputs, write_set
    from pqcheck.model.errors import SiteError
    from pqcheck.reports.vetting_text import as_text, as_toml, half_way_text
    from pqcheck.workflows.inputs import files_read
    from pqcheck.workflows.vet_recording import examine

    if args.limits and not args.so_far:
        raise SiteError("--limits asks what a period can still bear; give it together with --so-far")
    outputs = [path for path in (args.propose, args.json) if path]
    refuse_inputs(outputs, files_read(args.recordings, [args.site], args.limits))
    result = examine(args.recordings, args.site)
    progress = ""
    if args.so_far:
        from pqcheck.workflows.vet_recording import so_far

        progress = "\n" + half_way_text(so_far(args.recordings, args.site, args.limits))
    files = [(args.propose, as_toml(result.proposals))] if args.propose else []
    files += [(args.json, result.findings.to_json())] if args.json else []
    write_set(files)
    show(as_text(result, everything=args.all, quiet=args.quiet) + progress, beside=STANDARD_OUTPUT in outputs)
    return int(result.exit_status)
