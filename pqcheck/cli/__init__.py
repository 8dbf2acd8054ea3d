"""The command line: one module per command, each calls one library function. Nothing heavy is imported here."""

from __future__ import annotations

import argparse
import gc
import importlib
import os
import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NoReturn

from pqcheck.cli.console import open_streams
from pqcheck.cli.file_patterns import expanded
from pqcheck.model.errors import PqcheckError, nearest
from pqcheck.version import __version__

COMMANDS = (
    "check", "columns", "site", "vet", "plan", "limits", "report", "compare", "load", "gate", "waivers", "fleet",
    "demo",
)  # fmt: skip
"""Commands in the order of a job, each a module beside this."""

_COLLECT_AFTER = 200_000
"""New containers between two looks for garbage that only refers to itself; a check makes hardly any."""


class _Given(argparse.Action):
    """An option that takes a list is extended by every use; one that takes a single value is given once."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        """Keep the value; a usage error when it is the second one."""
        if option_string is not None:
            given: frozenset[str] = getattr(namespace, "options_given", frozenset())
            if isinstance(values, list):
                values = [*getattr(namespace, self.dest), *values] if self.dest in given else values
            elif self.dest in given:
                parser.error(f"{option_string} was given twice; give it once")
            namespace.options_given = given | {self.dest}
        setattr(namespace, self.dest, values)


class _UsageError(Exception):
    """A command line that cannot be."""

    def __init__(self, sentence: str, program: str) -> None:
        super().__init__(sentence)
        self.program = program


class _Parser(argparse.ArgumentParser):
    """An argument parser without abbreviations whose usage errors are one sentence."""

    def __init__(self, **settings: Any) -> None:
        """Settings as of an argument parser."""
        super().__init__(allow_abbrev=False, **settings)
        self._words: list[str] = []
        for action in (None, "store"):
            self.register("action", action, _Given)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As of an argument parser; the words are kept for the sentence about what is missing."""
        self._words = list(args or ())
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        """One sentence, printed where all of them are; a misspelt option or choice gets the nearest one."""
        known = _options(self)
        unknown = [word.partition("=")[0] for word in self._words if word.startswith("--") and word != "--"]
        misspelt = [word for word in unknown if word not in known and nearest(word, sorted(known))]
        if misspelt and "required" in message:
            message = f"there is no option {misspelt[0]}{nearest(misspelt[0], sorted(known))}"
            raise _UsageError(f"{message} (see {self.prog} --help)", self.prog)
        raise _UsageError(f"{message}{_nearest_word(message, self)} (see {self.prog} --help)", self.prog)


def _nearest_word(message: str, parser: argparse.ArgumentParser) -> str:
    """What a word that the parser does not know was probably meant to be."""
    unknown = re.search(r"unrecognized arguments: (?:.* )?(--[\w-]+)", message)
    if unknown:
        return nearest(unknown[1], sorted(_options(parser)))
    choice = re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message)
    return nearest(choice[1], re.findall(r"[\w-]+", choice[2])) if choice else ""


def _options(parser: argparse.ArgumentParser) -> set[str]:
    """Every long option of a parser and of its commands."""
    found: set[str] = set()
    for action in parser._actions:
        found |= {option for option in action.option_strings if option.startswith("--")}
        if isinstance(action, argparse._SubParsersAction):
            found = found.union(*map(_options, action.choices.values()))
    return found


def _could_not_run() -> int:
    from pqcheck.model.exit_status import ExitStatus  # here, since it brings numpy with it

    return int(ExitStatus.COULD_NOT_RUN)


def _parser(only: str | None = None) -> argparse.ArgumentParser:
    parser = _Parser(
        prog="pqcheck",
        description="Judge recorded electrical trends against published limits, with evidence for every verdict.",
        epilog="Exit codes: 0 all pass, 1 a fail, 2 could not run, 3 nothing fails but something is not shown.",
    )
    parser.add_argument("--version", action="version", version=f"pqcheck {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for name in [only] if only else COMMANDS:
        module = importlib.import_module(f"pqcheck.cli.{name}")
        command = commands.add_parser(name, help=module.HELP, description=module.HELP)
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def _one_thread_for_algebra() -> None:
    """Keep the linear algebra behind numpy from starting a thread per core as soon as numpy is imported.

    Nothing here multiplies large matrices; and sums then do not depend on the number of cores. What the caller has
    set stays, processes started by `--each` inherit it, and importing pqcheck as a library sets nothing.
    """
    if "numpy" in sys.modules:
        return
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")


@contextmanager
def _seldom_collected() -> Iterator[None]:
    """Look for cyclic garbage less often while a command runs: at the usual rate it is 2 % of a check."""
    before = gc.get_threshold()
    gc.set_threshold(_COLLECT_AFTER, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status (docs/reference/exit-codes.md)."""
    open_streams()
    _one_thread_for_algebra()
    with _seldom_collected():
        status = _run(argv)
        if argv is None:
            # The process ends with its command; on its way out, and as soon as the usual rate holds again, Python would
            # look through all that is alive for garbage, several times, which is 5 % of a check of a week.
            gc.freeze()
    return status


def _run(argv: Sequence[str] | None) -> int:
    arguments = list(sys.argv[1:] if argv is None else argv)
    try:
        if not arguments:
            _parser().print_help()
            return _could_not_run()
        first = arguments[0]
        if not first.startswith("-") and first not in COMMANDS:
            sys.stderr.write(
                f"pqcheck: there is no command {first!r}{nearest(first, COMMANDS)} (pqcheck --help lists them)\n"
            )
            return _could_not_run()
        parsed = _parser(first if first in COMMANDS else None).parse_args(arguments)
        if "recordings" in parsed:
            parsed.recordings = expanded(parsed.recordings)
        return int(parsed.run(parsed))
    except _UsageError as error:
        return _refuse(str(error), arguments, error.program)
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else _could_not_run()
    except PqcheckError as error:
        return _refuse(str(error), arguments)
    except KeyboardInterrupt:
        return _refuse("interrupted; nothing was written", arguments)
    except MemoryError:
        sentence = "not enough memory for this recording; narrow it with --quantities or split the files"
        return _refuse(sentence, arguments)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _refuse(f"{where}{error.strerror or error}; check the place and try again", arguments)
    except Exception as error:
        if os.environ.get("PQCHECK_DEBUG"):
            raise
        return _refuse(
            f"an error of pqcheck itself ({type(error).__name__}: {error}); nothing was written. "
            "Set PQCHECK_DEBUG=1 to see where, and report it",
            arguments,
        )


def _refuse(sentence: str, arguments: Sequence[str], program: str = "pqcheck") -> int:
    sys.stderr.write(f"{program}: {sentence}\n")
    from pqcheck.cli.could_not_run import tell

    tell(arguments, sentence)
    return _could_not_run()
