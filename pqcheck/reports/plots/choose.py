"""Which figures a report earns, in one fixed order, and which of them answers for a criterion."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.model.findings import Finding
from pqcheck.model.quantities import LINE_TO_LINE, QUANTITIES
from pqcheck.observe.gather import Track
from pqcheck.reports.plots.bars import availability
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.event_plot import event_figure
from pqcheck.reports.plots.labels import bands_of, concerning, phase_label, quantity_title
from pqcheck.reports.plots.material import Material, windows_of
from pqcheck.reports.plots.seen import observation_figures
from pqcheck.reports.plots.trend import Panel, step_words, trend
from pqcheck.reports.plots.voltage import MARKS, voltage_figures
from pqcheck.reports.plots.waveform_plot import (
    distortion_figure,
    failing_orders,
    order_figures,
    orders_figure_id,
)

_SINGLE = (
    ("current", "fig-current", "A"),
    ("frequency", "fig-frequency", "Hz"),
    ("negative_sequence_unbalance", "fig-unbalance", "%"),
    ("voltage_deviation_unbalance", "fig-deviation", "%"),
    ("flicker_plt", "fig-plt", "1"),
    ("flicker_pst", "fig-pst", "1"),
    ("active_power", "fig-active-power", "W"),
    ("reactive_power", "fig-reactive-power", "var"),
)
RECORDED = "fig-recorded"


def figures(material: Material) -> tuple[Drawn, ...]:
    """Every figure of the report."""
    if material.gathered is None:
        return tuple(order_figures(material))
    return tuple(_all(material))


def _all(material: Material) -> Iterator[Drawn]:
    yield _availability(material)
    if material.gathered is not None and material.gathered.plots:
        yield from voltage_figures(material)
        yield from distortion_figure(material)
        yield from order_figures(material)
        yield from failing_orders(material)
        yield from _singles(material)
        yield from observation_figures(material)
    yield from event_figure(material)


def _singles(material: Material) -> Iterator[Drawn]:
    for quantity, identity, unit in _SINGLE:
        held = material.phases(quantity)
        lines = material.curves(quantity, held)
        if not lines:
            continue
        about = concerning(material.findings.findings, quantity, held)
        worst = windows_of(about)
        title = quantity_title(quantity)
        panel = Panel(title, unit, tuple(lines), bands_of(about), worst)
        marked = f"; {len(worst)} stretches outside a limit are marked" if worst else ""
        yield trend(
            identity, f"{title} over time", [panel], material.frame,
            f"Line chart of {title.lower()} over the recording{marked}.",
            f"{step_words(lines, material.interval_us(quantity))} {MARKS}",
        )  # fmt: skip


def _availability(material: Material) -> Drawn:
    assert material.gathered is not None
    groups: dict[tuple[str, str | None, int], list[Track]] = {}
    for channel, track in material.gathered.plots.items():
        many = channel.order is not None and channel.order > 1
        key = (channel.quantity + (" (orders)" if many else ""), channel.phase, track.interval_us)
        groups.setdefault(key, []).append(track)
    rows = []
    for (name, phase, _), tracks in sorted(groups.items(), key=lambda group: _place(*group[0])):
        quantity = name.removesuffix(" (orders)")
        label = quantity_title(quantity)
        if name != quantity:
            orders = sorted({t.channel.order for t in tracks if t.channel.order is not None})
            label += f", orders {orders[0]} to {orders[-1]}"
        if phase is not None:
            label += f", {phase_label(phase)}"
        rows.append((label, tracks))
    never = sorted(
        {
            quantity_title(finding.quantity)
            for finding in material.findings.findings
            if finding.reason is not None and finding.reason.code == "not-recorded" and finding.quantity is not None
        }
    )
    return availability(
        RECORDED, "When each quantity was recorded", rows, never, material.frame,
        f"One bar per quantity and phase over the recording, {len(rows)} recorded, {len(never)} asked for and not "
        "recorded. Gaps interrupt the bars.",
        "A full bar is time with readings; upright hatching is time without; slanted hatching is time declared "
        "excluded. A cross marks a quantity that a rule asks for and that was not recorded.",
    )  # fmt: skip


def _place(name: str, phase: str | None, interval: int) -> tuple[int, bool, int, int]:
    quantity = name.removesuffix(" (orders)")
    phases = QUANTITIES[quantity].phases
    return (
        list(QUANTITIES).index(quantity), name != quantity, phases.index(phase) if phase in phases else -1, interval
    )  # fmt: skip


def figure_for(finding: Finding, drawn: Sequence[Drawn]) -> str | None:
    """The id of the figure in which a criterion can be seen; the strip of what was recorded when no other can."""
    there = {figure.id for figure in drawn}
    quantity, phase = finding.quantity or "", finding.phase
    wanted = []
    if quantity in ("voltage_harmonic", "current_harmonic"):
        wanted.append(orders_figure_id(finding.table, finding.rule))
    elif quantity == "voltage":
        kind = "lines" if phase in LINE_TO_LINE else "neutral"
        wanted += [f"fig-voltage-{kind}", *(["fig-voltage-neutral", "fig-voltage-lines"] if phase is None else [])]
    elif quantity in ("voltage_thd", "current_thd", "current_tdd", "current_trd"):
        wanted.append("fig-distortion")
    else:
        wanted += [identity for name, identity, _ in _SINGLE if name == quantity]
    if not quantity or "event" in quantity:
        wanted.append("fig-events")
    wanted.append(RECORDED)
    return next((identity for identity in wanted if identity in there), None)
