"""What machines read of a command that could not run: no file of an earlier, green run may stand for it.

It looks at the words of the command line as they stand, because there may be no arguments that could be parsed.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

_COMMANDS = ("gate", "check")
_OUTPUTS = ("--out", "--json")
_ENDINGS = (".junit.xml", ".sarif")


def tell(arguments: Sequence[str], sentence: str) -> None:
    """Write the sentence as an error into JUnit and SARIF files asked for, and print it as an annotation.

    A file that is neither absent nor the result of an earlier run is left alone: it may be what was to be read.
    """
    if not arguments or arguments[0] not in _COMMANDS:
        return
    from pqcheck.reports.error_documents import annotation, as_junit_error, as_sarif_error

    forms = {".junit.xml": as_junit_error, ".sarif": as_sarif_error}
    for path in _targets(arguments):
        ending = next(one for one in _ENDINGS if path.name.lower().endswith(one))
        if _replaceable(path, ending):
            _write(path, forms[ending](sentence))
    host = _value_of(arguments, "--annotations")
    if host in ("github", "gitlab"):
        sys.stdout.write(annotation(sentence, host))


def _targets(arguments: Sequence[str]) -> Iterator[Path]:
    """Outputs of these forms: what stands behind their options, up to the next one."""
    taking = False
    for word in arguments[1:]:
        if word.startswith("--"):
            option, _, value = word.partition("=")
            taking = option in _OUTPUTS
            word = value
        if taking and word.lower().endswith(_ENDINGS):
            yield Path(word)


def _value_of(arguments: Sequence[str], option: str) -> str | None:
    for number, word in enumerate(arguments):
        if word == option and number + 1 < len(arguments):
            return arguments[number + 1]
        if word.startswith(f"{option}="):
            return word.partition("=")[2]
    return None


def _replaceable(path: Path, ending: str) -> bool:
    """Whether the file is not there, empty, or of the form that would be written."""
    try:
        with path.open("rb") as stream:
            start = stream.read(4096)
    except FileNotFoundError:
        return path.parent.is_dir()
    except OSError:
        return False
    mark = b"<testsuites" if ending == ".junit.xml" else b'"$schema"'
    return not start.strip() or mark in start


def _write(path: Path, text: str) -> None:
    from pqcheck.io.write_files import write_text
    from pqcheck.model.errors import OutputError

    try:
        write_text(path, text)
    except OutputError as error:
        sys.stderr.write(f"pqcheck: {error}\n")
