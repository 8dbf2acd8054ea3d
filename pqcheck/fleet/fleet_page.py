"""The answers of a fleet as one page: readable for ten thousand sites, without a server and without scripts too.

The sites stand in the page as data, of which a script shows as many rows as a person looks at; without scripts the
worst of them are there as a table.
"""

from __future__ import annotations

import json
from importlib.resources import files

from pqcheck.fleet import fleet_text as words
from pqcheck.fleet.answers import FleetAnswers
from pqcheck.fleet.standings import COMPLIES, FAILS, OPEN, Group, Standing
from pqcheck.reports.html.html_page import document
from pqcheck.reports.html.markup import Child, Markup, lines, table, tag

_WITHOUT_SCRIPT = 200
_DANGER_AT_ONCE = 12
_MOST = 200
"""Rows of a table beside that of the sites; the rest is counted."""


def fleet_page(answers: FleetAnswers) -> str:
    """The whole page as HTML text."""
    title = f"Fleet of {len(answers.sites)} sites: {answers.manifest.registry}"
    skip = tag("a", "Skip to the answer", href="#answer", class_="skip")
    main = tag("main", *_sections(answers))
    body = tag("div", skip, tag("header", tag("h1", title)), main, class_="page")
    return document(title, body, _resource("fleet.css"), _resource("fleet.js"))


def _resource(name: str) -> str:
    return files("pqcheck.fleet").joinpath(name).read_text(encoding="utf-8")


def _sections(answers: FleetAnswers) -> list[Child]:
    return [
        _danger(answers), _answer(answers), _sites(answers), _peers(answers),
        _groups("Transformers", answers.transformers), _groups("Feeders", answers.feeders), _time(answers),
    ]  # fmt: skip


def _danger(answers: FleetAnswers) -> Markup | None:
    signs = words.danger_lines(answers)
    if not signs:
        return None
    made = [tag("p", line) for line in signs]
    shown, rest = made[:_DANGER_AT_ONCE], made[_DANGER_AT_ONCE:]
    more = tag("details", tag("summary", f"{len(rest)} more places with danger signs"), *rest) if rest else None
    head = tag("h2", "Danger signs: act on these first")
    return tag("div", head, *shown, more, class_="danger", role="alert")


def _answer(answers: FleetAnswers) -> Markup:
    counts = answers.counts
    parts = [
        tag("span", class_=name, style=f"width:{100 * counts[word] / len(answers.sites):.4g}%", title=word)
        for name, word in (("f", FAILS), ("o", OPEN), ("c", COMPLIES)) if counts[word]
    ]  # fmt: skip
    bar = tag("div", *parts, class_="bar", role="img", aria_label=words.summary(answers))
    return tag(
        "section", tag("h2", "How all sites stand", id="answer"),
        tag("p", words.summary(answers), class_=f"headline v-{answers.verdict.value}"), bar,
        tag("p", "Full: fail. Hatched: could not be judged. Empty: comply.", class_="small"),
        None if answers.manifest.complete else tag("p", words.UNFINISHED, class_="danger"),
        tag("p", words.news(answers)),
        *[tag("p", words.share_sentence(share)) for share in answers.shares],
        class_="first", aria_labelledby="answer",
    )  # fmt: skip


def _sites(answers: FleetAnswers) -> Markup:
    rows = [words.site_row(each) for each in answers.sites]
    data = [_data(each, row) for each, row in zip(answers.sites, rows, strict=True)]
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c").replace(">", "\\u003e")
    held = Markup(f'<script type="application/json" id="sites-data">{text}</script>')
    heads = [head.capitalize() for head in words.SITE_HEADS]
    left = len(rows) - _WITHOUT_SCRIPT
    return tag(
        "section", tag("h2", "Every site", id="sites"),
        tag("p", f"In order of need. {words.HOW_RANKED} A single report is made on demand: ",
            tag("code", "pqcheck fleet report RESULTS --site ID --out ID.html"), "."),
        tag("div", table(heads, rows[:_WITHOUT_SCRIPT], label="Every site"), id="sites-table"), held,
        tag("p", f"{left} more sites; a browser that runs scripts shows them." if left > 0 else "", id="sites-rest"),
        aria_labelledby="sites",
    )  # fmt: skip


def _data(each: Standing, row: tuple[str, ...]) -> list[object]:
    """The cells of a row, then what they are sorted by where that is no text."""
    return [*row, each.beyond_percent or 0, each.hours or 0, each.news or ""]


def _peers(answers: FleetAnswers) -> Markup | None:
    if not answers.peers:
        return None
    made = words.peer_lines(answers.peers)
    return tag(
        "section", tag("h2", "What neighbours show", id="peers"),
        tag("p", "Hints where to look first; they change no verdict."), lines(made[:_MOST]), _rest(len(made)),
        aria_labelledby="peers",
    )  # fmt: skip


def _groups(heading: str, held: tuple[Group, ...]) -> Markup | None:
    if not held:
        return None
    rows = [words.group_row(each) for each in held[:_MOST]]
    place = heading.lower()
    heads = [heading[:-1], *(head.capitalize() for head in words.GROUP_HEADS[1:])]
    return tag(
        "section", tag("h2", heading, id=place), table(heads, rows, label=heading), _rest(len(held)),
        aria_labelledby=place,
    )  # fmt: skip


def _time(answers: FleetAnswers) -> Markup | None:
    parts: list[Child] = []
    if len(answers.months) > 1:
        rows = [words.month_row(each) for each in answers.months]
        parts.append(table([head.capitalize() for head in words.MONTH_HEADS], rows, label="Month by month"))
    if answers.drifts:
        rows = [words.drift_row(each) for each in answers.drifts]
        heads = [head.capitalize() for head in words.DRIFT_HEADS]
        parts += [tag("h3", "Margins that shrank most"), table(heads, rows, label="Margins that shrank most")]
    if answers.split is not None:
        parts.append(tag("p", words.split_sentence(answers.split)))
    return tag("section", tag("h2", "Over time", id="time"), *parts, aria_labelledby="time") if parts else None


def _rest(count: int) -> Markup | None:
    return tag("p", f"{count - _MOST} more.", class_="small") if count > _MOST else None
