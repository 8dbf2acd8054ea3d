"""A finished figure: what the page needs to show it, describe it, and read values off it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct, field


class Drawn(Struct, frozen=True):
    """One figure. `alt` says in words what can be seen; `caption` what the marks mean.

    `pointer` is what the page's script needs to show values under the pointer: `box` the drawing area as shares of
    the width and height (left, right, top, bottom), `x` texts or `start`/`step` of the points, `series` their values.
    """

    id: str
    title: str
    svg: str
    alt: str
    caption: str
    pointer: Mapping[str, Any] | None = None
    answers_for: tuple[str, ...] = field(default=())
    """Channels (base names) that can be looked up in this figure."""


def box_of(figure: Any, axes: Any) -> list[float]:
    """The drawing area of axes as shares of the figure: left, right, top, bottom (top down)."""
    place = axes.get_position()
    return [round(place.x0, 4), round(place.x1, 4), round(1 - place.y1, 4), round(1 - place.y0, 4)]


def rounded(values: Any, digits: int = 5) -> list[float | None]:
    """Values for the page's script, to a few significant digits; None where there is none."""
    import math

    return [None if math.isnan(one) else float(f"{one:.{digits}g}") for one in map(float, values)]
