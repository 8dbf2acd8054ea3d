"""Where recordings lie: paths and patterns on this machine, and addresses that fsspec opens (``s3://``, ``https://``).

What lies elsewhere is copied to a temporary folder under its own name, since a recording is read more than once.
"""

from __future__ import annotations

import contextlib
import glob
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from pqcheck.io.sidecar import ENDING
from pqcheck.model.errors import InputError

_ADDRESS = "://"


class NoRecording(InputError):
    """Nothing lies where a recording should, or nothing of it in the span asked for."""


def is_address(text: str) -> bool:
    """Whether a recording is named by an address rather than a path."""
    return _ADDRESS in text


def files_named(text: str, folder: Path) -> list[str]:
    """The files that a cell of the registry names, sorted: a path or pattern from `folder` on, or an address.

    A path without ``*`` and ``?`` is returned whether or not it exists. Raises `InputError` when a place elsewhere
    cannot be listed.
    """
    if is_address(text):
        if not set("*?") & set(text.split(_ADDRESS, 1)[1].split("?", 1)[0] if "http" in text[:5] else text):
            return [text]
        system, path = _system(text)
        scheme = text.split(_ADDRESS, 1)[0]
        with _in_words(text):
            return sorted(f"{scheme}{_ADDRESS}{str(found).lstrip('/')}" for found in system.glob(path))
    path = os.path.join(folder, text)
    if not set("*?") & set(text) or os.path.exists(path):
        return [path]
    return sorted(
        found for found in glob.glob(path.replace("[", "[[]"), recursive=True)
        if os.path.isfile(found) and not found.endswith(ENDING)
    )  # fmt: skip


def name_of(place: str) -> str:
    """The name of a recording without its folders."""
    return PurePosixPath(place.split("?", 1)[0]).name if is_address(place) else os.path.basename(place)


@contextlib.contextmanager
def at_hand(places: Sequence[str]) -> Iterator[list[str]]:
    """Paths of the recordings on this machine for as long as this lasts; raises `InputError` for what is out of reach.

    A mapping of columns that lies beside a recording elsewhere comes with it.
    """
    for place in places:
        if not is_address(place) and not os.path.lexists(place):
            raise NoRecording(f"{place}: there is no such file")
    if not any(map(is_address, places)):
        yield list(places)
        return
    with tempfile.TemporaryDirectory(prefix="pqcheck-") as folder:
        yield [
            _copied(place, Path(folder) / str(number)) if is_address(place) else place
            for number, place in enumerate(places)
        ]


def _copied(place: str, folder: Path) -> str:
    folder.mkdir()
    target = folder / name_of(place)
    system, path = _system(place)
    with _in_words(place):
        system.get_file(path, str(target))
    with contextlib.suppress(Exception):
        system.get_file(path + ENDING, f"{target}{ENDING}")
    return str(target)


def _system(place: str) -> tuple[Any, str]:
    scheme = place.split(_ADDRESS, 1)[0]
    try:
        import fsspec.core

        system, path = fsspec.core.url_to_fs(place)
    except ImportError as error:
        raise InputError(
            f"{place}: addresses of {scheme} need {error.name}; install pqcheck-power[fleet] and what opens {scheme}"
        ) from None
    except ValueError:
        raise InputError(f"{place}: nothing opens addresses that begin with {scheme}; check the spelling") from None
    return system, str(path)


@contextlib.contextmanager
def _in_words(place: str) -> Iterator[None]:
    """Whatever a store elsewhere raises, of which there are many kinds, as one sentence."""
    try:
        yield
    except FileNotFoundError:
        raise NoRecording(f"{place}: there is no such file") from None
    except Exception as error:
        cause = " ".join(str(error).split()).rstrip(".") or type(error).__name__
        raise InputError(f"{place} cannot be read: {cause[:200]}; check the address and the access to it") from None
