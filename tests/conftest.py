"""Settings of all tests.

Property tests have no time limit, and in CI the same examples every time (elsewhere new ones). Processes that tests
start import this checkout, after what PYTHONPATH named before (`tests/windows_settings`).
"""

from __future__ import annotations

import os
from pathlib import Path

from hypothesis import settings

settings.register_profile("project", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("project")

paths = os.environ.get("PYTHONPATH", "").split(os.pathsep)
if (root := str(Path(__file__).parents[1])) not in paths:
    os.environ["PYTHONPATH"] = os.pathsep.join([*filter(None, paths), root])
