"""The page: one file, no network, readable without scripts; the same input gives the same bytes."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Findings
from pqcheck.model.findings_words import danger_signs
from pqcheck.model.small_files import read_small
from pqcheck.reports.html.criteria_section import criteria_part
from pqcheck.reports.html.evidence_section import evidence_part, open_part, with_evidence
from pqcheck.reports.html.first_page import danger, first_page
from pqcheck.reports.html.judged_criteria import criteria
from pqcheck.reports.html.markup import Child, Markup, escaped, figure_element, paragraphs, tag, together
from pqcheck.reports.html.moments import worst_hour_figure
from pqcheck.reports.html.percentiles_section import percentiles_part
from pqcheck.reports.html.quality_section import declared_part, quality_part
from pqcheck.reports.html.rules_section import changes_part, closing_part, observations_part, rules_part
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.choose import figures
from pqcheck.reports.plots.material import Material
from pqcheck.version import __version__

MOST_LOGO = 500_000
_SIGNS = ((b"\x89PNG\r\n\x1a\n", "image/png"), (b"\xff\xd8\xff", "image/jpeg"), (b"GIF8", "image/gif"))
_SVG = re.compile(rb"\s*(<\?xml[^>]*>\s*)?(<!--.*?-->\s*)*(<!DOCTYPE[^>]*>\s*)?<svg[\s>]", re.DOTALL)
_CONTENTS = (
    ("answer", "The answer"), ("criteria", "Every criterion"), ("evidence", "Findings and their times"),
    ("open", "Not judged, and remarks"), ("plots", "Plots"), ("percentiles", "Percentiles"),
    ("recording", "The recording"),
    ("declared", "What was declared"), ("rules", "Rules and method"),
    ("changes", "Exclusions, corrections, exceptions"), ("observations", "Observations on causes"),
    ("closing", "Recommendation, cautions, signatures"), ("reproduce", "How to repeat this"),
)  # fmt: skip


def page(material: Material) -> str:
    """The whole report as HTML text."""
    drawn = figures(material)
    rows = criteria(material.findings)
    chosen = with_evidence(rows)
    listed = frozenset(row.anchor for row in chosen)
    report = material.site.report
    title = str(report.get("title") or f"Power quality at {material.site.name}")
    technical = tag(
        "div", _contents(), _scope(material), criteria_part(rows, drawn, listed),
        evidence_part(chosen, rows, material, drawn), open_part(rows), _plots(drawn), percentiles_part(material),
        quality_part(material),
        declared_part(material), rules_part(material, rows), changes_part(material, rows),
        observations_part(material, drawn), closing_part(material), _reproduce(material), class_="technical",
    )  # fmt: skip
    main = (danger(material), first_page(material, worst_hour_figure(material)), technical)
    return page_of(title, "answer", [_head(material, title)], main, house_style(report))


def page_of(title: str, answer: str, head: Iterable[Child], main: Iterable[Child], more_style: str = "") -> str:
    """A page with a head and a main part; `answer` is the id that a reader without a pointer can skip to."""
    skip = tag("a", "Skip to the answer", href=f"#{answer}", class_="skip")
    body = tag("div", skip, tag("header", *head), tag("main", *main), class_="page")
    return document(title, body, more_style)


def danger_box(findings: Findings, heading: str) -> Markup | None:
    """Danger signs in a box; nothing without one."""
    signs = [
        tag(
            "p",
            tag("strong", f"{finding.title}. "),
            f"{finding.reason.text} {finding.reason.advice}" if finding.reason else "",
        )
        for finding in danger_signs(findings)
    ]
    return tag("div", tag("h2", heading), *signs, class_="danger", role="alert") if signs else None


def document(title: str, body: Markup, more_style: str = "", script: str | None = None) -> str:
    """A complete page around a body, closed to the network by its own policy; `script` stands for the usual one."""
    script = _resource("script.js") if script is None else script
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'"
    )
    head = (
        f'<meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="{escaped(policy)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{escaped(title)}</title><style>{_resource('style.css')}{more_style}</style>"
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head>\n<body>{body.html}\n'
        f"<script>{script}</script></body></html>\n"
    )


def _resource(name: str) -> str:
    return files("pqcheck.reports.html").joinpath(name).read_text(encoding="utf-8")


def _head(material: Material, title: str) -> Markup:
    report, site = material.site.report, material.site
    logo = logo_uri(report)
    under = [str(report[key]) for key in ("customer", "address", "date") if report.get(key)]
    if title != site.name and site.name not in title:
        under.insert(0, site.name)
    words = tag("div", tag("h1", title), tag("p", " · ".join(under), class_="under") if under else None)
    picture = Markup(f'<img src="{logo}" alt="Logo of the author of this report">') if logo else None
    return tag("div", words, picture, class_="head")


def _contents() -> Markup:
    items = [tag("li", tag("a", words, href=f"#{place}")) for place, words in _CONTENTS]
    return tag("nav", tag("h2", "Technical part", id="technical"), tag("ul", *items), aria_label="Contents")


def _scope(material: Material) -> Markup:
    report = material.site.report
    parts: list[Child] = [tag("h3", "Purpose and scope")]
    if report.get("introduction"):
        parts.append(paragraphs(report["introduction"]))
    reported = [str(entry["text"]) for entry in material.site.reported]
    if reported:
        parts.append(tag("p", f"Reported: {'; '.join(reported)}."))
    parts.append(
        tag(
            "p",
            "This part lists every criterion asked for, with its evidence. It is no approval of equipment and says "
            "nothing about other times and places.",
        )
    )
    return tag("div", *parts)


def _plots(drawn: Sequence[Drawn]) -> Markup:
    shown = [figure_element(figure, heading=figure.title) for figure in drawn]
    inner = shown or [tag("p", "No figure can be drawn from what was judged.")]
    hint = tag("p", "With a pointer or the arrow keys, values can be read off most figures where scripts may run.")
    return tag("section", tag("h2", "Plots", id="plots"), hint, *inner, aria_labelledby="plots")


def _reproduce(material: Material) -> Markup:
    names = [str(recording["file"]) for recording in material.findings.recordings]
    tables = [str(table["id"]) for table in material.findings.limit_tables]
    command = f"pqcheck check {' '.join(names)} --site SITE.toml --limits {' '.join(tables)} --json findings.json"
    return tag(
        "section",
        tag("h2", "How to repeat this", id="reproduce"),
        together(
            [
                tag("p", f"Written by pqcheck {__version__} from the findings file. The same files, site file and "
                         "tables give the same findings, byte for byte:"),
                tag("p", tag("code", command)),
                tag("p", "The checksums above identify the files and tables. check --bundle writes all of this into "
                         "one folder."),
            ]
        ),
        aria_labelledby="reproduce",
    )  # fmt: skip


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
        return read_small(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise SiteError(
            f"[report] {key} = {Path(path).name!r} cannot be read: {reason}; it is looked for beside the site file"
        ) from error
