"""Readings of another instrument, written down with their time, against the recording."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.model.clock import iso
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import Block, Channel, Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import ITSELF, POWERS, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import ratio
from pqcheck.vet.outcome import Outcome, Proposal, Subject
from pqcheck.vet.time_base import canonical_factor

WITHIN_PERCENT = Threshold(
    {"voltage": 2.0, "frequency": 0.5, "other": 10.0, "current": 5.0, "active_power": 7.0, "apparent_power": 7.0},
    "%", PRACTICE,
    "Two instruments agree within this, by quantity; a value between the interval's neighbours agrees too.",
)
REFUSE_PERCENT = Threshold(15, "%", PRACTICE,
                           "Difference from which the channel is refused even without a known factor.")
FACTOR_WITHIN = Threshold(0.06, "1", PRACTICE,
                          "Relative distance within which the difference counts as a known factor.")

CHECK = Check(
    name="handheld",
    question="Does another instrument agree?",
    looks_at="Spot checks of the site file.",
    how="The recorded interval that holds the moment, its neighbours and extremes, against the reading; factors are "
        "named. The difference is printed in every report.",
    example="current.a: 412 A by clamp meter, recorded 206 A: one of two parallel conductors is not clamped.",
    codes={
        "handheld-differs": "The instruments differ",
        "handheld-mismatch": "The instruments contradict each other",
        "handheld-unseen": "Nothing recorded at that time",
    },
    refuses={
        "handheld-mismatch": (
            Refusal(ITSELF, "same", "The other instrument contradicts the channel."),
            Refusal(("current_tdd", "current_trd", "current_harmonic"), "same",
                    "Amperes carry the same ratio.", only_if="current"),
            Refusal(POWERS, "power", "Power needs the current.", only_if="current"),
            Refusal(POWERS, "total", "The totals contain the phase.", only_if="current"),
            Refusal(("voltage_thd", "voltage_harmonic", "interharmonic_voltage", "signalling_voltage"), "same",
                    "They rest on the voltage.", only_if="voltage"),
        ),
    },
    thresholds=thresholds(globals()),
)


class Spot(Struct):
    """One reading of another instrument [canonical unit], and what was recorded then: value, and its neighbours."""

    at_us: int
    channel: str
    value: float
    unit: str
    who: str
    stream: int
    carrier: Channel
    recorded: float | None = None
    low: float | None = None
    high: float | None = None


class SpotWatch:
    """Picks the recorded value of every spot check, and its neighbours, out of the blocks as they pass."""

    def __init__(self, recording: Recording, site: Site) -> None:
        self.spots: list[Spot] = []
        # Asked of the document: a run without the corrections must not refuse what they made fit.
        declared = {str(correction.get("kind")) for correction in site.declared.get("corrections", ())}
        moved = bool({"trim", "shift-time"} & (declared | {correction.kind for correction in site.corrections}))
        for check in site.spot_checks:
            self.spots.append(_placed(check, recording, moved))

    def feed(self, number: int, block: Block) -> None:
        """Look whether a spot lies in this block."""
        axis = block.axis
        for spot in self.spots:
            if spot.stream != number or not axis.start_us <= spot.at_us < axis.end_us:
                continue
            slot = (spot.at_us - axis.start_us) // axis.interval_us
            scale = canonical_factor(spot.carrier.quantity, spot.carrier.unit)
            values = block.values.get(spot.carrier)
            if values is None:
                continue
            recorded = float(values[slot]) * scale
            if recorded == recorded:
                spot.recorded = recorded
            near = [float(value) * scale for value in values[max(0, slot - 1) : slot + 2].tolist() if value == value]
            for reading in ("min", "max"):
                other = block.values.get(Channel(*spot.carrier.key[:4], reading, spot.carrier.unit))
                if other is not None and float(other[slot]) == float(other[slot]):
                    near.append(float(other[slot]) * scale)
            if near:
                spot.low, spot.high = min(near), max(near)


def _placed(check: Any, recording: Recording, moved: bool) -> Spot:
    name, at_us = str(check["channel"]), int(check["at_us"])
    who = str(check.get("instrument") or "another instrument")
    candidates = [
        (number, channel, stream) for number, stream in enumerate(recording.streams) for channel in stream.channels
        if channel.reading == "mean" and channel.base_name == name.removesuffix(".mean")
    ]
    when = iso(at_us, recording.zone)
    if not candidates:
        raise SiteError(f"the spot check of {name} at {when} names a channel that was not recorded; correct "
                        "[[spot_checks]]")
    for number, channel, stream in candidates:
        if stream.axis.start_us <= at_us < stream.axis.end_us:
            return Spot(at_us, name, float(check["value"]), str(check["unit"]), who, number, channel)
    if moved:
        # Read while the recorder ran, in a part that a trim cut off or a shift moved away.
        number, channel, _ = candidates[0]
        return Spot(at_us, name, float(check["value"]), str(check["unit"]), who, number, channel)
    spans = "; ".join(f"{iso(stream.axis.start_us, recording.zone)} to {iso(stream.axis.end_us, recording.zone)}"
                      for _, _, stream in candidates)
    raise SiteError(f"the spot check of {name} at {when} lies outside the recording ({spans}); correct its time in "
                    "[[spot_checks]]")


def examine(watch: SpotWatch, zone: str) -> Iterator[Outcome]:
    """One outcome per spot check; its difference is printed in every report."""
    if not watch.spots:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "-", code="no-input",
                      text="No handheld readings are declared.",
                      advice="Read voltage, current and power of every phase with another instrument at the start "
                             "and at the end, and write them under [[spot_checks]].")
    for spot in watch.spots:
        yield _compare(spot, zone)


def tolerance(quantity: str) -> float:
    """Percent within which the two instruments should agree."""
    return WITHIN_PERCENT.value.get(quantity, WITHIN_PERCENT.value["other"])


def _compare(spot: Spot, zone: str) -> Outcome:
    when = iso(spot.at_us, zone)
    name, channel = f"{spot.carrier.base_name}.mean", spot.carrier
    period = f"handheld at {when}"
    subject = Outcome(CHECK, Verdict.PASS, name, channel.quantity, channel.phase, channel.order,
                      more={"at_us": float(spot.at_us)}, stream=spot.stream)
    if spot.recorded is None:
        line = f"{spot.channel}, {period}: {spot.value:g} {spot.unit} ({spot.who}); nothing was recorded at that time."
        return _with(subject, Verdict.INCONCLUSIVE, "handheld-unseen", line,
                     "Take the reading while the recorder runs.", line)
    gap = spot.recorded - spot.value
    percent = 100 * gap / spot.value if spot.value else float("inf") if gap else 0.0
    line = f"{spot.channel}, {period}: {spot.value:g} {spot.unit} ({spot.who}), recorded {spot.recorded:.5g} " \
           f"{spot.unit}, difference {percent:+.2f} %."
    within = tolerance(channel.quantity)
    low = spot.recorded if spot.low is None else spot.low
    high = spot.recorded if spot.high is None else spot.high
    slack = within / 100 * abs(spot.value)
    # The handheld saw a moment, the recorder a mean: what lies between the interval's neighbours agrees.
    if abs(percent) <= within or low - slack <= spot.value <= high + slack:
        return _with(subject, Verdict.PASS, "", "", "", line, value=percent)
    times = spot.recorded / spot.value if spot.value else 0.0
    factor = ratio.nearest_factor(abs(times), FACTOR_WITHIN.value) if times else None
    if factor is None and abs(percent) <= REFUSE_PERCENT.value:
        return _with(subject, Verdict.INCONCLUSIVE, "handheld-differs",
                     f"{line} The two should agree within {within:g} %.",
                     "Repeat the handheld reading on a steady load.", line, value=percent)
    why = f" That is a factor of {factor[1]}" if factor else ""
    if factor and channel.quantity == "current" and abs(times - 0.5) < 0.03:
        why += ": one of two parallel conductors is not clamped, or a ratio is wrong"
    elif times < 0 and channel.quantity.endswith("power"):
        why += " The sign differs: a clamp is reversed"
    phases = (channel.phase,) if channel.phase else ()
    fix: tuple[Proposal, ...] = ()
    if factor and times > 0:
        settings: dict[str, Any] = {"quantity": channel.quantity, "factor": round(1 / factor[0], 6)}
        if channel.phase:
            settings["phases"] = (channel.phase,)
        fix = (Proposal("scale", settings, line),)
    return _with(
        subject, Verdict.REFUSED, "handheld-mismatch", f"{line}{why}." if why else line,
        "Check clamp, range, ratio and parallel conductors on site; declare a scale correction only with that proof.",
        line, value=percent, subjects=(Subject(channel.quantity, phases),), proposals=fix,
    )


def _with(
    outcome: Outcome, verdict: Verdict, code: str, text: str, advice: str, remark: str, value: float | None = None,
    subjects: Sequence[Subject] = (), proposals: Sequence[Proposal] = (),
) -> Outcome:
    """The outcome with its line for every report."""
    return replace(outcome, verdict=verdict, code=code, text=text, advice=advice, remark=f"Handheld: {remark}",
                   value=value, unit="%", subjects=tuple(subjects), proposals=tuple(proposals),
                   likelihood="shown" if verdict is Verdict.REFUSED else "")
