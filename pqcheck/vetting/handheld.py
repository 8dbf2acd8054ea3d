"""Readings of another instrument, written down with their time, against the recording."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.clock import iso
from pqcheck.errors import SiteError
from pqcheck.findings import Verdict
from pqcheck.recording import Block, Channel, Recording
from pqcheck.site.model import Site
from pqcheck.vetting.grid import canonical_factor
from pqcheck.vetting.outcome import Outcome, Proposal, Subject
from pqcheck.vetting.scaling import nearest_factor
from pqcheck.vetting.thresholds import table, threshold


class _Spot(Struct):
    at_us: int
    channel: str
    value: float
    unit: str
    who: str
    stream: int
    found: Channel
    recorded: float | None = None
    low: float | None = None
    high: float | None = None


class HandheldWatch:
    """Picks the recorded value of every spot check, and its neighbours, out of the blocks as they pass."""

    def __init__(self, recording: Recording, site: Site) -> None:
        self.spots: list[_Spot] = []
        # Asked of the document: a run without the corrections must not refuse what they made fit.
        declared = {str(one.get("kind")) for one in site.declared.get("corrections", ())}
        moved = bool({"trim", "shift-time"} & (declared | {one.kind for one in site.corrections}))
        for check in site.spot_checks:
            self.spots.append(_placed(check, recording, moved))

    def take(self, number: int, block: Block) -> None:
        """Look whether a spot lies in this block."""
        axis = block.axis
        for spot in self.spots:
            if spot.stream != number or not axis.start_us <= spot.at_us < axis.end_us:
                continue
            slot = (spot.at_us - axis.start_us) // axis.interval_us
            scale = canonical_factor(spot.found.quantity, spot.found.unit)
            values = block.values.get(spot.found)
            if values is None:
                continue
            recorded = float(values[slot]) * scale
            if recorded == recorded:
                spot.recorded = recorded
            near = [float(value) * scale for value in values[max(0, slot - 1) : slot + 2].tolist() if value == value]
            for reading in ("min", "max"):
                other = block.values.get(Channel(*spot.found.key[:4], reading, spot.found.unit))
                if other is not None and float(other[slot]) == float(other[slot]):
                    near.append(float(other[slot]) * scale)
            if near:
                spot.low, spot.high = min(near), max(near)


def _placed(check: Any, recording: Recording, moved: bool) -> _Spot:
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
            return _Spot(at_us, name, float(check["value"]), str(check["unit"]), who, number, channel)
    if moved:
        # Read while the recorder ran, in a part that a trim cut off or a shift moved away.
        number, channel, _ = candidates[0]
        return _Spot(at_us, name, float(check["value"]), str(check["unit"]), who, number, channel)
    spans = "; ".join(f"{iso(stream.axis.start_us, recording.zone)} to {iso(stream.axis.end_us, recording.zone)}"
                      for _, _, stream in candidates)
    raise SiteError(f"the spot check of {name} at {when} lies outside the recording ({spans}); correct its time in "
                    "[[spot_checks]]")


def handheld_outcomes(watch: HandheldWatch, zone: str) -> Iterator[Outcome]:
    """One outcome per spot check; its difference is printed in every report."""
    if not watch.spots:
        yield Outcome("handheld", Verdict.NOT_APPLICABLE, "-", code="no-input",
                      text="No handheld readings are declared.",
                      advice="Read voltage, current and power of every phase with another instrument at the start "
                             "and at the end, and write them under [[spot_checks]].")
    for spot in watch.spots:
        yield _compare(spot, zone)


def tolerance(quantity: str) -> float:
    """Percent within which the two instruments should agree."""
    known: dict[str, float] = table()["handheld"]["within_percent"]["value"]
    return float(known.get(quantity, known["other"]))


def _compare(spot: _Spot, zone: str) -> Outcome:
    when = iso(spot.at_us, zone)
    name, channel = f"{spot.found.base_name}.mean", spot.found
    period = f"handheld at {when}"
    subject = Outcome("handheld", Verdict.PASS, name, channel.quantity, channel.phase, channel.order,
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
    ratio = spot.recorded / spot.value if spot.value else 0.0
    factor = nearest_factor(abs(ratio), threshold("handheld", "factor_within")) if ratio else None
    if factor is None and abs(percent) <= threshold("handheld", "refuse_percent"):
        return _with(subject, Verdict.INCONCLUSIVE, "handheld-differs",
                     f"{line} The two should agree within {within:g} %.",
                     "Repeat the handheld reading on a steady load.", line, value=percent)
    why = f" That is a factor of {factor[1]}" if factor else ""
    if factor and channel.quantity == "current" and abs(ratio - 0.5) < 0.03:
        why += ": one of two parallel conductors is not clamped, or a ratio is wrong"
    elif ratio < 0 and channel.quantity.endswith("power"):
        why += " The sign differs: a clamp is reversed"
    phases = (channel.phase,) if channel.phase else ()
    fix: tuple[Proposal, ...] = ()
    if factor and ratio > 0:
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

    return replace(outcome, verdict=verdict, code=code, text=text, advice=advice, remark=f"Handheld: {remark}",
                   value=value, unit="%", subjects=tuple(subjects), proposals=tuple(proposals),
                   likelihood="shown" if verdict is Verdict.REFUSED else "")
