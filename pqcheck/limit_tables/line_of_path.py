"""In which line of a JSON file does a place stand, such as ``rules[2].limit.low``?"""

from __future__ import annotations

import re
from json import JSONDecoder

_SPACE = re.compile(r"[ \t\r\n]*")
_DECODER = JSONDecoder()


def line_of(text: str, path: str) -> int:
    """The line, from 1, of the value at `path` in a JSON document, or of the innermost part of the path that is there.

    The document has been parsed before. Of keys that hold points the longest that fits is taken.
    """
    at, rest = _after_space(text, 0), path
    while rest:
        step = _into_list(text, at, rest) if text[at] == "[" else _into_object(text, at, rest)
        if step is None:
            break
        at, rest = step
    return text.count("\n", 0, at) + 1


def _into_object(text: str, at: int, path: str) -> tuple[int, str] | None:
    """Where the value of the key begins with which the path begins, and the rest of the path."""
    matches: list[tuple[int, int, str]] = []
    if text[at] != "{":
        return None
    at = _after_space(text, at + 1)
    while text[at] != "}":
        key, at = _DECODER.raw_decode(text, at)
        value = _after_space(text, _after_space(text, at) + 1)
        rest = path.removeprefix(key)
        if len(rest) < len(path) and rest[:1] in ("", ".", "["):
            matches.append((len(key), value, rest.removeprefix(".")))
        at = _next(text, value)
    return max(matches)[1:] if matches else None


def _into_list(text: str, at: int, path: str) -> tuple[int, str] | None:
    match = re.match(r"\[(\d+)\]\.?", path)
    if match is None:
        return None
    at = _after_space(text, at + 1)
    for _ in range(int(match[1])):
        at = _next(text, at)
    return at, path[match.end() :]


def _next(text: str, at: int) -> int:
    """Where the entry after the value that begins here begins, or the bracket that closes."""
    _, end = _DECODER.raw_decode(text, at)
    at = _after_space(text, end)
    return _after_space(text, at + 1) if text[at] == "," else at


def _after_space(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at
