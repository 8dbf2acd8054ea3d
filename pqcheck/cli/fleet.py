"""``pqcheck fleet``: many sites from a registry to a store of findings, and what that store answers."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from pqcheck.cli.console import show

if TYPE_CHECKING:
    from pqcheck.fleet.run_fleet import FleetRun
    from pqcheck.model.findings import Findings

HELP = "Judge all sites of a registry, only what is new or changed; `fleet report RESULTS` says how they stand."

_NAMED = 10
"""Lines of one kind that are printed; the rest is counted."""

_OF_A_RUN = ("limits", "quantities", "each", "scheduler")
_OF_A_REPORT = ("site", "split", "rules", "all")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "registry", metavar="REGISTRY", help="CSV or Parquet table of sites (site, recording, ...), or the word report"
    )
    parser.add_argument("results", nargs="?", metavar="RESULTS", help="after report: the folder of results")
    parser.add_argument(
        "--out", nargs="+", default=[], metavar="PLACE",
        help="the folder of results, made if it is not there; of a report: files to write (.html, .parquet)",
    )  # fmt: skip
    parser.add_argument("--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables for rows that name none")
    parser.add_argument("--quantities", nargs="+", metavar="NAME", help="judge only these quantities")
    parser.add_argument("--each", action="store_true", help="judge every file of a row by itself (a file a week)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="work on a Dask cluster (default: all cores here)")
    parser.add_argument("--site", metavar="ID", help="report: this site alone (--out also .json, .md, .csv)")
    parser.add_argument("--split", metavar="DATE", help="report: how sites stood before and after this date")
    parser.add_argument("--rules", metavar="FILE", help="report: rules about shares of sites (TOML)")
    parser.add_argument("--all", action="store_true", help="report: list every row")
    parser.add_argument("--quiet", action="store_true", help="one line only, danger signs excepted; no progress")


def run(args: argparse.Namespace) -> int:
    """Judge and keep, or answer from what was kept; returns the exit status over all sites."""
    from pqcheck.model.errors import OutputError

    report = args.registry == "report" and args.results is not None
    if args.results is not None and not report:
        raise OutputError(f"name the folder of results with --out {args.results}, or write fleet report {args.results}")
    for name in _OF_A_RUN if report else _OF_A_REPORT:
        if getattr(args, name):
            raise OutputError(f"--{name} belongs to {'a run over a registry' if report else 'fleet report RESULTS'}")
    if args.registry == "report" and not report and not args.out:
        raise OutputError("name the folder of results too: fleet report RESULTS")
    if args.site and (args.split or args.rules):
        raise OutputError("--split and --rules are about all sites and --site is about one; leave one of them out")
    if report:
        return _site_report(args) if args.site else _report(args)
    if len(args.out) != 1:
        raise OutputError("name one folder for the results with --out RESULTS")
    return _run(args)


def _run(args: argparse.Namespace) -> int:
    from contextlib import ExitStack

    from pqcheck.fleet.run_fleet import run_fleet
    from pqcheck.io.progress import Progress
    from pqcheck.model.errors import OutputError

    shown: list[Progress] = []

    def progress(done: int, total: int) -> None:
        if not shown:
            shown.append(Progress("sites and periods", total, quiet=args.quiet, only_terminal=True))
            stack.callback(shown[0].end)
        shown[0].at(done)

    with ExitStack() as stack:
        engine = None
        if args.scheduler:
            from pqcheck.fleet.cluster import on_cluster

            engine = stack.enter_context(on_cluster(args.scheduler, args.limits))
        try:
            done = run_fleet(
                args.registry, args.out[0], args.limits, quantities=args.quantities, each=args.each, engine=engine,
                progress=progress,
            )  # fmt: skip
        except KeyboardInterrupt:
            raise OutputError(
                "interrupted; results written so far are whole; run the same again to go on"
            ) from None
    show(_text(done, quiet=args.quiet))
    return int(done.exit_status)


def _report(args: argparse.Namespace) -> int:
    from pqcheck.fleet.answers import answers_of, sites_as_parquet
    from pqcheck.fleet.fleet_page import fleet_page
    from pqcheck.fleet.fleet_text import danger_lines, fleet_text, summary
    from pqcheck.fleet.store import refuse_places
    from pqcheck.io.write_files import write_set
    from pqcheck.reports.output_forms import prepare

    targets = prepare(args.out, inputs=_files_of(args), endings=(".html", ".parquet"))
    refuse_places([path for path, _ in targets], args.results)
    answers = answers_of(args.results, split=args.split, rules=args.rules)
    write_set(
        [(path, fleet_page(answers) if form == ".html" else sites_as_parquet(answers)) for path, form in targets]
    )
    if args.quiet:
        show("".join(f"{line}\n" for line in [*danger_lines(answers), summary(answers)]))
    else:
        show(fleet_text(answers, everything=args.all))
    return int(answers.exit_status)


def _site_report(args: argparse.Namespace) -> int:
    from pqcheck.fleet.store import checks_of_site, refuse_places
    from pqcheck.model.errors import InputError
    from pqcheck.model.exit_status import exit_status
    from pqcheck.model.verdict import roll_up
    from pqcheck.reports.check_terminal import as_text
    from pqcheck.reports.output_forms import check_form, prepare, write_all

    targets = prepare(args.out, inputs=_files_of(args))
    refuse_places([path for path, _ in targets], args.results)
    checks = checks_of_site(args.results, args.site)
    if targets and len(checks) > 1:
        raise InputError(
            f"{args.site} has {len(checks)} results ({', '.join(checks)}); a file takes one: name its recording too, "
            f"--site '{args.site}/{next(iter(checks))}'"
        )
    for findings in checks.values():
        write_all(targets, lambda form, findings=findings: check_form(form, findings, (), None))  # type: ignore[misc]
        refused = _why_refused(findings)
        show(refused or as_text(findings, everything=args.all, quiet=args.quiet))
    return int(exit_status(roll_up(findings.verdict for findings in checks.values())))


def _why_refused(findings: Findings) -> str | None:
    """What is said of a recording that could not be judged at all."""
    first, *rest = findings.findings
    if rest or first.kind != "recording" or first.reason is None:
        return None
    return f"REFUSED: {first.reason.text.rstrip('.')}.\n  -> {first.reason.advice}\n"


def _files_of(args: argparse.Namespace) -> list[str]:
    return [args.rules] if args.rules else []


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
