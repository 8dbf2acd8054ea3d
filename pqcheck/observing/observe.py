"""All observations that a recording allows, in one fixed order."""

from __future__ import annotations

from pqcheck.observing.gather import Gathered
from pqcheck.observing.observation import Observation
from pqcheck.site.model import Site


def observe(gathered: Gathered, site: Site) -> tuple[Observation, ...]:
    """Graded observations on causes; none changes a verdict."""
    return ()
