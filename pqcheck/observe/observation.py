"""A graded observation about a cause. It is never a verdict and changes none."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct, field

Grade = Literal["shown", "likely", "possible", "undetermined"]

GRADES: dict[str, str] = {
    "shown": "seen directly in the recording",
    "likely": "several signs in the recording agree, and a named other explanation remains",
    "possible": "one sign points this way, others are missing or weak",
    "undetermined": "looked for, and the recording cannot tell",
}
"""What each word means, as printed in the report."""


class Observation(Struct, frozen=True):
    """What was seen, how sure it is, what speaks for it and what against.

    `figure` is the id of the figure that shows it. `numbers` are the values behind the words, for the report's figures
    and for tests; units stand in the names.
    """

    id: str
    title: str
    grade: Grade
    text: str
    evidence: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    figure: str = ""
    numbers: dict[str, float] = field(default_factory=dict)
    spans: tuple[tuple[int, int], ...] = ()
    """Half-open UTC microseconds of what was seen, for marks in figures."""
    plain: str = ""
    """What a customer reads of it, a clause without a capital; empty where there is nothing plain to say."""
