"""Wording that the terminal and the page of a load study share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.loads.declared import NewLoad
from pqcheck.loads.schedule import Schedule
from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import Capacity, CriterionRow, Demand, Maximum, Motor, Room
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
    return sorted({one.interval_s for one in demand.maxima})


def maximum_text(one: Maximum | None) -> str:
    """The largest demand, or the bounds that the recorded interval leaves."""
    if one is None:
        return "-"
    peak = one.largest
    if peak is not None:
        return scaled(peak.value, one.unit)
    if one.bounds is None:
        return "-"
    return f"{scaled(one.bounds[0], one.unit)} to {scaled(one.bounds[1], one.unit)}"


Table = tuple[list[str], list[list[str]]]
"""Headings and rows."""


def demand_table(study: LoadStudy, *, with_new_load: bool = False) -> Table:
    """One row for each quantity and phase: the largest demand over every interval, and when."""
    steps = intervals_of(study.demand)
    rows = _demand_rows(study.demand, steps, study.zone)
    if with_new_load and study.demand_then is not None:
        then = _demand_rows(study.demand_then, intervals_of(study.demand_then), study.zone)
        rows += [[f"{row[0]}, with the new load", *row[1:]] for row in then]
    return ["largest demand", *(f"{one / 60:g} min" for one in steps), "when"], rows


def _demand_rows(demand: Demand, steps: Sequence[float], zone: str) -> list[list[str]]:
    rows = []
    keys = dict.fromkeys((one.quantity, one.phase) for one in demand.maxima if one.quantity != "reactive_power")
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
    for one in study.demand.maxima:
        if one.interval_s == study.demand.interval_s and one.block and one.sliding and one.quantity != "reactive_power":
            parts.append(f"{NAMES[one.quantity]} {one.phase or ''}".strip() + f" {scaled(one.block.value, one.unit)}")
    if not parts:
        return ""
    return f"In blocks of {study.demand.interval_s / 60:g} minutes on the clock: {', '.join(parts)}."


def determination(study: LoadStudy) -> list[Finding]:
    """Findings of load rules: those of kind limit that carry the determination's title."""
    return [
        one for one in study.findings.findings
        if one.kind == "limit" and one.rule.startswith("existing-load") and one.verdict is not Verdict.NOT_APPLICABLE
    ]  # fmt: skip


def load_words(load: NewLoad, study: LoadStudy) -> str:
    """A new load in one sentence."""
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
        days = "every day" if len(load.runs.weekdays) == 7 else ", ".join(DAYS[one][:3] for one in load.runs.weekdays)
        return f"running {spans}, {days}"
    return "running by its profile"


def _time(minute: int) -> str:
    minute = minute if minute <= 1440 else minute - 1440
    return f"{minute // 60:02d}:{minute % 60:02d}"


def capacity_table(study: LoadStudy) -> Table:
    """One row for each rating and phase."""
    new = ["with new", "tightest", "all at once"] if study.loads else []
    return ["rating", "limit", "now", "tightest", *new, "spare"], [_capacity_row(one, study) for one in study.capacity]


def rating_title(one: Capacity) -> str:
    """The rating, and its phase where it is one of several."""
    return one.title + (f", phase {one.phase}" if one.phase not in (None, "n") else "")


def _capacity_row(one: Capacity, study: LoadStudy) -> list[str]:
    row = [
        rating_title(one),
        scaled(one.limit, one.unit), scaled(one.now, one.unit), _when(one.now_at_us, study.zone),
    ]  # fmt: skip
    value = one.now
    if study.loads:
        value = one.now if one.then is None else one.then
        row += [
            "-" if one.then is None else scaled(one.then, one.unit),
            "-" if one.then_at_us is None else _when(one.then_at_us, study.zone),
            "-" if one.then_bounds is None else scaled(one.then_bounds[1], one.unit),
        ]
    spare = scaled(one.limit - value, one.unit)
    if one.spare_va is not None:
        spare += f" ({one.spare_va / 1000:.4g} kVA)"
    row.append(spare + (f"; {one.note}" if one.note else ""))
    return row


def _when(instant_us: int, zone: str) -> str:
    return at(instant_us, zone) if instant_us else "-"


def worst_rows(rows: Sequence[CriterionRow]) -> list[CriterionRow]:
    """The tightest row of each rule and order: one of several phases and periods."""
    found: dict[tuple[str, ...], CriterionRow] = {}
    for one in rows:
        parts = one.channel.split(".")
        order = parts[-1] if len(parts) > 1 and parts[-1].startswith("h") else ""
        found.setdefault((one.table, one.rule, parts[0], order), one)
    return list(found.values())


def prediction_cells(one: CriterionRow) -> list[str]:
    """A criterion measured and predicted: names, readings and the limit."""
    readings = (one.measured, one.predicted, one.arithmetic, one.no_diversity)
    return [f"{one.table} {one.rule}", one.channel, *(amount(value, one.unit) for value in readings), one.limit]


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


def room_sentence(one: Room) -> str:
    """How much of the addition a criterion bears, in one sentence."""
    size = f"{one.apparent_va / 1000:.4g} kVA, {100 * one.share:.4g} % of what is declared"
    if one.key == "supply":
        return f"{one.title}: {size} can be delivered, and not much more (voltage collapse)."
    if one.at_least:
        return f"{one.title}: still holds at {size}, the largest tried."
    about = "about " if one.about else ""
    why = " (beyond it the voltage collapses)" if one.physics else ""
    text = f"{one.title} ({one.channel}): holds up to {about}{size}{why}."
    return f"{text} For the whole addition: {one.help}." if one.help else text


def change_words(study: LoadStudy) -> str:
    """The prediction in one sentence."""
    failing = [one for one in study.rows if one.predicted_verdict == "fail" and one.measured_verdict != "fail"]
    ratings = [one for one in study.capacity if one.then is not None and one.then > one.limit >= one.now]
    total = sum(one.rms_va for one in study.loads)
    text = f"With the new load ({total / 1000:.4g} kVA): "
    if not failing and not ratings:
        text += "no criterion that holds now is predicted to fail"
    else:
        named = [f"{one.table} {one.rule} ({one.channel})" for one in failing[:2]] + [one.title for one in ratings[:2]]
        among = ", ".join(dict.fromkeys(named))
        text += f"{len(failing) + len(ratings)} more criteria are predicted to fail, among them {among}"
    first = next((one for one in study.rooms if not one.at_least and one.key != "supply"), None)
    if first is not None:
        text += f"; the first to fail is {first.title}, at {first.apparent_va / 1000:.4g} kVA"
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
        f"With the new load, under IL as declared: {_counts(one.declared for one in growth.rows)}; under the grown IL: "
        f"{_counts(one.grown for one in growth.rows)}."
    )
    if growth.alone:
        few = "; ".join(growth.alone[:3]) + (f" and {len(growth.alone) - 3} more" if len(growth.alone) > 3 else "")
        yield (
            "By the larger IL alone, without one harmonic ampere less, these measured failures would become "
            f"passes: {few}. "
            "A larger IL loosens the percentages; utilities object to that."
        )
    failing = [one for one in growth.rows if one.declared == "fail" and one.break_even]
    # The total first, then orders: one line for each rule.
    ordered = sorted(failing, key=lambda one: (not one.channel.startswith("current_tdd"), one.title, one.channel))
    for one in list({one.title: one for one in reversed(ordered)}.values())[::-1][:3]:
        yield f"{one.title}, {one.channel} with the new load, at this short-circuit current: {one.break_even}."
    loosened = [one for one in growth.rows if one.declared == "fail" and one.grown == "pass"]
    if loosened:
        few = ", ".join(f"{one.title} {one.channel} ({one.limit} becomes {one.limit_grown})" for one in loosened[:3])
        yield f"Failing under IL as declared and passing under the grown one: {few}."


def _counts(verdicts: Iterator[str] | Sequence[str]) -> str:
    found: dict[str, int] = {}
    for one in verdicts:
        found[one] = found.get(one, 0) + 1
    return ", ".join(f"{count} {name}" for name, count in sorted(found.items())) or "nothing judged"
