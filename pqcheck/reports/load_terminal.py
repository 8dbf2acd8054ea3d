"""The load study on a terminal: determination, demand, capacity, prediction, what fails first, cautions."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.loads.answer import answer_of
from pqcheck.loads.study import LoadStudy
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import VERDICT_WORDS, counts_by_verdict, criteria
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_answer_words import (
    ANSWER_WORDS,
    answer_lines,
    band_sentences,
    left_words,
    resonance_table,
    transformer_sentence,
)
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
from pqcheck.reports.text import danger_text, grid, more_line, text_of, wrap

MOST_ROWS = 12
MOST_ROOMS = 5


def as_text(study: LoadStudy, *, everything: bool = False, quiet: bool = False) -> str:
    """The whole text, ending in a line feed. Danger signs come first, also when quiet."""
    parts = [danger_text(study.findings), _answer(study)]
    if not quiet:
        parts += [
            _variants(study),
            "\n".join(wrap(line) for line in band_sentences(study)),
            _determinations(study),
            _new_loads(study),
            _demand(study),
            _figures(study),
            _capacity(study),
            _prediction(study, everything),
            _rooms(study, everything),
            _growth(study),
            _resonances(study),
            _equipment(study),
            _cost(study),
            "\n".join(wrap(line, "- ", "  ") for line in study.remarks),
            "\n".join(map(wrap, study.cautions)),
        ]
    return text_of(parts)


def _answer(study: LoadStudy) -> str:
    answer = answer_of(study)
    first = [] if answer is None else [wrap(f"{ANSWER_WORDS[answer.verdict]}: {answer.sentence}")]
    if answer is not None:
        first += [wrap(line, "  ", "    ") for line in answer_lines(answer)]
    asked = criteria(study.findings.findings)
    if asked:
        parts = [f"{count} {VERDICT_WORDS[verdict]}" for verdict, count in counts_by_verdict(asked).items() if count]
        lines = [
            wrap(f"Measured: {VERDICT_WORDS[study.findings.verdict]} ({', '.join(parts)} of {len(asked)} criteria).")
        ]
    else:
        lines = ["Measured: no limit table was asked for, so nothing was judged; name one with --limits."]
    if study.loads:
        lines.append(wrap(change_words(study)))
    return "\n".join([*first, *lines])


def _variants(study: LoadStudy) -> str:
    if not study.variants:
        return ""
    lines = ["Alternatives, each with its bound:"]
    for row in study.variants:
        counts = f"{row.failing} fail, {row.open} open" if row.failing or row.open else "all pass"
        needed = f" It would take {row.needed}." if row.needed else ""
        text = f"{row.name}: {ANSWER_WORDS[Verdict(row.verdict)]}, {counts}; the tightest is {row.decides}"
        text += f", {left_words(row)}.{needed}"
        lines.append(wrap(text, "- ", "  "))
    return "\n".join(lines)


def _determinations(study: LoadStudy) -> str:
    lines = []
    for finding in determination(study):
        lines.append(
            wrap(f"{VERDICT_WORDS[finding.verdict]}: {finding.table} {finding.clause}, {finding.title}.", "", "  ")
        )
        if finding.reason is not None:
            lines.append(wrap(finding.reason.text, "  "))
            lines.append(wrap(f"-> {finding.reason.advice}", "  ", "     "))
    return "\n".join(["Existing load and new load:", *lines]) if lines else ""


def _new_loads(study: LoadStudy) -> str:
    if not study.loads:
        return ""
    return "\n".join(["New loads:", *(wrap(load_words(load, study), "- ", "  ") for load in study.loads)])


def _demand(study: LoadStudy) -> str:
    heads, rows = demand_table(study)
    if not rows and study.demand.extremes_only:
        return "Currents were recorded as extremes only: without means there is no demand to study."
    if not rows:
        return "No current and no power was recorded: there is no demand to study."
    note = (
        "Largest mean of any window of recorded intervals; currents as root mean square. 'a to b': the recorded "
        "interval leaves it open between these bounds."
    )
    clock = bounds_words(study)
    return "\n".join([grid(rows, heads), wrap(note), *([wrap(clock)] if clock else [])])


def _figures(study: LoadStudy) -> str:
    demand, energy = study.demand, study.demand.energy
    lines = []
    if energy.import_wh is not None:
        text = f"Energy: {energy.import_wh / 1000:.6g} kWh import, {(energy.export_wh or 0) / 1000:.6g} kWh export"
        text += f" in {energy.hours:.6g} h, from the active power."
        registers = [
            f"{value / 1000:.6g} {unit} {what}"
            for value, unit, what in (
                (energy.register_import_wh, "kWh", "import"),
                (energy.register_export_wh, "kWh", "export"),
                (energy.register_reactive_varh, "kvarh", "reactive"),
            )
            if value is not None
        ]
        lines.append(text + (f" By register: {', '.join(registers)}." if registers else ""))
    if demand.load_factor is not None:
        what = demand.load_factor_of.replace("_", " ")
        lines.append(
            f"Load factor {demand.load_factor:.3f} ({what}, mean over largest {demand.interval_s / 60:g}-minute block)."
        )
    if demand.power_factor is not None:
        lines.append(power_factor_words(demand))
    if demand.unbalance is not None:
        unbalance = demand.unbalance
        lines.append(
            f"Unbalance of the currents (largest deviation from the mean): {unbalance.at_peak:.1f} % at the highest "
            f"load, {at(unbalance.at_peak_us, study.zone)}; up to {unbalance.high_load:.1f} % at 80 % of it and more."
        )
    lines += list(demand.basis)
    return "\n".join(map(wrap, lines))


def _capacity(study: LoadStudy) -> str:
    heads, rows = capacity_table(study)
    if not rows:
        return "No rating is declared under [ratings], or its demand was not recorded: no spare capacity to state."
    return "\n".join(["Spare capacity:", grid(rows, heads), *(wrap(line) for line in doubt_sentences(study))])


def _prediction(study: LoadStudy, everything: bool) -> str:
    if not study.rows:
        return ""
    changed = [row for row in study.rows if row.predicted_verdict != row.measured_verdict]
    worst = worst_rows(study.rows)
    shown = list(study.rows) if everything else worst[:MOST_ROWS]
    heads = ["criterion", "channel", "measured", "predicted", "arithmetic", "all at once", "limit", "predicted verdict"]
    rows = [
        [
            *prediction_cells(row),
            row.predicted_verdict
            if row.predicted_verdict == row.measured_verdict
            else f"{row.measured_verdict or '-'} -> {row.predicted_verdict}",
        ]
        for row in shown
    ]
    lines = [
        wrap(
            f"Prediction (indicative): {len(changed)} of {len(study.rows)} criteria change. 'predicted' adds harmonics "
            "by the summation law; 'arithmetic' adds them in phase and lets present loads keep their power, and a "
            "prediction passes only if that bound passes; 'all at once' also ignores schedules, for information."
        ),
        grid(rows, heads),
    ]
    if len(study.rows) > len(shown):
        lines.append(f"The worst phase and period of each; {len(study.rows) - len(shown)} more rows with --all.")
    for missing in _unpredicted(study):
        lines.append(
            wrap(
                f"Not predicted, {missing.table} {missing.rule}: {missing.reason.text if missing.reason else ''}", "  "
            )
        )
    return "\n".join(lines)


def _unpredicted(study: LoadStudy) -> Iterator[Finding]:
    for finding in study.findings.findings:
        if finding.kind == "prediction" and finding.reason is not None and finding.reason.code == "not-predicted":
            yield finding


def _rooms(study: LoadStudy, everything: bool) -> str:
    if not study.rooms:
        return ""
    shown = study.rooms if everything else study.rooms[:MOST_ROOMS]
    lines = ["What fails first as the addition grows (all new loads scaled together):"]
    lines += [wrap(room_sentence(room), "- ", "  ") for room in shown]
    return "\n".join([*lines, *more_line(len(study.rooms) - len(shown))])


def _growth(study: LoadStudy) -> str:
    return "\n".join(map(wrap, growth_sentences(study)))


def _resonances(study: LoadStudy) -> str:
    if not study.resonances:
        return ""
    heads, rows = resonance_table(study)
    return "\n".join(["Capacitors and supply in resonance:", grid(rows[:MOST_ROWS], heads)])


def _equipment(study: LoadStudy) -> str:
    lines = [*winding_sentences(study), *filter(None, [transformer_sentence(study)])]
    for loading in worst_loadings(study):
        factor = "" if loading.k_factor is None else f", K-factor {loading.k_factor:.2f} on rated current"
        share = (
            ""
            if loading.derated_va is None
            else f"; derated to {loading.derated_va / 1000:.4g} kVA ({100 * (loading.share or 0):.1f} %)"
        )
        lines.append(
            f"Transformer, {loading.when}: harmonic loss factor {loading.loss_factor:.2f}, other stray "
            f"{loading.stray_factor:.2f}{factor}{share}. From {loading.intervals} intervals of phase {loading.phase} "
            f"with at least {loading.threshold:.4g} A. {loading.basis}"
        )
    lines += map(motor_words, study.motors)
    if study.new_neutral is not None and study.new_neutral > 0.05:
        lines.append(f"Neutral: the new loads alone put about {study.new_neutral:.4g} A into it at nominal size.")
    lines += map(start_words, study.starts)
    return "\n".join(map(wrap, lines))


def _cost(study: LoadStudy) -> str:
    if not study.costs:
        return ""
    heads, rows = cost_table(study)
    return "\n".join(["At the declared rates, for information, not scaled to a month:", grid(rows, heads)])
