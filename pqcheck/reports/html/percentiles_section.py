"""Percentiles and extremes of every channel, and their cumulative curves: a description beside the verdicts."""

from __future__ import annotations

from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import number
from pqcheck.observe.percentiles import PERCENTS, distributions, is_single
from pqcheck.reports.html.markup import Child, Markup, figure_element, table, tag
from pqcheck.reports.plots.cumulative import cumulative_figure
from pqcheck.reports.plots.labels import phase_label, quantity_title, standing
from pqcheck.reports.plots.material import Material

MOST_ROWS = 40


def percentiles_part(material: Material) -> Markup:
    """The section; single orders are counted and left to the workbook."""
    parts: list[Child] = [tag("h2", "Percentiles", id="percentiles")]
    if material.gathered is None:
        timeless = any(entry["start"] is None for entry in material.findings.recordings)
        why = "A spectrum has no course over time" if timeless else "The recording was not at hand"
        parts.append(tag("p", f"{why}: no percentiles are shown."))
        return tag("section", *parts, aria_labelledby="percentiles")
    whole = distributions(material.gathered, material.frame.excluded, orders=False)
    single = sum(is_single(track.channel) and bool(track.valid.any()) for track in material.gathered.detail.values())
    rows: list[tuple[Child, ...]] = []
    for each in whole[:MOST_ROWS]:
        channel = each.channel
        reading = "" if channel.reading == "mean" else f", {channel.reading} column"
        over = duration_text(each.step_us) + (" means" if each.step_us != each.interval_us else "")
        rows.append((
            quantity_title(channel.quantity) + (" of the fundamental" if channel.order == 1 else "") + reading,
            _together(phase_label(channel.phase) if channel.phase else "-"), each.unit if each.unit != "1" else "-",
            _together(over), str(each.count), *map(number, (each.low, *each.at, each.high)),
            standing(material.findings.findings, channel),
        ))
    heads = ("Quantity", "Phase", "Unit", "Over", "Values", "Minimum", *(f"{percent} %" for percent in PERCENTS),
             "Maximum", "What it is")
    parts.append(tag("p", "A description of what was recorded, without declared exclusions: the value at or below "
                          "which so many percent of the values lie, nothing interpolated. Verdicts stand under the "
                          "criteria, and rest on the values and periods that a rule names."))
    parts.append(table(heads, rows, label="Percentiles by channel"))
    left = len(whole) - len(rows) + single
    if left:
        parts.append(tag("p", f"{left} more, single orders among them, are in the workbook (--out findings.xlsx)."))
    parts += [figure_element(drawn, heading=drawn.title) for drawn in cumulative_figure(material)]
    return tag("section", *parts, aria_labelledby="percentiles")


def _together(text: str) -> str:
    """A short text that is not broken between two lines."""
    return text.replace(" ", "\u00a0")
