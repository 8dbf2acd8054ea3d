"""The pages made from the program: commands, reason codes, limit tables, checks of a recording.

    python -m tests.generated_pages                  writes those that are kept in docs/ anew
    python -m tests.generated_pages --all FOLDER     copies docs/ to FOLDER and adds a page for every table and check

tests/test_generated_pages.py fails when a page that is kept and the program differ.
"""

from __future__ import annotations

import argparse
import importlib
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

from pqcheck.cli import COMMANDS
from pqcheck.limit_tables.load_limit_table import load, table_ids
from pqcheck.model.reason_codes import CATALOGUE
from pqcheck.vet.check_definition import COMMON_CODES
from pqcheck.vet.checks import CHECKS
from tests import check_pages, rule_pages

DOCS = Path(__file__).resolve().parent.parent / "docs"
PAGES = DOCS / "reference"

SAMPLE_TABLE = "ieee1547-2018"
SAMPLE_CHECK = "stuck"
"""The limit table and the check whose pages are kept in docs/."""

CLI_HEAD = """\
# Commands

    pqcheck COMMAND ...

`pqcheck --help` lists the commands, `pqcheck COMMAND --help` its arguments, `pqcheck --version` tells the version.
The result goes to the standard output, everything else to the standard error. What every exit code means:
[exit codes](exit-codes.md). This page is made from the program (`python -m tests.generated_pages`).
"""

REASONS_HEAD = """\
# Reason codes

A finding that is not a plain pass or fail says why: a code for programs, a sentence with the numbers, and what would
settle it. The codes are stable; the sentences may be worded better from one release to the next. Words in braces are
filled in. This page is made from the program (`python -m tests.generated_pages`).

A code says what was found; the verdict beside it says what follows. Thirteen missing intervals leave a rule about all
values open (`gap`) and change nothing for one that allows fifty outside.
"""


def parser_of(command: str) -> argparse.ArgumentParser:
    """The parser of a command as the command line builds it, and its help sentence as description."""
    module = importlib.import_module(f"pqcheck.cli.{command}")
    parser = argparse.ArgumentParser(prog=f"pqcheck {command}", description=module.HELP)
    module.add_arguments(parser)
    return parser


def present() -> list[str]:
    """The commands that exist, in the order of a job."""
    folder = Path(importlib.import_module("pqcheck.cli").__file__ or "").parent
    return [name for name in COMMANDS if (folder / f"{name}.py").exists()]


def options_of(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    """The options of a parser but for --help."""
    return [action for action in parser._actions if action.option_strings and action.dest != "help"]


def _subparsers(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.ArgumentParser, str]]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, below in action.choices.items():
                yield name, below, helps.get(name, "")


def _arguments_of(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    return [
        action
        for action in parser._actions
        if not action.option_strings and not isinstance(action, argparse._SubParsersAction)
    ]


def _value(action: argparse.Action) -> str:
    """What follows an option, or stands for an argument: ``FILE``, ``NAME...``, ``github|gitlab``."""
    if action.nargs == 0:
        return ""
    word = str(action.metavar or ("|".join(map(str, action.choices)) if action.choices else action.dest.upper()))
    return f"{word}..." if action.nargs in ("+", "*", argparse.REMAINDER) else word


def _usage(parser: argparse.ArgumentParser) -> str:
    parts = [parser.prog]
    for action in _arguments_of(parser):
        parts.append(f"[{_value(action)}]" if action.nargs in ("?", "*") else _value(action))
    for action in options_of(parser):
        text = " ".join(filter(None, (action.option_strings[0], _value(action))))
        parts.append(text if action.required else f"[{text}]")
    if any(_subparsers(parser)):
        parts.append("[ACTION ...]")
    lines, line = [], ""
    for part in parts:
        if line and len(line) + len(part) > 108:
            lines.append(line)
            line = "    " + part
        else:
            line = f"{line} {part}".strip() if not line.startswith("    ") else f"{line} {part}"
    return "\n".join([*lines, line])


def _help(action: argparse.Action) -> str:
    text = (action.help or "") % (vars(action) | {"prog": ""})
    return text.replace("|", "\\|")


def _tables(parser: argparse.ArgumentParser) -> Iterator[str]:
    rows = [(f"`{_value(action)}`", _help(action)) for action in _arguments_of(parser)]
    rows += [
        (
            "`" + ", ".join(action.option_strings) + (f" {_value(action)}" if _value(action) else "") + "`",
            _help(action) + (" (required)" if action.required else ""),
        )
        for action in options_of(parser)
    ]
    if rows:
        yield ""
        yield "| argument | meaning |"
        yield "|---|---|"
        for name, meaning in rows:
            escaped = name.replace("|", "\\|")
            yield f"| {escaped} | {meaning} |"


def cli_page() -> str:
    """docs/reference/cli.md."""
    lines = [CLI_HEAD]
    for command in present():
        parser = parser_of(command)
        lines += [
            f"## {command}",
            "",
            str(parser.description),
            "",
            "```text",
            _usage(parser),
            "```",
            *_tables(parser),
            "",
        ]
        for name, below, sentence in _subparsers(parser):
            below.prog = f"pqcheck {command} {name}"
            head = sentence[:1].upper() + sentence[1:] + "."
            lines += [f"### {command} {name}", "", head, "", "```text", _usage(below), "```", *_tables(below), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def reasons_page() -> str:
    """docs/reference/reasons.md."""
    lines = [
        REASONS_HEAD,
        "## Of limit findings",
        "",
        "| code | title | sentence | what would settle it |",
        "|---|---|---|---|",
    ]
    for code, entry in sorted(CATALOGUE.items()):
        lines.append(f"| `{code}` | {entry.title} | {_cell(entry.text)} | {_cell(entry.advice)} |")
    lines += [
        "",
        "## Of checks of the recording, and of danger signs",
        "",
        "A limit finding that rests on a doubted channel is *refused* and carries the code of the check. The checks:",
        "[checks of the recording itself](../checks/index.md).",
        "",
        "| code | what was found | check |",
        "|---|---|---|",
    ]
    rows = sorted((code, title, check.name) for check in CHECKS for code, title in check.codes.items())
    lines += [f"| `{code}` | {_cell(title)} | {name} |" for code, title, name in rows]
    lines += [f"| `{code}` | {_cell(title)} | any |" for code, title in sorted(COMMON_CODES.items())]
    return "\n".join(lines) + "\n"


def kept_pages() -> dict[str, str]:
    """The generated pages that stand in docs/, by their path there."""
    sample = next(check for check in CHECKS if check.name == SAMPLE_CHECK)
    return {
        "reference/cli.md": cli_page(),
        "reference/reasons.md": reasons_page(),
        "rules/index.md": rule_pages.index([load(table_id) for table_id in table_ids()], {SAMPLE_TABLE}),
        f"rules/{SAMPLE_TABLE}.md": rule_pages.page(load(SAMPLE_TABLE)),
        "checks/index.md": check_pages.index({SAMPLE_CHECK}),
        f"checks/{SAMPLE_CHECK}.md": check_pages.page(sample),
    }


def all_pages() -> dict[str, str]:
    """Every generated page, by its path in docs/."""
    rules = {f"rules/{name}": text for name, text in rule_pages.pages().items()}
    checks = {f"checks/{name}": text for name, text in check_pages.pages().items()}
    return kept_pages() | rules | checks


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the pages that are kept anew, or all pages into a folder."""
    parser = argparse.ArgumentParser(prog="python -m tests.generated_pages", description=__doc__)
    parser.add_argument("--all", metavar="FOLDER", type=Path, help="a folder that does not exist yet")
    folder = parser.parse_args(arguments).all
    if folder is not None:
        shutil.copytree(DOCS, folder)
    for name, text in (kept_pages() if folder is None else all_pages()).items():
        ((folder or DOCS) / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
