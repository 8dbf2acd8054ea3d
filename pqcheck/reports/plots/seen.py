"""Figures of what the observations rest on, where no other figure shows it."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.observe.observation import Observation
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import phase_label, quantity_title
from pqcheck.reports.plots.material import Material, joined
from pqcheck.reports.plots.trend import Curve, Panel, trend

MOST_SPANS = 300


def observation_figures(material: Material) -> Iterator[Drawn]:
    """One figure per observation that names a figure of its own."""
    for observation in material.observations:
        if observation.id == "resonance":
            yield from _pair(material, observation, ("reactive_power", None),
                             ("voltage_harmonic", int(observation.numbers["order"])),
                             "Reactive power and the harmonic that moves with it")  # fmt: skip
        elif observation.id == "background":
            yield from _pair(material, observation, ("current", None), ("voltage_thd", None),
                             "Voltage distortion and the site's own current")  # fmt: skip
        elif observation.id == "tap-steps":
            yield from _pair(material, observation, ("voltage", None), ("current", None),
                             "Steps that all phases share, and the current")  # fmt: skip


def _pair(
    material: Material, seen: Observation, upper: tuple[str, int | None], lower: tuple[str, int | None], title: str
) -> Iterator[Drawn]:
    panels = []
    marks = joined(seen.spans)[:MOST_SPANS]
    for quantity, order in (upper, lower):
        lines = _lines(material, quantity, order)
        if lines:
            unit = {"reactive_power": "var", "current": "A", "voltage": "V"}.get(quantity, "%")
            name = quantity_title(quantity) + (f", order {order}" if order else "")
            panels.append(Panel(name, unit, tuple(lines), worst=marks))
    if len(panels) < 2:
        return
    yield trend(
        seen.figure, title, panels, material.frame,
        f"Two charts on one time axis: {panels[0].title} and {panels[1].title}. {seen.text}",
        f"Tinted: {len(seen.spans)} stretches the observation rests on. An observation, no verdict.",
    )  # fmt: skip


def _lines(material: Material, quantity: str, order: int | None) -> list[Curve]:
    phases = ["total"] if quantity == "reactive_power" and material.curve(quantity, "total") else [
        "an", "bn", "cn", "ab", "bc", "ca", "a", "b", "c"
    ]  # fmt: skip
    curves = material.curves(quantity, phases, order)
    wanted = {phase_label(phase) for phase in ("an", "bn", "cn")} & {curve.label for curve in curves}
    return [curve for curve in curves if not wanted or curve.label in wanted]
