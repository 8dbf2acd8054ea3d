"""All observations that a recording allows, in one fixed order."""

from __future__ import annotations

from pqcheck.observing.background import background
from pqcheck.observing.gather import Gathered
from pqcheck.observing.observation import Observation
from pqcheck.observing.own_load import own_load
from pqcheck.observing.patterns import patterns
from pqcheck.observing.resonance import resonance
from pqcheck.observing.taps import tap_steps
from pqcheck.site.model import Site

LOOKS = (own_load, tap_steps, resonance, background, patterns)


def observe(gathered: Gathered, site: Site) -> tuple[Observation, ...]:
    """Graded observations on causes; none changes a verdict."""
    return tuple(one for look in LOOKS for one in look(gathered, site))
