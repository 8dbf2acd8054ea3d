"""The version of pqcheck, as results and the command line name it."""

from __future__ import annotations

__version__ = "0.1.0"
