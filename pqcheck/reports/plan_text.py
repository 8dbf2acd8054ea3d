"""The measurement plan as text."""

from __future__ import annotations

from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import first_few
from pqcheck.plan.survey import SurveyPlan
from pqcheck.reports.text import grid, point, text_of, wrap

_MOST = 6


def every(interval_s: int) -> str:
    """An interval as people write it: ``3 s``, ``10 min``, ``2 h``."""
    return duration_text(interval_s * 1_000_000)


def size_text(size_bytes: int) -> str:
    """Memory as people write it."""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size_bytes >= scale:
            return f"{size_bytes / scale:.3g} {unit}"
    return f"{size_bytes} B"


def need_rows(plan: SurveyPlan) -> list[tuple[str, str, str, str, str, str]]:
    """Rows of the table of what to record."""
    rows = []
    for need in plan.needs:
        statistics = "mean, min, max" if need.extremes else "mean"
        also = ", ".join(every(seconds) for seconds in need.also_s) or "-"
        used = f"{len(need.rules)} rule{'s' if len(need.rules) > 1 else ''}" if need.rules else "hook-up and causes"
        rows.append(
            (
                need.quantity,
                every(need.interval_s),
                also,
                statistics,
                need.orders or "-",
                f"{need.channels} channels; {used}",
            )
        )
    return rows


NEED_HEADERS = ("quantity", "record every", "formed from it", "statistics", "orders", "channels")
SIZE_HEADERS = ("for", "every", "channels", "values", "memory")
NOTE = (
    "Mean, or mean, minimum and maximum as listed above, four bytes each. Minimum and maximum prove something only if "
    "their base window is known (declare [recording] extremes_of)."
)


def size_rows(plan: SurveyPlan) -> list[tuple[str, str, str, str, str]]:
    """Rows of the table of sizes."""
    return [
        (
            size.what,
            every(size.interval_s),
            str(size.channels),
            f"{size.values:,}".replace(",", " "),
            size_text(size.size_bytes),
        )
        for size in plan.sizes
    ]


def loss_text(choice: str, lost: tuple[str, ...], remark: str) -> str:
    """One cheaper choice in words."""
    if lost:
        return f"{choice}: could no longer judge {first_few(lost, _MOST)}" + (f"; {remark}." if remark else ".")
    return f"{choice}: loses {remark}." if not remark.startswith(("no ", "nothing")) else f"{choice}: {remark}."


def duration_words(plan: SurveyPlan) -> str:
    """The duration in one sentence."""
    weeks = (
        f" ({plan.duration_days // 7} full week{'s' if plan.duration_days >= 14 else ''})"
        if plan.duration_days % 7 == 0
        else ""
    )
    text = (
        f"{plan.duration_days} full day{'s' if plan.duration_days > 1 else ''}{weeks}, counted from the first "
        "full interval."
    )
    if plan.asked_days is not None and plan.asked_days < plan.duration_days:
        text += f" The {plan.asked_days} d available are not enough."
    return text


def as_text(plan: SurveyPlan) -> str:
    """The whole plan, ending in a line feed."""
    parts = [
        wrap(
            "Measurement plan for "
            + ", ".join(f"{table} ({title})" for table, title in plan.tables)
            + f"; connection: {plan.connection}."
        ),
        _points("Safety first:", plan.cautions),
        _points(wrap("Duration: " + duration_words(plan)), plan.duration_why),
        "Record:\n" + grid(need_rows(plan), NEED_HEADERS),
        "Size:\n" + grid(size_rows(plan), SIZE_HEADERS) + "\n" + wrap(NOTE),
        _points(
            "Cheaper choices, and what they cost:",
            [loss_text(loss.choice, loss.lost, loss.remark) for loss in plan.losses],
        ),
        _points("Facts to collect:", [f"{fact.fact}. From: {fact.source}. Why: {fact.why}." for fact in plan.facts]),
        _points("Accuracy:", plan.accuracy),
        *(_points(f"{when}:", items, box=True) for when, items in plan.checklist),
    ]
    return text_of(parts)


def _points(title: str, items: tuple[str, ...] | list[str], box: bool = False) -> str:
    mark = "[ ] " if box else "- "
    return title + "\n" + "\n".join(point(mark + item) for item in items)
