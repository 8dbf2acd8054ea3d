"""Patterns of file names: the shells of Windows hand ``*.csv`` over as it stands."""

from __future__ import annotations

import glob
import os
from collections.abc import Sequence

from pqcheck.model.errors import InputError


def expanded(paths: Sequence[str]) -> list[str]:
    """The paths, each that is no file and holds ``*`` or ``?`` replaced by the files that it fits, sorted by name.

    Brackets are letters of a name, as in the copies that browsers save. Raises `InputError` when no file fits.
    """
    files: list[str] = []
    for path in paths:
        if not set("*?") & set(path) or os.path.exists(path):
            files.append(path)
            continue
        fitting = sorted(glob.glob(path.replace("[", "[[]")))
        if not fitting:
            raise InputError(f"{path}: no file has a name like this; check the folder and the ending")
        files += fitting
    return files
