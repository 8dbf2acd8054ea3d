"""Wording that the terminal and the page of a load study share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.loads.declared import NewLoad, addition_va
from pqcheck.loads.schedule import Schedule
from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import Capacity, CriterionRow, Demand, Loading, Maximum, Motor, Room, Start
from pqcheck.model.clock import iso
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import clock, number
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plain import DAYS

NAMES = {
    "current": "current", "active_power": "active power", "apparent_power": "apparent power",
    "reactive_power": "reactive power",
}  # fmt: skip
_SCALE = {"W": ("kW", 1000.0), "VA": ("kVA", 1000.0), "var": ("kvar", 1000.0), "A": ("A", 1.0)}


def at(instant_us: int, zone: str) -> str:
    """An instant as people write it."""
    return clock(iso(instant_us, zone))


def amount(value: float | None, unit: str) -> str:
    """A reading of a finding."""
    return number(None if value is None else float(f"{value:.5g}"), unit)


def scale_of(unit: str) -> tuple[str, float]:
    """The unit that amounts of a load are shown in, and what one of it is."""
    return _SCALE.get(unit, (unit, 1.0))


def scaled(value: float, unit: str) -> str:
    """Watts as kilowatts and so on, four digits."""
    name, by = scale_of(unit)
    return f"{value / by:.4g} {name}"


def intervals_of(demand: Demand) -> list[float]:
    """The demand intervals shown, in seconds."""
    return sorted({maximum.interval_s for maximum in demand.maxima})


def maximum_text(maximum: Maximum | None) -> str:
    """The largest demand, or the bounds that the recorded interval leaves."""
    if maximum is None:
        return "-"
    peak = maximum.largest
    if peak is not None:
        return scaled(peak.value, maximum.unit)
    if maximum.bounds is None:
        return "-"
    return f"{scaled(maximum.bounds[0], maximum.unit)} to {scaled(maximum.bounds[1], maximum.unit)}"


Table = tuple[list[str], list[list[str]]]
"""Headings and rows."""


def demand_table(study: LoadStudy, *, with_new_load: bool = False) -> Table:
    """One row for each quantity and phase: the largest demand over every interval, and when."""
    demand = study.demand
    steps = [step for step in intervals_of(demand) if step == demand.interval_s or _exact(demand, step)]
    rows = _demand_rows(study.demand, steps, study.zone)
    if with_new_load and study.demand_then is not None:
        then = _demand_rows(study.demand_then, steps, study.zone)
        rows += [[f"{row[0]}, with the new load", *row[1:]] for row in then]
    return ["largest demand", *(f"{step / 60:g} min" for step in steps), "when"], rows


def _exact(demand: Demand, interval_s: float) -> bool:
    """Whether the record shows a demand over this interval and not bounds alone."""
    return any(maximum.interval_s == interval_s and maximum.largest is not None for maximum in demand.maxima)


def _demand_rows(demand: Demand, steps: Sequence[float], zone: str) -> list[list[str]]:
    rows = []
    keys = dict.fromkeys(
        (maximum.quantity, maximum.phase) for maximum in demand.maxima if maximum.quantity != "reactive_power"
    )
    for quantity, phase in keys:
        main = demand.maximum(quantity, phase)
        peak = None if main is None else main.largest
        rows.append(
            [
                f"{NAMES[quantity]} {phase or ''}".strip(),
                *(maximum_text(demand.maximum(quantity, phase, interval_s)) for interval_s in steps),
                "-" if peak is None else at(peak.start_us, zone),
            ]
        )
    return rows


def bounds_words(study: LoadStudy) -> str:
    """What clock blocks gave where they differ from sliding windows."""
    parts = []
    for maximum in study.demand.maxima:
        if (
            maximum.interval_s == study.demand.interval_s
            and maximum.block
            and maximum.sliding
            and maximum.quantity != "reactive_power"
        ):
            parts.append(
                f"{NAMES[maximum.quantity]} {maximum.phase or ''}".strip()
                + f" {scaled(maximum.block.value, maximum.unit)}"
            )
    if not parts:
        return ""
    return f"In blocks of {study.demand.interval_s / 60:g} minutes on the clock: {', '.join(parts)}."


def determination(study: LoadStudy) -> list[Finding]:
    """Findings of load rules: those of kind limit that carry the determination's title."""
    return [
        finding for finding in study.findings.findings
        if finding.kind == "limit" and finding.rule.startswith("existing-load")
        and finding.verdict is not Verdict.NOT_APPLICABLE
    ]  # fmt: skip


def load_words(load: NewLoad, study: LoadStudy) -> str:
    """A new load in one sentence."""
    if load.bank is not None:
        detuned = f", detuned to order {load.bank.tuning:.2f}" if load.bank.tuning is not None else ""
        return f"{load.name}: capacitor bank of {load.apparent_va / 1000:.4g} kvar{detuned}"
    parts = [f"{load.name}: {load.rms_va / 1000:.4g} kVA on phases {', '.join(load.phases)}"]
    if load.feeds_in:
        parts.append("feeding in")
    if load.power_factor is not None:
        sense = "" if load.power_factor == 1 else " leading" if load.leading else " lagging"
        parts.append(f"power factor {load.power_factor:g}{sense}")
    if load.name in study.line_currents:
        parts.append(f"{study.line_currents[load.name]:.4g} A of line current")
    parts.append(
        f"distortion {load.spectrum.thd:.3g} % of the fundamental" if load.spectrum.percent else "no harmonics"
    )
    parts.append(runs_words(load))
    return ", ".join(parts)


def runs_words(load: NewLoad) -> str:
    """When it runs."""
    if load.runs is None:
        return "running all the time"
    if isinstance(load.runs, Schedule):
        spans = " and ".join(f"{_time(a)} to {_time(b)}" for a, b in load.runs.hours)
        days = "every day" if len(load.runs.weekdays) == 7 else ", ".join(DAYS[day][:3] for day in load.runs.weekdays)
        return f"running {spans}, {days}"
    return f"running by its profile, whose shares hold {load.runs.shortest_minutes} min and longer"


def _time(minute: int) -> str:
    minute = minute if minute <= 1440 else minute - 1440
    return f"{minute // 60:02d}:{minute % 60:02d}"


def capacity_table(study: LoadStudy) -> Table:
    """One row for each rating and phase."""
    new = ["with new", "tightest", "at worst", "all at once"] if study.loads else []
    if any(load.feeds_in for load in study.loads):
        new.append("with feed-in")
    spare = "spare after the new load" if study.loads else "spare"
    return ["rating", "limit", "now", "tightest", *new, spare], [
        _capacity_row(capacity, study) for capacity in study.capacity
    ]


def rating_title(capacity: Capacity) -> str:
    """The rating, and its phase where it is one of several."""
    return capacity.title + (f", phase {capacity.phase}" if capacity.phase not in (None, "n") else "")


def _capacity_row(capacity: Capacity, study: LoadStudy) -> list[str]:
    row = [
        rating_title(capacity),
        scaled(capacity.limit, capacity.unit), scaled(capacity.now, capacity.unit),
        _when(capacity.now_at_us, study.zone),
    ]  # fmt: skip
    if study.loads:
        bounds = capacity.then_bounds or (None, None)
        row += [
            "-" if capacity.then is None else scaled(capacity.then, capacity.unit),
            "-" if capacity.then_at_us is None else _when(capacity.then_at_us, study.zone),
            *("-" if bound is None else scaled(bound, capacity.unit) for bound in bounds),
        ]
    if any(load.feeds_in for load in study.loads):
        row.append("-" if capacity.with_feed_in is None else scaled(capacity.with_feed_in, capacity.unit))
    spare = scaled(capacity.spare, capacity.unit)
    if capacity.spare_va is not None:
        per_phase = " on this phase" if capacity.phase else ""
        spare += f" ({capacity.spare_va / 1000:.4g} kVA{per_phase})"
    if capacity.doubt is not None:
        spare = f"not shown, at most {spare}"
    row.append(spare + (f"; {capacity.note}" if capacity.note else ""))
    return row


def doubt_sentences(study: LoadStudy) -> Iterator[str]:
    """Why what is spare is not shown, once for each phase that it concerns."""
    said = set()
    for capacity in study.capacity:
        if capacity.doubt is not None and (capacity.phase, capacity.doubt.text) not in said:
            said.add((capacity.phase, capacity.doubt.text))
            where = "All phases together" if capacity.phase is None else f"Phase {capacity.phase}"
            yield f"{where}, not shown: {capacity.doubt.text} {capacity.doubt.advice}"


def _when(instant_us: int, zone: str) -> str:
    return at(instant_us, zone) if instant_us else "-"


def worst_rows(rows: Sequence[CriterionRow]) -> list[CriterionRow]:
    """The tightest row of each rule and order: one of several phases and periods."""
    worst: dict[tuple[str, ...], CriterionRow] = {}
    for row in rows:
        parts = row.channel.split(".")
        order = parts[-1] if len(parts) > 1 and parts[-1].startswith("h") else ""
        worst.setdefault((row.table, row.rule, parts[0], order), row)
    return list(worst.values())


def prediction_cells(row: CriterionRow) -> list[str]:
    """A criterion measured and predicted: names, readings and the limit."""
    readings = (row.measured, row.predicted, row.arithmetic, row.no_diversity)
    return [f"{row.table} {row.rule}", row.channel, *(amount(value, row.unit) for value in readings), row.limit]


def cost_table(study: LoadStudy) -> Table:
    """What the record costs at the declared rates."""
    return ["of this record", "amount"], [[what, f"{value:.2f} {currency}"] for what, value, currency in study.costs]


def power_factor_words(demand: Demand) -> str:
    """The power factor of the whole period."""
    return f"Power factor of the period, from its energies: {demand.power_factor:.3f}."


def motor_words(motor: Motor) -> str:
    """How far motors have to be derated for the unbalance."""
    factor = "beyond the curve" if motor.factor is None else f"{100 * motor.factor:.0f} % of rated output"
    return f"Motors, {motor.when}: voltage unbalance {motor.unbalance:.2f} %, {factor}. {motor.basis}."


def worst_loadings(study: LoadStudy) -> list[Loading]:
    """The winding with the largest K-factor (else loss factor), now and with the new load."""
    worst: dict[str, Loading] = {}
    for loading in study.loadings:
        known = worst.get(loading.when)
        if known is None or (loading.k_factor or 0, loading.loss_factor) > (known.k_factor or 0, known.loss_factor):
            worst[loading.when] = loading
    return list(worst.values())


def start_words(start: Start) -> str:
    """What a start does, in sentences."""
    text = (
        f"Start of {start.name}: {start.current:.4g} A; the voltage at phase {start.phase} falls by "
        f"{start.drop_percent:.1f} % to {start.lowest:.4g} V for a moment, from the lowest one recorded (relative "
        f"voltage change {start.change_percent:.1f} % of nominal)"
    )
    if start.lowest_at_load is not None:
        text += f", and to {start.lowest_at_load:.4g} V at the load"
    if start.running_drop_percent is not None:
        text += f"; running, the conductor takes {start.running_drop_percent:.1f} %"
    text += "."
    if start.pst is not None:
        text += f" Its starts make a Pst of about {start.pst:.2f}, by the curve for Pst = 1 (IEC 61000-3-3)."
    return f"{text} No limit is applied; ask for the rules on voltage changes and flicker."


def room_sentence(room: Room) -> str:
    """How much of the addition a criterion bears, in one sentence."""
    size = f"{room.apparent_va / 1000:.4g} kVA, {100 * room.share:.4g} % of what is declared"
    if room.key == "supply":
        return f"{room.title}: {size} can be delivered, and not much more (voltage collapse)."
    if room.at_least:
        proof = " by the valid readings alone, which prove nothing here" if room.open else ""
        return f"{room.title}: still holds at {size}, the largest tried{proof}."
    about = "at most about " if room.about else "at most " if room.open else ""
    why = " (beyond it the voltage collapses)" if room.physics else ""
    text = f"{room.title} ({room.channel}): holds up to {about}{size}{why}."
    if room.open:
        text += " The record leaves this criterion open, so it may be less."
    return f"{text} For the whole addition: {room.help}." if room.help else text


def winding_sentences(study: LoadStudy) -> Iterator[str]:
    """The largest K-factor of the existing load, and the winding with the least capacity left."""
    now = [loading for loading in study.loadings if loading.when == "now" and loading.k_factor is not None]
    if now:
        most = max(now, key=lambda loading: loading.k_factor or 0.0)
        yield (
            f"K-factor of the existing load on the rated current: {most.k_factor:.2f}, on phase {most.phase}, the "
            f"largest of {len(now)} windings."
        )
    windings = [entry for entry in study.capacity if entry.rating.startswith("transformer") and entry.phase]
    if windings:
        least = min(windings, key=lambda entry: entry.spare)
        yield (
            f"Winding with the least capacity left: phase {least.phase}, {least.spare:.4g} A of {least.limit:.4g} A "
            f"({least.title})."
        )


def change_words(study: LoadStudy) -> str:
    """The prediction in one sentence."""
    predictions = [
        finding for finding in study.findings.findings
        if finding.kind == "prediction" and not finding.channel.endswith("-arithmetic")
    ]  # fmt: skip
    counts = {
        word: sum(finding.verdict in verdicts for finding in predictions)
        for word, verdicts in (
            ("fail", (Verdict.FAIL,)),
            ("open", (Verdict.INCONCLUSIVE, Verdict.REFUSED)),
            ("pass", (Verdict.PASS,)),
        )
    }
    total = addition_va(study.loads)
    text = f"With the new load ({total / 1000:.4g} kVA), bounds counted: {counts['fail']} of the predictions fail, "
    text += f"{counts['open']} open, {counts['pass']} pass"
    first = next((room for room in study.rooms if not room.at_least and room.key != "supply"), None)
    if first is not None:
        at_most = "no more than " if first.open or first.about else ""
        text += f"; the first to fail is {first.title}, at {at_most}{first.apparent_va / 1000:.4g} kVA"
    return f"{text}. A prediction is indicative."


def growth_sentences(study: LoadStudy) -> Iterator[str]:
    """IL and the row with the new load; what a larger IL does by itself."""
    growth = study.growth
    if growth is None:
        return
    declared, grown = f"{growth.declared:.4g}", f"{growth.grown:.4g}"
    text = f"IEEE 519: demand current IL {declared} A as declared, {grown} A with the new load"
    if growth.ratio is not None and growth.ratio_grown is not None:
        text += f"; Isc/IL {growth.ratio:.4g} ({growth.row}) becomes {growth.ratio_grown:.4g} ({growth.row_grown})"
    yield f"{text}."
    yield (
        f"With the new load, under IL as declared: {_counts(row.declared for row in growth.rows)}; under the grown IL: "
        f"{_counts(row.grown for row in growth.rows)}."
    )
    if growth.alone:
        few = "; ".join(growth.alone[:3]) + (f" and {len(growth.alone) - 3} more" if len(growth.alone) > 3 else "")
        yield (
            "By the larger IL alone, without one harmonic ampere less, these measured failures would become "
            f"passes: {few}. "
            "A larger IL loosens the percentages; utilities object to that."
        )
    failing = [row for row in growth.rows if row.declared == "fail" and row.break_even]
    # The total first, then orders: one line for each rule.
    ordered = sorted(failing, key=lambda row: (not row.channel.startswith("current_tdd"), row.title, row.channel))
    for loosest in list({row.title: row for row in reversed(ordered)}.values())[::-1][:3]:
        channel = f"{loosest.title}, {loosest.channel}"
        yield f"{channel} with the new load, at this short-circuit current: {loosest.break_even}."
    loosened = [row for row in growth.rows if row.declared == "fail" and row.grown == "pass"]
    if loosened:
        few = ", ".join(f"{row.title} {row.channel} ({row.limit} becomes {row.limit_grown})" for row in loosened[:3])
        yield f"Failing under IL as declared and passing under the grown one: {few}."


def _counts(verdicts: Iterator[str] | Sequence[str]) -> str:
    counts: dict[str, int] = {}
    for verdict in verdicts:
        counts[verdict] = counts.get(verdict, 0) + 1
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items())) or "nothing judged"
