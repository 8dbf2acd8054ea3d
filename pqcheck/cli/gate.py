"""``pqcheck gate``: a check for pipelines, with waivers, a baseline, a lock and a margin."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from pqcheck.cli.console import show

if TYPE_CHECKING:
    from datetime import date

    from pqcheck.reports.output_forms import Target
    from pqcheck.workflows.run_gate import GateResult

HELP = "Judge design spectra or recordings in a pipeline: waivers that expire, a baseline, pinned tables, a margin."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("recordings", nargs="*", metavar="FILE", help="spectrum tables, or recordings over time")
    parser.add_argument("--site", nargs="+", metavar="FILE", help="site files; each is one scenario")
    parser.add_argument(
        "--limits", nargs="+", metavar="ID_OR_FILE", help="limit tables (default: those the site file applies)"
    )
    parser.add_argument("--waivers", metavar="FILE", help="waiver file (default: the one the site file names)")
    parser.add_argument("--as-of", metavar="DATE", help="the day that counts for waivers and tables, as 2031-03-04")
    parser.add_argument("--baseline", metavar="FINDINGS.json", help="an accepted result to compare with")
    parser.add_argument(
        "--fail-on", choices=("any", "new"), default="any", help="red on any fail, or only on new and worse ones"
    )
    parser.add_argument(
        "--baseline-differs", action="store_true", help="accept a baseline of another site, table or declared fact"
    )
    parser.add_argument("--allow-gone", action="store_true", help="accept that something the baseline judged is gone")
    parser.add_argument("--lock", metavar="FILE", help="stop unless tables, facts and waivers are those pinned")
    parser.add_argument("--write-lock", metavar="FILE", help="pin tables, declared facts and waivers in a file")
    parser.add_argument("--margin", metavar="PERCENT", help="how far below each limit a reading has to stay")
    parser.add_argument(
        "--out", "--json", nargs="+", default=[], metavar="FILE",
        help="write results; the ending chooses the form (.json .junit.xml .sarif .md .csv .html)",
    )  # fmt: skip
    parser.add_argument(
        "--annotations", choices=("github", "gitlab"), help="github: command lines after the text; gitlab: a JSON list"
    )
    parser.add_argument("--quiet", action="store_true", help="one line on green; one line per finding otherwise")
    parser.add_argument("--explain", metavar="RULE", help="say what a rule judges, and against what, and stop")


def run(args: argparse.Namespace) -> int:
    """Judge, write, print; returns the exit status."""
    from pqcheck.model.errors import GateError

    if args.explain is not None:
        show(_explained(args))
        return 0
    if not args.recordings and not args.write_lock:
        raise GateError("no file was given; name a spectrum table or a recording")
    if not args.site:
        raise GateError("no site file was given; --site FILE declares the scenario (several files, several scenarios)")
    if args.write_lock and args.lock:
        raise GateError("--write-lock writes the lock that --lock holds against; give one of them")
    from pqcheck.io.write_files import refuse_inputs
    from pqcheck.model.exit_status import ExitStatus
    from pqcheck.reports.output_forms import gate_form, prepare, printed_as_json, write_all
    from pqcheck.workflows.inputs import files_read
    from pqcheck.workflows.run_gate import gate

    others = (args.waivers, args.baseline, args.lock)
    inputs = files_read(args.recordings, args.site, args.limits, *others)
    targets = prepare(args.out, inputs=inputs)
    _check_targets(targets, len(args.site))
    if args.annotations == "gitlab" and printed_as_json(targets):
        raise GateError("--annotations gitlab and --json - both print JSON; write one of them to a file")
    if args.write_lock:
        refuse_inputs([args.write_lock], inputs)
        if any(Path(args.write_lock).resolve() == path.resolve() for path, _ in targets):
            raise GateError(f"{args.write_lock} is asked for twice; name each output once")
        if not args.recordings:
            show(_locked(args))
            return int(ExitStatus.PASSED)
    result = gate(
        args.recordings,
        args.site,
        args.limits,
        as_of=day_of(args.as_of),
        waivers=args.waivers,
        baseline=args.baseline,
        fail_on=args.fail_on,
        lock=args.lock,
        margin=_percent(args.margin),
        baseline_differs=args.baseline_differs,
        allow_gone=args.allow_gone,
    )
    _check_targets(targets, len(result.results))
    lock = [(Path(args.write_lock), _lock_of(args)[0].encode())] if args.write_lock else []
    write_all(targets, lambda form: gate_form(form, result, args.recordings, args.site[0]), lock)
    _print(result, args, printed=printed_as_json(targets))
    return int(result.exit_status)


def _lock_of(args: argparse.Namespace) -> tuple[str, str]:
    """The lock as a text, and what it pins in words."""
    from pqcheck.workflows.gate_lock import lock_text, lock_words
    from pqcheck.workflows.run_gate import questions_of

    questions = questions_of(args.site, args.limits, args.waivers)
    return lock_text(questions), lock_words(questions, args.write_lock)


def _locked(args: argparse.Namespace) -> str:
    from pqcheck.io.write_files import write_text

    text, words = _lock_of(args)
    write_text(args.write_lock, text)
    return words


def _check_targets(targets: list[Target], sites: int) -> None:
    from pqcheck.model.errors import OutputError

    for path, form in targets:
        if sites > 1 and form not in (".json", ".junit.xml", ".sarif"):
            raise OutputError(
                f"{path} holds one scenario and {sites} are judged; write .json, .junit.xml or .sarif, or run the gate "
                "for each"
            )


def _print(result: GateResult, args: argparse.Namespace, *, printed: bool) -> None:
    from pqcheck.reports.annotations import command_lines, entry_list
    from pqcheck.reports.gate_text import gate_text

    text = gate_text(result, quiet=args.quiet)
    # The list, or the findings, are the result then, to be kept as a file; the text for people goes beside it.
    show(text, beside=printed or args.annotations == "gitlab")
    if args.annotations == "gitlab":
        show(entry_list(result, args.recordings))
    if args.annotations == "github":
        # The host reads them from either stream; in a file that is printed they would be no JSON.
        show(command_lines(result, args.recordings), beside=printed)


def _explained(args: argparse.Namespace) -> str:
    from pqcheck.limit_tables.load_limit_table import load, table_ids
    from pqcheck.model.errors import GateError
    from pqcheck.reports.explain import explained
    from pqcheck.site.load_site import load_site

    site = load_site(args.site[0]) if args.site else None
    named = args.limits or (list(site.apply) if site is not None else [])
    if not named and "/" in args.explain:
        named = [args.explain.partition("/")[0]]
        if named[0] not in table_ids():
            raise GateError(f"there is no limit table {named[0]!r}; name one with --limits")
    return explained(args.explain, [load(name) for name in named], site)


def day_of(text: str | None) -> date | None:
    """A day as it is written on the command line. Raises `GateError`."""
    from datetime import date

    from pqcheck.model.errors import GateError

    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise GateError(f"--as-of {text!r} is not a date; write one such as 2031-03-04") from None


def _percent(text: str | None) -> float | None:
    from pqcheck.model.errors import GateError

    if text is None:
        return None
    try:
        return float(text.removesuffix("%").strip())
    except ValueError:
        raise GateError(f"--margin {text!r} is not a number; write the percentage, for example --margin 10") from None
