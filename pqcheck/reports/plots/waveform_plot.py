"""Figures of distortion: total distortion with the current beside it, single orders against their limits."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import by_loss
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plots.bars import harmonic_bars
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import bands_of, concerning, phase_label, quantity_title, share_words
from pqcheck.reports.plots.material import Material, windows_of
from pqcheck.reports.plots.trend import Curve, Panel, step_words, trend
from pqcheck.reports.plots.voltage import MARKS

MOST_ORDER_TRENDS = 6


def distortion_figure(material: Material) -> Iterator[Drawn]:
    """Voltage THD, current THD, TDD and the fundamental current above each other: why a percentage is high at night."""
    panels: list[Panel] = []
    curves: list[Curve] = []
    for quantity in ("voltage_thd", "current_thd", "current_tdd", "current_trd"):
        held = material.phases(quantity)
        lines = material.curves(quantity, held)
        if lines:
            about = concerning(material.findings.findings, quantity, held)
            panels.append(Panel(quantity_title(quantity), "%", tuple(lines), bands_of(about), windows_of(about)))
            curves += lines
    if not panels:
        return
    for title, quantity, order in (("Fundamental current", "current_harmonic", 1), ("Current", "current", None)):
        lines = material.curves(quantity, "abc", order)
        if lines:
            panels.append(Panel(title, "A", tuple(lines)))
            curves += lines
            break
    yield trend(
        "fig-distortion", "Distortion and current on one time axis", panels, material.frame,
        f"Charts above each other on one time axis: {', '.join(panel.title for panel in panels)}.",
        f"A distortion in percent of a small current is a small number of amperes: compare the panels. "
        f"{step_words(curves, material.interval_us(_first(material)))} {MARKS}",
    )  # fmt: skip


def _first(material: Material) -> str:
    return next((q for q in ("voltage_thd", "current_thd", "current_tdd") if material.phases(q)), "current_trd")


def order_figures(material: Material) -> Iterator[Drawn]:
    """For every rule about single orders: the bars of the worst period against the limits."""
    rules: dict[tuple[str, str], list[Finding]] = {}
    for one in material.findings.findings:
        if one.kind == "limit" and one.quantity in ("voltage_harmonic", "current_harmonic"):
            rules.setdefault((one.table, one.rule), []).append(one)
    for (table, rule), members in rules.items():
        drawn = _bars(table, rule, members)
        if drawn is not None:
            yield drawn


def orders_figure_id(table: str, rule: str) -> str:
    """The id of the bars of a rule."""
    return "fig-orders-" + re.sub(r"[^a-z0-9]+", "-", f"{table} {rule}".lower()).strip("-")


def _bars(table: str, rule: str, members: Sequence[Finding]) -> Drawn | None:
    values: dict[str, dict[int, float]] = {}
    limits: dict[int, float] = {}
    missing: dict[str, list[int]] = {}
    unit = next((one.statistic.unit for one in members if one.statistic is not None), "%")
    for one in members:
        label = phase_label(one.phase)
        if one.reason is not None and one.reason.code == "orders-missing":
            missing.setdefault(label, []).extend(orders_in(one.reason.text))
        if one.order is None:
            continue
        if one.limit is not None and one.limit.high is not None:
            limits[one.order] = one.limit.high
        if one.statistic is not None and one.statistic.value is not None:
            held = values.setdefault(label, {})
            held[one.order] = max(held.get(one.order, 0.0), one.statistic.value)
    if not values:
        return None
    first = next(one for one in members if one.statistic is not None and one.statistic.value is not None)
    assert first.statistic is not None
    over = sorted({one.order for one in members if one.verdict is Verdict.FAIL and one.order is not None})
    interval = duration_text(round((first.statistic.interval_s or 0) * 1e6)) if first.statistic.interval_s else ""
    never = sorted({order for one in missing.values() for order in one})
    words = (f" Order {', '.join(map(str, over))} is over its limit." if over else " No order is over its limit.") + (
        f" Orders not measured: {len(never)}." if never else ""
    )
    title = f"{quantity_title(first.quantity or 'voltage_harmonic')} by order, {share_words(first)}"
    return harmonic_bars(
        orders_figure_id(table, rule), f"{title} ({table}, {rule})", unit, values, limits, missing,
        f"Bar chart by harmonic order, one bar per phase, each limit as a black line.{words}",
        f"Each bar is the {interval} reading that decides in the worst "
        f"{first.period.length if first.period else 'period'} ({share_words(first)} lie at or below it). The black "
        "line is the limit of the order; a red triangle marks a bar above it, a cross an order that was not measured.",
    )  # fmt: skip


def orders_in(text: str) -> list[int]:
    """The orders listed at the head of the sentence ``Orders 26 to 40, 42 of ...``."""
    listed = re.match(r"Orders ([\d, to]+?) of ", text)
    found: list[int] = []
    for part in listed[1].split(", ") if listed else ():
        first, _, last = part.partition(" to ")
        found += range(int(first), int(last or first) + 1)
    return found


def failing_orders(material: Material) -> Iterator[Drawn]:
    """The trend of each order that is not within its limit, the furthest first."""
    failed = [
        one
        for one in material.findings.findings
        if one.kind == "limit" and one.order is not None and one.verdict in (Verdict.FAIL, Verdict.WAIVED)
    ]
    done: set[tuple[str | None, int | None]] = set()
    for one in by_loss(failed):
        key = (one.quantity, one.order)
        if key in done or len(done) == MOST_ORDER_TRENDS or one.quantity is None:
            continue
        done.add(key)
        phases = sorted({f.phase for f in failed if (f.quantity, f.order) == key}, key=str)
        lines = material.curves(one.quantity, phases, one.order)
        if not lines:
            continue
        about = [f for f in failed if (f.quantity, f.order) == key]
        unit = _recorded_unit(material, one)
        judged_unit = one.statistic.unit if one.statistic is not None else ""
        bands = bands_of(about) if unit == judged_unit else ()
        note = "" if bands else f" Drawn as recorded ({unit}); the rule judges {judged_unit}, so it has no limit line."
        name = f"{quantity_title(one.quantity)}, order {one.order}"
        panel = Panel(name, unit, tuple(lines), bands, windows_of(about))
        yield trend(
            f"fig-order-{one.quantity}-{one.order}".replace("_", "-"),
            f"{quantity_title(one.quantity)} of order {one.order} over time", [panel], material.frame,
            f"Line chart of {quantity_title(one.quantity).lower()} order {one.order} over the recording; "
            f"{len(panel.worst)} stretches outside the limit are marked.",
            f"{step_words(lines, material.interval_us(one.quantity))} {MARKS}{note}",
        )  # fmt: skip


def _recorded_unit(material: Material, one: Finding) -> str:
    assert material.gathered is not None
    for channel, track in material.gathered.plots.items():
        if (channel.quantity, channel.phase, channel.order) == (one.quantity, one.phase, one.order):
            return track.unit
    return ""
