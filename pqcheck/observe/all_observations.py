"""All observations that a recording allows, in one fixed order."""

from __future__ import annotations

from pqcheck.observe.background import background
from pqcheck.observe.gather import Gathered
from pqcheck.observe.load_starts import load_starts
from pqcheck.observe.observation import Observation
from pqcheck.observe.own_load import own_load
from pqcheck.observe.patterns import patterns
from pqcheck.observe.resonance import resonance
from pqcheck.observe.taps import tap_steps
from pqcheck.site.site_values import Site

LOOKS = (own_load, load_starts, tap_steps, resonance, background, patterns)


def observe(gathered: Gathered, site: Site) -> tuple[Observation, ...]:
    """Graded observations on causes; none changes a verdict."""
    return tuple(observation for look in LOOKS for observation in look(gathered, site))
