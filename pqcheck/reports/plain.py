"""Words for people who are no engineers: quantities, places, times, numbers, how long "95 %" is, and reasons."""

from __future__ import annotations

from datetime import datetime

from pqcheck.model.findings import Finding, Limit
from pqcheck.model.findings_words import band_text, number

QUANTITIES: dict[str, str] = {
    "voltage": "the voltage",
    "current": "the current",
    "frequency": "the frequency",
    "voltage_thd": "the distortion of the voltage",
    "voltage_harmonic": "a single component of the voltage distortion",
    "current_thd": "the distortion of the current",
    "current_tdd": "the distortion of the current that the site draws",
    "current_trd": "the distortion of the current",
    "current_harmonic": "a single component of the current distortion",
    "interharmonic_voltage": "a component of the voltage between the harmonics",
    "signalling_voltage": "the control signals on the supply",
    "negative_sequence_unbalance": "the difference between the three phases",
    "voltage_deviation_unbalance": "the difference between the three phases",
    "zero_sequence_unbalance": "the difference between the three phases",
    "flicker_pst": "flicker (how much lamps would seem to flicker)",
    "flicker_plt": "flicker (how much lamps would seem to flicker)",
    "active_power": "the power",
    "apparent_power": "the power",
    "reactive_power": "the reactive power",
}

PLACES: dict[str, str] = {
    "service": "where the supply enters the site",
    "utilization": "where the equipment is connected",
    "equipment": "at the terminals of the equipment",
}

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip
_SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def quantity_words(quantity: str | None) -> str:
    """The quantity as people say it."""
    return QUANTITIES.get(quantity or "", (quantity or "the supply").replace("_", " "))


def subject_words(finding: Finding) -> str:
    """What a finding is about, as people say it."""
    return "dips, swells or interruptions" if finding.channel == "events" else quantity_words(finding.quantity)


def capital(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def date_words(moment: datetime, *, year: bool = False, weekday: bool = True) -> str:
    """``Tuesday 4 March``, with the year on request."""
    day = f"{moment.day} {MONTHS[moment.month - 1]}"
    return (f"{DAYS[moment.weekday()]} " if weekday else "") + day + (f" {moment.year}" if year else "")


def span_words(start: str, end: str) -> str:
    """Two ISO stamps as clock time; the date is said once when it is the same."""
    first, last = datetime.fromisoformat(start), datetime.fromisoformat(end)
    if first.date() == last.date():
        return f"{date_words(first)}, {_clock(first)} to {_clock(last)}"
    return f"{date_words(first)} {_clock(first)} to {date_words(last)} {_clock(last)}"


def _clock(moment: datetime) -> str:
    return f"{moment:%H:%M:%S}" if moment.second else f"{moment:%H:%M}"


def count_words(count: int) -> str:
    """Small numbers as words."""
    return _SMALL[count] if 0 <= count < len(_SMALL) else str(count)


def listed(items: list[str]) -> str:
    """``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def time_words(seconds: float) -> str:
    """A length of time as people say it: ``about eight hours``, ``20 minutes``."""
    if seconds < 90:
        return f"{round(seconds)} seconds" if round(seconds) != 1 else "one second"
    minutes = seconds / 60
    if 13 <= minutes <= 16:
        return "about a quarter of an hour"
    if minutes < 50:
        return f"about {count_words(round(minutes))} minutes"
    hours = minutes / 60
    halves = round(hours * 2)
    if halves == 2:
        return "about an hour"
    if halves == 3:
        return "about an hour and a half"
    if hours < 6:
        whole = count_words(halves // 2)
        return f"about {whole} and a half hours" if halves % 2 else f"about {whole} hours"
    if hours < 72 or (hours < 120 and round(hours) % 24):
        return f"about {count_words(round(hours))} hours"
    return f"about {count_words(round(hours / 24))} days"


def allowance(finding: Finding) -> str:
    """How much of the time a rule asks for, without a percentage: ``all but about eight hours of the week``."""
    statistic, period = finding.statistic, finding.period
    if finding.snapshot is not None:
        return f"at the operating point {finding.snapshot.operating_point or 'given'}"
    if statistic is None or statistic.percent is None or period is None:
        return "most of the time"
    if statistic.percent >= 100:
        return "at all times"
    length = datetime.fromisoformat(period.end) - datetime.fromisoformat(period.start)
    free = (100 - statistic.percent) / 100 * length.total_seconds()
    of = {"week": "of the week", "day": "of each day", "year": "of the year"}.get(period.length, "of the recording")
    return f"for all but {time_words(free)} {of}"


def reading(value: float, limit: Limit | None, unit: str) -> str:
    """A reading with as few digits as show truly on which side of its limits it lies."""
    edges = [edge for edge in (limit.low, limit.high) if edge is not None] if limit is not None else []
    for digits in range(3, 8):
        text = f"{value:.{digits}g}"
        if all((float(text) > edge) == (value > edge) and (float(text) < edge) == (value < edge) for edge in edges):
            break
    return number(float(text), unit)


def range_words(limit: Limit) -> str:
    """The allowed range."""
    return band_text(limit, "up to")


_PLAIN: dict[str, tuple[str, str]] = {
    "too-short": ("the recording is shorter than the rule asks for", "Record for the full time the rule asks for."),
    "gap": ("part of the time is missing from the recording", "Record again without gaps."),
    "interruption": (
        "the supply was off for part of the time",
        "Confirm from the outage log when and why the supply was off, and have those times declared.",
    ),
    "wrong-interval": (
        "the recorder took its values in steps too long for this rule",
        "Record again in the shorter steps that the rule asks for.",
    ),
    "not-recorded": ("not recorded", "Record it as well, or agree that it is not part of the question."),
    "phase-missing": ("one of the phases was not recorded", "Connect and record every phase."),
    "orders-missing": ("some components were not recorded", "Set the recorder to record every component."),
    "neutral-not-seen": ("the voltage to neutral was not recorded", "Record the voltage to neutral."),
    "no-criterion": (
        "values lie outside the preferred range, and the document does not say for how long that may be",
        "Ask which rule on time the supplier or the authority applies, and whose rule it is.",
    ),
    "pcc-not-declared": (
        "it was not stated whether this is the point where the site meets the public network",
        "Have the network operator confirm the point and its figures.",
    ),
    "demand-not-declared": (
        "a figure of the connection was not stated",
        "Ask the network operator for the short-circuit current, and take the highest demand from the bills.",
    ),
    "fact-not-declared": ("a fact about the site was not stated", "State it, with where it comes from."),
    "indicative": ("it rests on a stand-in for a figure that was not measured", "Measure or confirm that figure."),
    "base-unknown": ("the figure it is a share of was not recorded", "Record that figure too."),
    "no-readings": ("the recorder gave no values", "Check the connection and record again."),
    "no-readings-left": ("nothing is left once the declared times are taken out", "Record at another time."),
    "mostly-excluded": ("most of the time was taken out by declaration", "Record when it need not be taken out."),
    "bounds-only": (
        "part of the values only say that they are above or below some number",
        "Record again with a range that fits.",
    ),
    "upper-bound": (
        "the recorder counts more components than the rule does",
        "Set the recorder as the rule asks, or record every component.",
    ),
    "lower-bound": ("only part of it was recorded", "Record the rest."),
    "nominal-doubtful": (
        "the recorded voltage does not fit the stated supply voltage",
        "Confirm which supply voltage the site has.",
    ),
    "reversed-current": ("a current sensor seems to point the wrong way", "Check the sensor and record again."),
    "swapped-currents": ("two current sensors seem to be exchanged", "Check the sensors and record again."),
    "lost-lead": ("a measuring lead seems to have come off", "Check the leads and record again."),
    "clipped": ("the recorder reached the end of its range", "Record again with a larger range."),
    "stuck": ("the recorder repeated one value", "Check the recorder and record again."),
    "beyond-connection": (
        "a phase was recorded that the stated connection does not have",
        "Confirm how the site is connected.",
    ),
    "events-incomplete": (
        "the recorder's values show more dips or swells than its list of events",
        "Export the whole list of events.",
    ),
    "events-empty": ("the list of events is empty", "Confirm over which time events were recorded."),
    "event-without-depth": ("how deep an event was is not in the list", "Export the events with their depth."),
    "table-not-judged": (
        "one of the sets of limits asked for does not apply here", "Confirm which limits apply at this place."
    ),
    "copied": ("part of the recording repeats another part", "Take the original file from the recorder."),
}


def plain_reason(finding: Finding) -> tuple[str, str]:
    """(why, what would settle it), each without technical terms where we have the words."""
    reason = finding.reason
    if reason is None:
        return "the recording does not decide it", "Record again."
    if reason.code in _PLAIN:
        return _PLAIN[reason.code]
    if finding.verdict.value == "refused":
        return "the recording cannot be trusted for it", reason.advice
    return "the recording does not decide it", reason.advice
