"""Elements as values: every text is escaped when it enters an element, so nothing from a file can become markup."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable
from urllib.parse import quote

from msgspec import Struct

from pqcheck.reports.plots.canvas import Drawn


class Markup(Struct, frozen=True):
    """Text that is markup already."""

    html: str


Child = Markup | str | int | None
Attribute = str | int | bool | None

_FORBIDDEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
_SAFE = "% !$&'()*+,-./:;<=>?@[]^_`{|}~"
"""Only the hash, the percent sign and what is no ASCII must be escaped in such an address."""
_EMPTY = frozenset({"meta", "img", "br", "hr", "col", "link"})


def escaped(text: str) -> str:
    """Text for element content and quoted attributes; control characters that HTML forbids are dropped."""
    return html.escape(_FORBIDDEN.sub("", text), quote=True)


def tag(name: str, *children: Child, **attributes: Attribute) -> Markup:
    """An element. A trailing underscore of an attribute name is dropped, others become hyphens; None leaves it out."""
    written = []
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        key = key.rstrip("_").replace("_", "-")
        written.append(f" {key}" if value is True else f' {key}="{escaped(str(value))}"')
    opening = f"<{name}{''.join(written)}>"
    if name in _EMPTY:
        return Markup(opening)
    return Markup(f"{opening}{together(children).html}</{name}>")


def together(children: Iterable[Child]) -> Markup:
    """Children one after the other, texts escaped."""
    return Markup("".join(_text_of_child(child) for child in children))


def _text_of_child(child: Child) -> str:
    if child is None:
        return ""
    return child.html if isinstance(child, Markup) else escaped(str(child))


def lines(items: Iterable[Child], **attributes: Attribute) -> Markup:
    """A list of points; nothing when there are none."""
    made = [tag("li", item) for item in items]
    return tag("ul", *made, **attributes) if made else Markup("")


def table(
    heads: Iterable[Child], rows: Iterable[Iterable[Child]], *, label: str, class_: str = "", row_heads: bool = True
) -> Markup:
    """A table in a box that scrolls sideways on its own, reachable by keyboard; the first cell of a row names it."""
    body = []
    for row in rows:
        cells = [
            tag("th", cell, scope="row") if row_heads and place == 0 else tag("td", cell)
            for place, cell in enumerate(row)
        ]
        body.append(tag("tr", *cells))
    head = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in heads)))
    inner = tag("table", head, tag("tbody", *body), class_=class_ or None)
    return wide(inner, label)


def wide(inner: Markup, label: str) -> Markup:
    """A box for what may be wider than a phone."""
    return tag("div", inner, class_="wide", role="region", aria_label=label, tabindex=0)


def pairs(items: Iterable[tuple[Child, Child]]) -> Markup:
    """Terms and what they are."""
    parts: list[Child] = []
    for term, text in items:
        parts.append(tag("div", tag("dt", term), tag("dd", text)))
    return tag("dl", *parts) if parts else Markup("")


def paragraphs(text: str) -> Markup:
    """Free text: blank lines part paragraphs."""
    return together(tag("p", " ".join(part.split())) for part in text.split("\n\n") if part.strip())


def data_uri(svg: str) -> str:
    """The SVG in the address itself; percent escapes where needed are shorter than base64 for text."""
    text = svg.replace('"', "'").replace("\n", " ").replace("%", "%25").replace("#", "%23")
    return "data:image/svg+xml," + (text if text.isascii() else quote(text, safe=_SAFE))


def figure_element(drawn: Drawn, *, small: bool = False, heading: str = "") -> Markup:
    """The figure with its caption; a reader's values lie beside it for the script, never only in it."""
    uri = data_uri(drawn.svg)
    # The address is long and already safe in double quotes apart from "&"; escaping it again would cost a third pass.
    image = Markup(f'<img src="{uri.replace("&", "&amp;")}" alt="{escaped(drawn.alt)}">')
    values = Markup("")
    if drawn.pointer is not None:
        values = Markup(f'<script type="application/json" class="values">{_json(drawn.pointer)}</script>')
    box = tag("div", image, values, class_="plot wide", role="group", aria_label=drawn.title, tabindex=0)
    head = tag("h3", heading) if heading else None
    return tag(
        "figure", head, box, tag("figcaption", drawn.caption), id=drawn.id, class_="small" if small else None
    )  # fmt: skip


def _json(value: object) -> str:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
