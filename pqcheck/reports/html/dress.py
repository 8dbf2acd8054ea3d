"""What the site file gives the report to wear: a logo and a style sheet, checked before they are taken in."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pqcheck.errors import SiteError

MOST_LOGO = 500_000
_SIGNS = ((b"\x89PNG\r\n\x1a\n", "image/png"), (b"\xff\xd8\xff", "image/jpeg"), (b"GIF8", "image/gif"))
_SVG = re.compile(rb"\s*(<\?xml[^>]*>\s*)?(<!--.*?-->\s*)*(<!DOCTYPE[^>]*>\s*)?<svg[\s>]", re.DOTALL)


def logo_uri(report: Mapping[str, Any]) -> str | None:
    """The logo as a data address; SiteError when the file is missing, too large or no picture."""
    if not report.get("logo"):
        return None
    content = _read(str(report["logo"]), "logo")
    name = Path(str(report["logo"])).name
    kind = next((kind for sign, kind in _SIGNS if content.startswith(sign)), None)
    if content.startswith(b"RIFF") and content[8:12] == b"WEBP":
        kind = "image/webp"
    if kind is None and _SVG.match(content):
        kind = "image/svg+xml"
    if kind is None:
        raise SiteError(f"[report] logo = {name!r} is no picture; give a PNG, JPEG, GIF, WebP or SVG file")
    if len(content) > MOST_LOGO:
        raise SiteError(f"[report] logo = {name!r} has {len(content)} bytes; make it smaller than {MOST_LOGO}")
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


def house_style(report: Mapping[str, Any]) -> str:
    """The style sheet's text; SiteError when it cannot be read or could end the element it stands in."""
    if not report.get("style_sheet"):
        return ""
    name = Path(str(report["style_sheet"])).name
    try:
        text = _read(str(report["style_sheet"]), "style_sheet").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SiteError(f"[report] style_sheet = {name!r} is not UTF-8 text; save it as UTF-8") from error
    if "</" in text or "<!--" in text:
        raise SiteError(f"[report] style_sheet = {name!r} holds markup ('</'); give a plain CSS file")
    return text


def _read(path: str, key: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise SiteError(
            f"[report] {key} = {Path(path).name!r} cannot be read: {reason}; it is looked for beside the site file"
        ) from error
