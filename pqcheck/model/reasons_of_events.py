"""The part of the catalogue of reason codes that is about events: title, sentence template, advice by code."""

OF_EVENTS: dict[str, tuple[str, str, str]] = {
    "events-incomplete": (
        "The trend shows more than the list of events",
        "The trend shows {shown} without an event beside it, so the list is not complete; of the events listed "
        "{placed} keep to the limit.",
        "Export all events of that time, with the thresholds of the recorder set to 90 and 110 % of nominal.",
    ),
    "events-listed": (
        "Met by the events listed",
        "Met by the {placed} listed; over which time all events were recorded is not declared.",
        "Declare [events] from, to and complete = true if the recorder listed every event of that time.",
    ),
    "events-gap": (
        "The trend has holes in the time declared",
        "Met by the {placed} listed; the trend has no voltage {shown}, and that events were recorded then is not "
        "shown.",
        "Declare [events] from and to without that time, or show that the recorder ran.",
    ),
    "events-beyond": (
        "Events that the curve does not reach",
        "{beyond}.",
        "Judge these by a rule about interruptions; the curve says nothing of them.",
    ),
    "events-empty": (
        "The event table is empty",
        "The event table is empty, and over which time events were monitored is not declared.",
        "Declare [events] from, to and complete = true if no event happened in that time.",
    ),
    "event-without-depth": (
        "An event has no residual voltage",
        "{missing} of the events have a duration and no residual voltage, so they cannot be placed; {others}.",
        "Export the events with their residual voltage.",
    ),
    "event-without-duration": (
        "An event has a duration of zero",
        "{missing} of the events have a duration of zero, which no event has; rounded as the table is, they may have "
        "been longer than is allowed; {others}.",
        "Export the durations with more decimals.",
    ),
    "events-unseen": (
        "The trend does not show the event",
        "The trend shows normal voltage at the time of events outside the limit: {shown}. The recorder lists them all "
        "the same, so that the verdict stands.",
        "Compare the clocks of trend and event list, and whether both come from this place.",
    ),
}
