"""Fixed drawing settings, colours that follow the page, a figure as compact, reproducible SVG text, and what it is."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from msgspec import Struct

WIDTH = 9.0
"""Inches; every figure has the same width so that pages line up."""

COLOURS: Mapping[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#1b1f24"),
    "ink": ("#22262b", "#e7e9ec"),
    "quiet": ("#767c85", "#9aa2ad"),
    "grid": ("#d9dce1", "#363c45"),
    "first": ("#0b5fa5", "#6db8f2"),
    "second": ("#c2500c", "#f2a25c"),
    "third": ("#157f5f", "#5fd3ad"),
    "fourth": ("#8c3f86", "#dd96d6"),
    "limit": ("#1f1f21", "#f4f4f5"),
    "outside": ("#b3261e", "#ff8a80"),
    "shade": ("#f3cfcb", "#5a2a28"),
    "excluded": ("#cfd3da", "#4a515c"),
    "unobserved": ("#b9bec7", "#606875"),
    "track": ("#e9ebef", "#2a3038"),
}
"""Our own palette, light and dark: phases differ in lightness too, and every line has its own dash."""

PHASE_LINES: tuple[tuple[str, Any], ...] = (
    ("first", "-"), ("second", (0, (5, 1.6))), ("third", (0, (1.4, 1.2))), ("fourth", (0, (6, 1.5, 1.2, 1.5))),
)  # fmt: skip
"""Colour name and dash of the first, second, third phase, and of what is no phase."""

_SETTINGS: Any = {
    "svg.hashsalt": "pqcheck",
    "svg.fonttype": "path",
    "svg.image_inline": True,
    "path.simplify": False,
    "agg.path.chunksize": 0,
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.labelsize": 9.0,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.axisbelow": True,
    "axes.formatter.use_locale": False,
    "axes.formatter.useoffset": False,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "legend.fontsize": 8.0,
    "legend.frameon": False,
    "figure.dpi": 72.0,
    "savefig.dpi": 72.0,
    "hatch.linewidth": 0.6,
    "image.composite_image": False,
    "axes.facecolor": "none",
    "figure.facecolor": "#ffffff",
    "savefig.facecolor": "#ffffff",
    "text.color": "#22262b",
    "axes.labelcolor": "#22262b",
    "axes.edgecolor": "#767c85",
    "xtick.color": "#767c85",
    "ytick.color": "#767c85",
    "xtick.labelcolor": "#22262b",
    "ytick.labelcolor": "#22262b",
    "grid.color": "#d9dce1",
    "grid.linewidth": 0.6,
    "hatch.color": "#767c85",
}


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


def light(name: str) -> str:
    """The colour to draw with; the dark one replaces it in dark pages."""
    return COLOURS[name][0]


@contextmanager
def drawing() -> Iterator[None]:
    """Matplotlib with our settings and nobody else's."""
    import matplotlib
    from matplotlib import rc_context

    with rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


def new_figure(height: float) -> Any:
    """A figure of the common width; `height` in inches. No global state is touched."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasSVG(figure)
    return figure


@contextmanager
def axes_of(
    height: float, *, bottom: float, top: float, left: float = 0.075, right: float = 0.985
) -> Iterator[tuple[Any, Any]]:
    """A figure with one set of axes, to be drawn and written within; margins are shares of the figure."""
    with drawing():
        figure = new_figure(height)
        axes = figure.subplots()
        figure.subplots_adjust(left=left, right=right, bottom=bottom, top=top)
        yield figure, axes


def legend_above(axes: Any, columns: int, **style: Any) -> None:
    """The legend in one line above the axes."""
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, borderaxespad=0.1, **style)


def box_of(figure: Any, axes: Any) -> list[float]:
    """The drawing area of axes as shares of the figure: left, right, top, bottom (top down)."""
    place = axes.get_position()
    return [round(place.x0, 4), round(place.x1, 4), round(1 - place.y1, 4), round(1 - place.y0, 4)]


def rounded(values: Any, digits: int = 5) -> list[float | None]:
    """Values for the page's script, to a few significant digits; None where there is none."""
    return [None if math.isnan(value) else float(f"{value:.{digits}g}") for value in map(float, values)]


_LONG = re.compile(r"-?\d+\.\d{2,}(?:e-?\d+)?")


def as_svg(figure: Any) -> str:
    """The figure as SVG: no date, no names of programs, coordinates to a tenth of a point, colours that turn dark."""
    out = io.StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    figure.savefig(out, format="svg", metadata=nothing)
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    # Data paths first, as they carry the weight; what is left are glyph outlines and places.
    text = _DATA.sub(lambda match: f'd="{_relative(match[1])}"', text)
    text = _LONG.sub(_short, text)
    text = re.sub(r"\s*\n\s*", "\n", text)
    text = re.sub(r"\n([MLCQz])", r"\1", text)
    return _with_colours(text)


_DATA = re.compile(r'd="(M [^"CQ]{900,})"')


def _relative(data: str) -> str:
    """Long polylines by their steps, in tenths of a point: a third of the bytes of absolute points.

    The steps lie between rounded points and lead back to the same points, so no rounding adds up.
    """
    import numpy as np

    out = []
    for part in data.split("M")[1:]:
        closed = "z" if "z" in part else ""
        numbers = np.array(part.replace("L", " ").replace("z", " ").split(), dtype=float)
        tenths = np.rint(numbers * 10).astype(np.int64).reshape(-1, 2)
        steps = np.diff(tenths, axis=0).ravel().tolist()
        texts = {value: _tenths(value) for value in set(steps)}
        first = tenths[0].tolist()
        path = " ".join([texts[value] for value in steps]).replace(" -", "-")
        out.append(f"M{_tenths(first[0])} {_tenths(first[1])}{'l' + path if path else ''}{closed}")
    return "".join(out)


def _tenths(value: int) -> str:
    """A number of tenths as short as the path grammar allows."""
    whole, part = divmod(abs(value), 10)
    text = f"{whole or ''}.{part}" if part else str(whole)
    return f"-{text}" if value < 0 else text


def _short(match: re.Match[str]) -> str:
    value = float(match[0])
    if abs(value) < 1:
        return f"{value:.4f}".rstrip("0").rstrip(".") if value else "0"
    return f"{value:.1f}".removesuffix(".0")


def _with_colours(text: str) -> str:
    lights, darks = [], []
    for name, (day, dark) in COLOURS.items():
        if day in text:
            text = text.replace(day, f"var(--{name})")
            lights.append(f"--{name}:{day}")
            darks.append(f"--{name}:{dark}")
    night = f"@media (prefers-color-scheme:dark){{:root{{{';'.join(darks)}}}}}"
    style = f"<style>:root{{{';'.join(lights)}}}{night}</style>"
    place = text.index(">") + 1
    return text[:place] + style + text[place:]
