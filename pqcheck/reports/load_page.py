"""The page of a load study, and its section for other pages: the same parts as on the terminal, with figures."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.loads.answer import answer_of
from pqcheck.loads.study import LoadStudy
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import counts_by_verdict, criteria
from pqcheck.model.verdict import Verdict
from pqcheck.reports.html.html_page import danger_box, page_of
from pqcheck.reports.html.judged_criteria import verdict_mark
from pqcheck.reports.html.markup import Child, Markup, figure_element, lines, table, tag
from pqcheck.reports.load_answer_words import (
    ANSWER_WORDS,
    answer_lines,
    band_sentences,
    resonance_table,
    transformer_sentence,
    variant_table,
)
from pqcheck.reports.load_charts import figures
from pqcheck.reports.load_words import (
    at,
    bounds_words,
    capacity_table,
    change_words,
    cost_table,
    demand_table,
    determination,
    doubt_sentences,
    growth_sentences,
    load_words,
    motor_words,
    power_factor_words,
    prediction_cells,
    room_sentence,
    start_words,
    winding_sentences,
    worst_loadings,
    worst_rows,
)

MOST_ROWS = 60


def load_page(study: LoadStudy) -> str:
    """The whole page as HTML text."""
    title = f"Load study: {study.site_name}"
    head = (tag("h1", title), tag("p", study.supply, class_="under"))
    return page_of(title, "load-answer", head, load_section(study))


def load_section(study: LoadStudy) -> list[Child]:
    """The parts of the study as elements, danger signs first, for this page or another."""
    drawn = {chart.id: chart for chart in figures(study)}

    def figure(identity: str) -> Markup | None:
        return figure_element(drawn[identity], heading=drawn[identity].title) if identity in drawn else None

    return [
        danger_box(study.findings, "Danger sign: read this first"),
        _answer(study),
        _section("Alternatives", "load-variants-part", table(*variant_table(study), label="Alternatives compared"))
        if study.variants else None,
        _section("What is known as a span", "load-band-part", lines(band_sentences(study))) if study.band else None,
        _section("Demand", "load-demand-part", figure("load-demand"), _demand_table(study), lines(_demand_words(study)),
                 figure("load-duration"), figure("load-profile")),
        _section("Spare capacity", "load-capacity-part", _capacity_table(study), figure("load-headroom")),
        _section("Prediction with the new load", "load-prediction-part", _prediction(study), figure("load-spectrum"))
        if study.loads else None,
        _section("What fails first", "load-rooms-part", lines(room_sentence(room) for room in study.rooms[:12]),
                 figure("load-rooms")) if study.rooms else None,
        _section("Demand current and IEEE 519", "load-growth-part", lines(growth_sentences(study)))
        if study.growth is not None else None,
        _section("Capacitors and supply in resonance", "load-resonance-part",
                 table(*resonance_table(study), label="Resonances")) if study.resonances else None,
        _section("Transformer, motors, neutral, starts", "load-equipment-part", lines(_equipment(study))),
        _cost(study),
        _section("Assumptions and cautions", "load-cautions-part", lines(study.remarks),
                 *(tag("p", line) for line in study.cautions)),
    ]  # fmt: skip


def _section(title: str, identity: str, *children: Child) -> Markup | None:
    shown = [child for child in children if isinstance(child, Markup) and child.html]
    if not shown:
        return None
    return tag("section", tag("h2", title, id=identity), *shown, aria_labelledby=identity)


def _answer(study: LoadStudy) -> Markup:
    verdict = study.findings.verdict
    asked = criteria(study.findings.findings)
    parts: list[Child] = [tag("h2", "The answer", id="load-answer")]
    answer = answer_of(study)
    if answer is not None:
        words = f"{ANSWER_WORDS[answer.verdict]}: {answer.sentence}"
        parts += [tag("p", words, class_=f"headline v-{answer.verdict.value}"), lines(answer_lines(answer))]
    if asked:
        counts = counts_by_verdict(asked).items()
        shown = ", ".join(f"{count} {entry.value.replace('_', ' ')}" for entry, count in counts if count)
        parts.append(
            tag("p", "Measured: ", verdict_mark(verdict), f" ({shown} of {len(asked)} criteria).",
                class_=f"headline v-{verdict.value}")
        )
    else:
        parts.append(tag("p", "No limit table was asked for, so nothing was judged.", class_="headline v-inconclusive"))
    if study.loads:
        parts.append(tag("p", change_words(study)))
        parts.append(lines(load_words(load, study) for load in study.loads))
    parts += [_determination(finding) for finding in determination(study)]
    parts.append(tag("p", study.cautions[0]))
    return tag("section", *parts, class_="first", aria_labelledby="load-answer")


def _determination(finding: Finding) -> Markup:
    reason = f" {finding.reason.text} {finding.reason.advice}" if finding.reason is not None else ""
    return tag("p", verdict_mark(finding.verdict), f" {finding.table} {finding.clause}: {finding.title}.{reason}")


def _demand_table(study: LoadStudy) -> Markup:
    heads, rows = demand_table(study, with_new_load=True)
    return table(heads, rows, label="Largest demand by quantity and interval")


def _demand_words(study: LoadStudy) -> Iterator[str]:
    demand, energy = study.demand, study.demand.energy
    if bounds_words(study):
        yield bounds_words(study)
    if energy.import_wh is not None:
        yield (
            f"Energy {energy.import_wh / 1000:.6g} kWh import, {(energy.export_wh or 0) / 1000:.6g} kWh export in "
            f"{energy.hours:.6g} h, from the active power."
        )
    if energy.register_import_wh is not None:
        yield f"Energy by register: {energy.register_import_wh / 1000:.6g} kWh import."
    if demand.load_factor is not None:
        yield f"Load factor {demand.load_factor:.3f}, of the {demand.load_factor_of.replace('_', ' ')}."
    if demand.power_factor is not None:
        yield power_factor_words(demand)
    if demand.unbalance is not None:
        unbalance = demand.unbalance
        yield (
            f"Unbalance of the currents {unbalance.at_peak:.1f} % at the highest load, "
            f"{at(unbalance.at_peak_us, study.zone)}; up to {unbalance.high_load:.1f} % at 80 % of it and more."
        )
    yield from demand.basis


def _capacity_table(study: LoadStudy) -> Markup:
    heads, rows = capacity_table(study)
    if not rows:
        return tag("p", "No rating is declared, so there is no spare capacity to state.")
    spare = table(heads, rows, label="Ratings, demand and what is spare")
    return tag("div", spare, lines(doubt_sentences(study)))


def _prediction(study: LoadStudy) -> Markup:
    heads = ["criterion", "channel", "measured", "predicted", "added arithmetically", "all at once", "limit", "verdict"]
    rows: list[list[Child]] = []
    for row in worst_rows(study.rows)[:MOST_ROWS]:
        verdict: Child = verdict_mark(Verdict(row.predicted_verdict))
        if row.predicted_verdict != row.measured_verdict and row.measured_verdict:
            verdict = tag("span", verdict_mark(Verdict(row.measured_verdict)), " → ", verdict)
        rows.append([*prediction_cells(row), verdict])
    note = (
        "Indicative. Predicted values add harmonics by the summation law; 'added arithmetically' puts them in phase "
        "and lets present loads keep their power, and a prediction passes only if that bound passes; 'all at once' "
        "also ignores schedules, for information."
    )
    rest = len(study.rows) - len(rows)
    more = tag("p", f"The worst phase and period of each; {rest} more are in the findings file.") if rest > 0 else None
    return tag("div", tag("p", note), table(heads, rows, label="Criteria measured and predicted"), more)


def _equipment(study: LoadStudy) -> Iterator[str]:
    yield from winding_sentences(study)
    yield from filter(None, [transformer_sentence(study)])
    for loading in worst_loadings(study):
        factor = "" if loading.k_factor is None else f", K-factor {loading.k_factor:.2f}"
        share = "" if loading.derated_va is None else f", derated to {loading.derated_va / 1000:.4g} kVA"
        yield (
            f"Transformer, {loading.when}: harmonic loss factor {loading.loss_factor:.2f}{factor}{share}; from "
            f"{loading.intervals} intervals of phase {loading.phase} with at least {loading.threshold:.4g} A. "
            f"{loading.basis}"
        )
    yield from map(motor_words, study.motors)
    if study.new_neutral is not None and study.new_neutral > 0.05:
        yield f"The new loads alone put about {study.new_neutral:.4g} A into the neutral at nominal size."
    yield from map(start_words, study.starts)


def _cost(study: LoadStudy) -> Markup | None:
    if not study.costs:
        return None
    inner = table(*cost_table(study), label="Cost at declared rates")
    return _section(
        "Cost at the declared rates", "load-cost-part", tag("p", "For information, not scaled to a month."), inner
    )
