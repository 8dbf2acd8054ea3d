"""Rules about an existing load and what may be added to it: frozen values.

Such a rule compares a maximum demand, multiplied and with the new load on top, with a rating. It says where the demand
may come from, under which conditions, and which choices its document leaves open; the site declares those choices and
nothing here has a default (docs/method/loads.md).
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from msgspec import Struct

CHOICES = {
    "seasonal_addition_treatment": ("before", "after"),
    "continuous_new_load": ("125 %", "100 %"),
    "demand_window": ("sliding", "block"),
}
"""What a document may leave open, with the values it can have; keys of ``[load_study]`` in the site file.

`seasonal_addition_treatment`: load that did not run is added before or after the demand is multiplied.
`continuous_new_load`: what a continuous new load counts. `demand_window`: windows that start at any recorded moment, or
on the clock.
"""

CONDITIONS = ("occupied", "renewable_source", "peak_shaving")
"""Facts that a person declares under ``[load_study]``."""


class LoadCondition(Struct, frozen=True):
    """A declared fact that must have this value. `excludes`: the rule (or source) does not govern otherwise; else the
    demand is not representative."""

    fact: str
    value: bool
    reason: str
    excludes: bool
    clause: str
    confidence: str


class DemandSource(Struct, frozen=True):
    """Where the maximum demand may come from.

    "declared": maximum demand of at least `months` months, declared by a person. "recorded": the highest mean over
    `interval_s` of a recording without gaps of at least `continuous_s`. `preferred` sources are used where they exist.
    """

    basis: Literal["declared", "recorded"]
    clause: str
    confidence: str
    months: int = 0
    interval_s: Decimal = Decimal(900)
    continuous_s: Decimal = Decimal(0)
    conditions: tuple[LoadCondition, ...] = ()


class LoadRule(Struct, frozen=True):
    """One determination: multiplier x maximum demand + new load <= rating, in amperes of the highest-loaded phase."""

    id: str
    title: str
    clause: str
    confidence: str
    rating: Literal["service", "feeder"]
    multiplier: Decimal
    sources: tuple[DemandSource, ...]
    """In order of preference."""
    choices: tuple[str, ...]
    """Keys of `CHOICES` that the document leaves open; the others do not arise in it."""
    conditions: tuple[LoadCondition, ...] = ()
    seasonal: bool = True
    """Whether load that did not run during the recording has to be added, so that the site must declare it."""
    note: str | None = None
