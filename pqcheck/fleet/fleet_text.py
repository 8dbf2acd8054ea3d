"""The answers of a fleet on a terminal: danger first, then how all sites stand, the worst, and what explains it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.fleet.answers import FleetAnswers
from pqcheck.fleet.over_time import BeforeAndAfter, Drift, Month
from pqcheck.fleet.peers import LEGS_APART, PeerSign
from pqcheck.fleet.shares_of_sites import ShareAnswer
from pqcheck.fleet.standings import COMPLIES, FAILS, OPEN, Group, Standing
from pqcheck.model.findings_words import VERDICT_WORDS, number
from pqcheck.reports.text import grid, point, text_of, wrap

_MOST = 10
_MOST_DANGER = 25
SITE_HEADS = ("site", "standing", "beyond limit", "hours outside", "driven by", "feeder", "transformer")
GROUP_HEADS = ("", "sites", "fail", "comply", "not judged", "danger")
HOW_RANKED = (
    "Ranked by how far the driving reading lies beyond its limit (percent of the limit) times how long it was outside "
    "(hours)."
)


def fleet_text(answers: FleetAnswers, *, everything: bool = False) -> str:
    """The report as text; `everything` lists all rows of every table."""
    most = len(answers.sites) + len(answers.peers) + len(answers.drifts) if everything else _MOST
    return text_of([*_parts(answers, most)])


def _parts(answers: FleetAnswers, most: int) -> Iterator[str]:
    danger = danger_lines(answers)
    shown = danger if most > _MOST else danger[:_MOST_DANGER]
    more = [f"DANGER SIGN: {len(danger) - len(shown)} more places; --all lists them."] if shown != danger else []
    yield "\n".join([*(wrap(line, rest="  ") for line in shown), *more])
    yield wrap(summary(answers))
    if not answers.manifest.complete:
        yield wrap(UNFINISHED)
    worst = [each for each in answers.sites if each.standing == FAILS]
    if worst:
        yield _cut("Worst sites", SITE_HEADS, [site_row(each) for each in worst], most) + "\n" + wrap(HOW_RANKED)
    yield wrap(news(answers))
    if answers.peers:
        hints = peer_lines(answers.peers)
        lines = [point(f"- {line}") for line in hints[:most]]
        yield "\n".join(["What neighbours show (hints, not verdicts):", *lines, *_more(len(hints), most)])
    for heading, held in (("Feeders", answers.feeders), ("Transformers", answers.transformers)):
        if held:
            yield _cut(heading, GROUP_HEADS, [group_row(each) for each in held], most)
    for share in answers.shares:
        yield wrap(share_sentence(share))
    if len(answers.months) > 1:
        yield _cut("Month by month", MONTH_HEADS, [month_row(each) for each in answers.months], max(most, 36))
    if answers.drifts:
        yield _cut("Margins that shrank most", DRIFT_HEADS, [drift_row(each) for each in answers.drifts], most)
    if answers.split is not None:
        yield wrap(split_sentence(answers.split))


MONTH_HEADS = ("month", "sites judged", "of these fail", "median margin")
DRIFT_HEADS = ("site", "criterion", "margin, first month", "margin, last month", "from", "to")
UNFINISHED = "The last run did not come to its end: sites may be missing, or stand as before. Run it again."


def summary(answers: FleetAnswers) -> str:
    """How all sites stand, over all that should report."""
    counts, total = answers.counts, len(answers.sites)
    why = ", ".join(f"{code} {count}" for code, count in answers.why_open[:6])
    shares = [f"{counts[word]} ({100 * counts[word] / total:.3g} %)" for word in (COMPLIES, FAILS, OPEN)]
    return (
        f"Of {total} sites that should report, {shares[0]} comply, {shares[1]} fail, {shares[2]} could not be judged"
        f"{f' (mostly for: {why})' if why else ''}."
    )


def danger_lines(answers: FleetAnswers) -> list[str]:
    """Every site with danger signs, a line for each place they are fed from; then those that only look like it."""
    by_place: dict[str, list[str]] = {}
    for each in answers.sites:
        if each.danger:
            by_place.setdefault(_place(each), []).append(each.site)
    lines = [f"DANGER SIGN{place}: {', '.join(sites)}" for place, sites in by_place.items()]
    if lines:
        lines.insert(0, "Danger signs: act on these first; what was seen: pqcheck fleet report RESULTS --site ID")
    named = {each.site for each in answers.sites if each.danger}
    apart = [sign for sign in answers.peers if sign.pattern == LEGS_APART and sign.where not in named]
    return lines + [f"DANGER SIGN possible: {line}" for line in peer_lines(apart)]


def peer_lines(signs: Sequence[PeerSign]) -> list[str]:
    """What neighbours show, the places with the same text in one line."""
    places: dict[tuple[str, str], list[str]] = {}
    for sign in signs:
        places.setdefault((sign.pattern, sign.text), []).append(sign.where)
    return [f"{pattern}: {', '.join(where)}: {text}" for (pattern, text), where in places.items()]


def _place(each: Standing) -> str:
    places = [f"{word} {name}" for word, name in (("feeder", each.feeder), ("transformer", each.transformer)) if name]
    return f" ({', '.join(places)})" if places else ""


def news(answers: FleetAnswers) -> str:
    """What stands otherwise than before the last run."""
    if answers.first_run:
        return "New since the last run: this was the first one."
    changed = [each for each in answers.sites if each.news is not None]
    if not changed:
        return "New since the last run: nothing; every site stands as it did."
    parts = [f"{each.site} ({each.news} before, now {each.standing})" for each in changed[:_MOST]]
    more = f", and {len(changed) - _MOST} more" if len(changed) > _MOST else ""
    return f"New since the last run: {', '.join(parts)}{more}."


def site_row(each: Standing) -> tuple[str, ...]:
    """A site as a row of the table of sites."""
    standing = f"{each.standing}, DANGER SIGN" if each.danger else each.standing
    hours = "-" if each.hours is None else f"{each.hours:.3g}"
    reason = each.criterion or " ".join(each.why[:3]) or "-"
    if each.value is not None:
        reason += f": {number(float(f'{each.value:.5g}'), each.unit)}"
    places = (each.feeder or "-", each.transformer or "-")
    return each.site, standing, percent(each.beyond_percent), hours, reason, *places


def group_row(group: Group) -> tuple[str | int, ...]:
    """A feeder or transformer as a row."""
    return group.name, group.sites, group.fails, group.complies, group.open, group.danger or "-"


def month_row(each: Month) -> tuple[str | int, ...]:
    """A month as a row."""
    return each.month, each.sites, each.fails, percent(each.median_margin_percent)


def drift_row(each: Drift) -> tuple[str | int, ...]:
    """A criterion that drifts as a row."""
    return each.site, each.criterion, percent(each.margin_first), percent(each.margin_last), each.first, each.last


def percent(value: float | None) -> str:
    """A share or margin for the eye."""
    return "-" if value is None else f"{value:.3g} %"


def share_sentence(share: ShareAnswer) -> str:
    """A rule about a share of sites, and how it came out."""
    rule = share.rule
    side = {"both": "outside", "below": "below", "above": "above"}[rule.side]
    return (
        f"{VERDICT_WORDS[share.verdict]}: {rule.name} (policy of {rule.policy_of}): at least "
        f"{rule.at_least_percent_of_sites:g} % of sites have at most {rule.at_most_percent_of_readings:g} % of "
        f"readings {side} the limit of {rule.table} {rule.rule}. Of {share.sites} sites {share.keep} keep to it, "
        f"{share.exceed} do not, {share.open} do not show either."
    )


def split_sentence(split: BeforeAndAfter) -> str:
    """Before and after a date in words."""
    return (
        f"Before and after {split.moment}: of {split.both} sites judged on both sides {split.fails_before} failed "
        f"before and {split.fails_after} fail after; newly failing: {_some(split.newly_failing)}; mended: "
        f"{_some(split.mended)}; {split.open_on_a_side} are open on a side. "
        f"{split.on_one_side} sites were judged on one side only, and {split.periods_across} periods lie across "
        "the date and are not counted."
    )


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return ", ".join(names[:_MOST]) + more if names else "none"


def _cut(heading: str, heads: Sequence[str], rows: Sequence[Sequence[object]], most: int) -> str:
    return "\n".join([f"{heading}:", grid(rows[:most], heads), *_more(len(rows), most)])


def _more(count: int, most: int) -> list[str]:
    return [f"{count - most} more; --all lists them."] if count > most else []
