"""The page as a PDF: the same content in its printed form, drawn by WeasyPrint (extra `pdf`).

Chosen by measurement against a library that is Python alone (fpdf2): that one knows no style sheet, so the page would
have had to be laid out a second time, and it drew the figures without hatching and without the picture of the day by
hour. WeasyPrint takes the page as it is; it needs Pango, which Linux desktops have and other systems install.
"""

from __future__ import annotations

import logging
import re
from typing import Any

from pqcheck.model.errors import OutputError
from pqcheck.reports.plots.canvas import light

_IMAGE = re.compile(r'src="data:image/svg[^"]*"')
_COLOUR = re.compile(r"var\(--(\w+)\)")
_OTHERWISE = "or write .html and print that from a browser"


def check_can_write() -> None:
    """Raise `OutputError` when the package or the library below it is not there."""
    try:
        import weasyprint  # noqa: F401
    except ImportError as error:
        raise OutputError(
            f"a PDF needs a further package: pip install 'pqcheck-power[pdf]', {_OTHERWISE}"
        ) from error
    except OSError as error:
        raise OutputError(
            "a PDF needs the library Pango, which is not on this machine (on Debian the packages libpango-1.0-0 and "
            f"libpangoft2-1.0-0); install it, {_OTHERWISE}"
        ) from error


def as_pdf(page: str) -> bytes:
    """A page of ours as a PDF; nothing outside the page is read, and the same page gives the same bytes."""
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    class OnlyThePage(URLFetcher):  # type: ignore[misc]
        """Pictures stand in the page itself; anything else is not fetched."""

        def fetch(self, url: str, *further: Any, **options: Any) -> Any:
            if not url.startswith("data:"):
                raise ValueError(f"{url[:60]} lies outside the page")
            return super().fetch(url, *further, **options)

    # What a style sheet for screens asks of a browser and paper does not know is no news for a reader.
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    document = HTML(string=_in_light_colours(page), url_fetcher=OnlyThePage())
    return bytes(document.write_pdf(pdf_identifier=b"pqcheck", pdf_variant="pdf/ua-1"))


def _in_light_colours(page: str) -> str:
    """Figures without variables, which are drawn black where nothing resolves them; paper is light."""
    return _IMAGE.sub(lambda image: _COLOUR.sub(lambda name: light(name[1]).replace("#", "%23"), image[0]), page)
