"""A figure on the page: the SVG as an image with words for those who cannot see it."""

from __future__ import annotations

import json
from urllib.parse import quote

from pqcheck.reports.html.markup import Markup, tag
from pqcheck.reports.plots.drawn import Drawn

_SAFE = "% !$&'()*+,-./:;<=>?@[]^_`{|}~"
"""Only the hash, the percent sign and what is no ASCII must be escaped in such an address."""


def data_uri(svg: str) -> str:
    """The SVG in the address itself; percent escapes where needed are shorter than base64 for text."""
    text = svg.replace('"', "'").replace("\n", " ").replace("%", "%25").replace("#", "%23")
    return "data:image/svg+xml," + (text if text.isascii() else quote(text, safe=_SAFE))


def figure_element(drawn: Drawn, *, small: bool = False, heading: str = "") -> Markup:
    """The figure with its caption; a reader's values lie beside it for the script, never only in it."""
    uri = data_uri(drawn.svg)
    # The address is long and already safe in double quotes apart from "&"; escaping it again would cost a third pass.
    image = Markup(f'<img src="{uri.replace("&", "&amp;")}" alt="{_attribute(drawn.alt)}">')
    values = Markup("")
    if drawn.pointer is not None:
        values = Markup(f'<script type="application/json" class="values">{_json(drawn.pointer)}</script>')
    box = tag("div", image, values, class_="plot wide", role="group", aria_label=drawn.title, tabindex=0)
    head = tag("h3", heading) if heading else None
    return tag(
        "figure", head, box, tag("figcaption", drawn.caption), id=drawn.id, class_="small" if small else None
    )  # fmt: skip


def _attribute(text: str) -> str:
    from pqcheck.reports.html.markup import escaped

    return escaped(text)


def _json(value: object) -> str:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
