"""Proposed corrections as commented TOML: for a person to check, sign and uncomment. Nothing applies them."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.vetting.outcome import Proposal

HEAD = """\
# Corrections that would make the recording consistent, proposed from the numbers alone.
# Nothing here is in force. Check each on site or on the photos, then copy it into the site file without the leading
# number sign and sign it with a reason and an author. The order matters: swaps before reversals.
"""


def as_toml(proposals: Sequence[Proposal]) -> str:
    """The file of ``vet --propose``."""
    if not proposals:
        return HEAD + "#\n# Nothing to propose.\n"
    parts = [HEAD]
    for one in proposals:
        lines = [f"# why: {line}" for line in _lines(one.why)]
        lines += ["# [[corrections]]", f'# kind = "{one.kind}"']
        lines += [f"# {key} = {_value(value)}" for key, value in one.settings.items()]
        lines += ['# reason = ""      # what shows it: photo, handheld reading, site visit',
                  '# author = ""      # who signs for it']
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _value(value: str | float | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(f'"{item}"' for item in value) + "]"
    return f"{value:g}" if value != int(value) else f"{int(value)}"


def _lines(text: str) -> list[str]:
    return text.replace("\r", " ").split("\n")
