"""Judge recorded electrical trends against encoded limit tables, with evidence for every verdict.

The names offered here are imported on first use, so that ``import pqcheck`` and ``pqcheck --help`` load nothing heavy.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from pqcheck.version import __version__

if TYPE_CHECKING:
    from pqcheck.io import read
    from pqcheck.limit_tables import load_table
    from pqcheck.model.errors import PqcheckError
    from pqcheck.model.findings import Findings
    from pqcheck.model.recording import Recording
    from pqcheck.site.load_site import load_site
    from pqcheck.site.site_values import Site
    from pqcheck.workflows.check_recording import check
    from pqcheck.workflows.study_load import load_study

__all__ = [
    "Findings", "PqcheckError", "Recording", "Site", "__version__", "check", "load_site", "load_study", "load_table",
    "read",
]  # fmt: skip

_HOME = {
    "Findings": "pqcheck.model.findings",
    "PqcheckError": "pqcheck.model.errors",
    "Recording": "pqcheck.model.recording",
    "Site": "pqcheck.site.site_values",
    "check": "pqcheck.workflows.check_recording",
    "load_site": "pqcheck.site.load_site",
    "load_study": "pqcheck.workflows.study_load",
    "load_table": "pqcheck.limit_tables",
    "read": "pqcheck.io",
}


def __getattr__(name: str) -> Any:
    """Import an offered name from its home on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'pqcheck' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    """The offered names."""
    return sorted(__all__)
