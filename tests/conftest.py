"""Settings of all property tests: no time limit, and in CI the same examples every time (elsewhere new ones)."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("project", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("project")
