"""The page of a load study, and its section for other pages: the same parts as on the terminal, with figures."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.findings import Finding, Verdict
from pqcheck.loads.study import LoadStudy
from pqcheck.reports.html.criteria import verdict_mark
from pqcheck.reports.html.figure import figure_element
from pqcheck.reports.html.markup import Child, Markup, lines, table, tag
from pqcheck.reports.html.page import document
from pqcheck.reports.load_charts import figures
from pqcheck.reports.load_words import (
    amount,
    at,
    bounds_words,
    capacity_rows,
    change_words,
    demand_rows,
    determination,
    growth_sentences,
    intervals_of,
    load_words,
    room_sentence,
    worst_rows,
)

MOST_ROWS = 60


def load_page(study: LoadStudy) -> str:
    """The whole page as HTML text."""
    title = f"Load study: {study.site_name}"
    body = tag(
        "div",
        tag("a", "Skip to the answer", href="#load-answer", class_="skip"),
        tag("header", tag("h1", title), tag("p", study.supply, class_="under")),
        tag("main", *load_section(study)),
        class_="page",
    )
    return document(title, body)


def load_section(study: LoadStudy) -> list[Child]:
    """The parts of the study as elements, danger signs first, for this page or another."""
    drawn = {one.id: one for one in figures(study)}

    def figure(identity: str) -> Markup | None:
        return figure_element(drawn[identity], heading=drawn[identity].title) if identity in drawn else None

    return [
        _danger(study),
        _answer(study),
        _section("Demand", "load-demand-part", figure("load-demand"), _demand_table(study), lines(_demand_words(study)),
                 figure("load-duration"), figure("load-profile")),
        _section("Spare capacity", "load-capacity-part", _capacity_table(study), figure("load-headroom")),
        _section("Prediction with the new load", "load-prediction-part", _prediction(study), figure("load-spectrum"))
        if study.loads else None,
        _section("What fails first", "load-rooms-part", lines(room_sentence(one) for one in study.rooms[:12]),
                 figure("load-rooms")) if study.rooms else None,
        _section("Demand current and IEEE 519", "load-growth-part", lines(growth_sentences(study)))
        if study.growth is not None else None,
        _section("Transformer, motors, neutral, starts", "load-equipment-part", lines(_equipment(study))),
        _cost(study),
        _section("Assumptions and cautions", "load-cautions-part", lines(study.remarks),
                 *(tag("p", one) for one in study.cautions)),
    ]  # fmt: skip


def _section(title: str, identity: str, *children: Child) -> Markup | None:
    shown = [one for one in children if isinstance(one, Markup) and one.html]
    if not shown:
        return None
    return tag("section", tag("h2", title, id=identity), *shown, aria_labelledby=identity)


def _danger(study: LoadStudy) -> Markup | None:
    signs = [one for one in study.findings.findings if one.kind == "safety"]
    if not signs:
        return None
    said = [
        tag("p", tag("strong", f"{one.title}. "), f"{one.reason.text} {one.reason.advice}" if one.reason else "")
        for one in signs
    ]
    return tag("div", tag("h2", "Danger sign: read this first"), *said, class_="danger", role="alert")


def _answer(study: LoadStudy) -> Markup:
    verdict = study.findings.verdict
    asked = [one for one in study.findings.findings if one.required]
    parts: list[Child] = [tag("h2", "The answer", id="load-answer")]
    if asked:
        counts = {one: sum(each.verdict is one for each in asked) for one in Verdict}
        words = ", ".join(f"{count} {one.value.replace('_', ' ')}" for one, count in counts.items() if count)
        parts.append(
            tag("p", "Measured: ", verdict_mark(verdict), f" ({words}).", class_=f"headline v-{verdict.value}")
        )
    else:
        parts.append(tag("p", "No limit table was asked for, so nothing was judged.", class_="headline v-inconclusive"))
    if study.loads:
        parts.append(tag("p", change_words(study)))
        parts.append(lines(load_words(one, study) for one in study.loads))
    parts += [_determination(one) for one in determination(study)]
    parts.append(tag("p", study.cautions[0]))
    return tag("section", *parts, class_="first", aria_labelledby="load-answer")


def _determination(one: Finding) -> Markup:
    reason = f" {one.reason.text} {one.reason.advice}" if one.reason is not None else ""
    return tag("p", verdict_mark(one.verdict), f" {one.table} {one.clause}: {one.title}.{reason}")


def _demand_table(study: LoadStudy) -> Markup:
    heads = ["largest demand", *(f"{one / 60:g} min" for one in intervals_of(study.demand)), "when"]
    rows = demand_rows(study, study.demand)
    if study.demand_then is not None:
        rows += [[f"{row[0]}, with the new load", *row[1:]] for row in demand_rows(study, study.demand_then)]
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
        yield f"Power factor of the period, from its energies: {demand.power_factor:.3f}."
    if demand.unbalance is not None:
        one = demand.unbalance
        yield (
            f"Unbalance of the currents {one.at_peak:.1f} % at the highest load, {at(one.at_peak_us, study.zone)}; up "
            f"to {one.high_load:.1f} % at 80 % of it and more."
        )
    yield from demand.basis


def _capacity_table(study: LoadStudy) -> Markup:
    rows = capacity_rows(study)
    if not rows:
        return tag("p", "No rating is declared, so there is no spare capacity to state.")
    new = ["with new", "tightest", "all at once"] if study.loads else []
    return table(["rating", "limit", "now", "tightest", *new, "spare"], rows, label="Ratings, demand and what is spare")


def _prediction(study: LoadStudy) -> Markup:
    heads = ["criterion", "channel", "measured", "predicted", "added arithmetically", "all at once", "limit", "verdict"]
    rows: list[list[Child]] = []
    for one in worst_rows(study.rows)[:MOST_ROWS]:
        verdict: Child = verdict_mark(Verdict(one.predicted_verdict))
        if one.predicted_verdict != one.measured_verdict and one.measured_verdict:
            verdict = tag("span", verdict_mark(Verdict(one.measured_verdict)), " → ", verdict)
        rows.append([
            f"{one.table} {one.rule}", one.channel, amount(one.measured, one.unit), amount(one.predicted, one.unit),
            amount(one.arithmetic, one.unit), amount(one.no_diversity, one.unit), one.limit, verdict,
        ])  # fmt: skip
    note = (
        "Indicative, and no part of the verdict. Predicted values add harmonics by the summation law; 'added "
        "arithmetically' puts them in phase, 'all at once' also ignores schedules: both are upper bounds."
    )
    rest = len(study.rows) - len(rows)
    more = tag("p", f"The worst phase and period of each; {rest} more are in the findings file.") if rest > 0 else None
    return tag("div", tag("p", note), table(heads, rows, label="Criteria measured and predicted"), more)


def _equipment(study: LoadStudy) -> Iterator[str]:
    for one in study.loadings:
        factor = "" if one.k_factor is None else f", K-factor {one.k_factor:.2f}"
        share = "" if one.derated_va is None else f", derated to {one.derated_va / 1000:.4g} kVA"
        yield (
            f"Transformer, {one.when}: harmonic loss factor {one.loss_factor:.2f}{factor}{share}; from {one.intervals} "
            f"intervals of phase {one.phase} with at least {one.threshold:.4g} A. {one.basis}"
        )
    for motor in study.motors:
        factor = "beyond the curve" if motor.factor is None else f"{100 * motor.factor:.0f} % of rated output"
        yield f"Motors, {motor.when}: voltage unbalance {motor.unbalance:.2f} %, {factor}. {motor.basis}."
    if study.new_neutral is not None and study.new_neutral > 0.05:
        yield f"The new loads alone put about {study.new_neutral:.4g} A into the neutral at nominal size."
    for start in study.starts:
        yield (
            f"Start of {start.name}: {start.current:.4g} A, the voltage falls by {start.drop_percent:.1f} % to "
            f"{start.lowest:.4g} V for a moment."
        )


def _cost(study: LoadStudy) -> Markup | None:
    if not study.costs:
        return None
    rows = [[what, f"{value:.2f} {currency}"] for what, value, currency in study.costs]
    inner = table(["of this record", "amount"], rows, label="Cost at declared rates")
    return _section(
        "Cost at the declared rates", "load-cost-part", tag("p", "For information, not scaled to a month."), inner
    )
