"""``pqcheck fleet``: many sites from a registry to a store of findings, and what that store answers."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from pqcheck.cli.console import show

if TYPE_CHECKING:
    from pqcheck.fleet.run_fleet import FleetRun

HELP = "Judge all sites of a registry, only what is new or changed; answer questions about all of them."

_NAMED = 10
"""Lines of one kind that are printed; the rest is counted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("registry", metavar="REGISTRY", help="CSV or Parquet table of sites: site, recording, ...")
    parser.add_argument("--out", required=True, metavar="RESULTS", help="folder of results; made if it is not there")
    parser.add_argument("--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables for rows that name none")
    parser.add_argument("--quantities", nargs="+", metavar="NAME", help="judge only these quantities")
    parser.add_argument("--each", action="store_true", help="judge every file of a row by itself (a file a week)")
    parser.add_argument("--quiet", action="store_true", help="one line only, danger signs excepted; no progress")


def run(args: argparse.Namespace) -> int:
    """Judge, keep, say how all sites stand; returns the exit status over all of them."""
    from pqcheck.fleet.run_fleet import run_fleet
    from pqcheck.io.progress import Progress

    shown: list[Progress] = []

    def progress(done: int, total: int) -> None:
        if not shown:
            shown.append(Progress("sites and periods", total, quiet=args.quiet, only_terminal=True))
        shown[0].at(done)

    try:
        done = run_fleet(
            args.registry, args.out, args.limits, quantities=args.quantities, each=args.each, progress=progress
        )
    finally:
        for each in shown:
            each.end()
    show(_text(done, quiet=args.quiet))
    return int(done.exit_status)


def _text(done: FleetRun, *, quiet: bool) -> str:
    lines = []
    if done.danger:
        lines.append(f"DANGER SIGN: act on it first: {_listed(done.danger)}")
    counts = {"comply": 0, "fail": 0, "open": 0}
    words = {"pass": "comply", "waived": "comply", "fail": "fail"}
    for verdict in done.verdicts.values():
        counts[words.get(verdict.value, "open")] += 1
    why = ", ".join(f"{count} {code}" for code, count in sorted(done.refused.items()))
    lines.append(
        f"{len(done.verdicts)} sites: {counts['comply']} comply, {counts['fail']} fail, {counts['open']} could not be "
        f"judged{f' (results refused: {why})' if why else ''}"
    )
    if not quiet:
        lines.append(f"{done.judged} sites and periods judged now, {done.unchanged} unchanged since they were judged")
        again = [f"Judged again: {site}: {why}" for site, why in sorted(done.again.items())]
        lines += again[:_NAMED]
        if len(again) > _NAMED:
            lines.append(f"Judged again: {len(again) - _NAMED} more")
        if done.left:
            lines.append(f"No longer in the registry, results put aside: {_listed(done.left)}")
        if done.left_alone:
            lines.append(f"Columns left alone: {', '.join(done.left_alone)}")
    return "\n".join(lines) + "\n"


def _listed(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more
