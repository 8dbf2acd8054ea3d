"""Why something could not be judged, and what would settle it, for people who are no engineers."""

from __future__ import annotations

from pqcheck.findings import Finding

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
