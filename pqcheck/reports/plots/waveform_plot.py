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
    for finding in material.findings.findings:
        if finding.kind == "limit" and finding.quantity in ("voltage_harmonic", "current_harmonic"):
            rules.setdefault((finding.table, finding.rule), []).append(finding)
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
    unit = next((finding.statistic.unit for finding in members if finding.statistic is not None), "%")
    for finding in members:
        label = phase_label(finding.phase)
        if finding.reason is not None and finding.reason.code == "orders-missing":
            missing.setdefault(label, []).extend(orders_in(finding.reason.text))
        if finding.order is None:
            continue
        if finding.limit is not None and finding.limit.high is not None:
            limits[finding.order] = finding.limit.high
        if finding.statistic is not None and finding.statistic.value is not None:
            held = values.setdefault(label, {})
            held[finding.order] = max(held.get(finding.order, 0.0), finding.statistic.value)
    if not values:
        return None
    first = next(
        finding for finding in members if finding.statistic is not None and finding.statistic.value is not None
    )
    assert first.statistic is not None
    over = sorted(
        {finding.order for finding in members if finding.verdict is Verdict.FAIL and finding.order is not None}
    )
    interval = duration_text(round((first.statistic.interval_s or 0) * 1e6)) if first.statistic.interval_s else ""
    never = sorted({order for orders in missing.values() for order in orders})
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
    orders: list[int] = []
    for part in listed[1].split(", ") if listed else ():
        first, _, last = part.partition(" to ")
        orders += range(int(first), int(last or first) + 1)
    return orders


def failing_orders(material: Material) -> Iterator[Drawn]:
    """The trend of each order that is not within its limit, the furthest first."""
    failed = [
        finding
        for finding in material.findings.findings
        if finding.kind == "limit" and finding.order is not None and finding.verdict in (Verdict.FAIL, Verdict.WAIVED)
    ]
    done: set[tuple[str | None, int | None]] = set()
    for finding in by_loss(failed):
        key = (finding.quantity, finding.order)
        if key in done or len(done) == MOST_ORDER_TRENDS or finding.quantity is None:
            continue
        done.add(key)
        phases = sorted({f.phase for f in failed if (f.quantity, f.order) == key}, key=str)
        lines = material.curves(finding.quantity, phases, finding.order)
        if not lines:
            continue
        about = [f for f in failed if (f.quantity, f.order) == key]
        unit = _recorded_unit(material, finding)
        judged_unit = finding.statistic.unit if finding.statistic is not None else ""
        bands = bands_of(about) if unit == judged_unit else ()
        note = "" if bands else f" Drawn as recorded ({unit}); the rule judges {judged_unit}, so it has no limit line."
        name = f"{quantity_title(finding.quantity)}, order {finding.order}"
        panel = Panel(name, unit, tuple(lines), bands, windows_of(about))
        yield trend(
            f"fig-order-{finding.quantity}-{finding.order}".replace("_", "-"),
            f"{quantity_title(finding.quantity)} of order {finding.order} over time", [panel], material.frame,
            f"Line chart of {quantity_title(finding.quantity).lower()} order {finding.order} over the recording; "
            f"{len(panel.worst)} stretches outside the limit are marked.",
            f"{step_words(lines, material.interval_us(finding.quantity))} {MARKS}{note}",
        )  # fmt: skip


def _recorded_unit(material: Material, finding: Finding) -> str:
    assert material.gathered is not None
    for channel, track in material.gathered.plots.items():
        if (channel.quantity, channel.phase, channel.order) == (finding.quantity, finding.phase, finding.order):
            return track.unit
    return ""
