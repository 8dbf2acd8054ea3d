"""The catalogue of reason codes: title, sentence template, advice. One place; a test renders every template.

The sentence carries the numbers; the advice is what would settle the question. Fields in braces are filled by judging.
"""

from __future__ import annotations

from msgspec import Struct

from pqcheck.model.reasons_of_events import OF_EVENTS


class ReasonCode(Struct, frozen=True):
    """One reason: what it is called, what is said, what to do."""

    title: str
    text: str
    advice: str


CATALOGUE: dict[str, ReasonCode] = {
    "too-short": ReasonCode(
        "Recording shorter than the period",
        "{seen} of {expected} intervals were recorded; of the {valid} with a value {outside}; {would}.",
        "Record at least one full {period}.",
    ),
    "gap": ReasonCode(
        "Intervals are missing",
        "{missing} of {expected} intervals are missing; of the {valid} others {outside}; {would}.",
        "Record the {period} again without gaps, or declare [coverage] with the policy it comes from.",
    ),
    "bounds-only": ReasonCode(
        "Readings are bounds that settle nothing",
        "{bounded} of {expected} intervals hold a bound (such as >300 or <0.5) that does not show on which side of the "
        "limit they lie; {missing} have no value that counts; of the {valid} others {outside}; {would}.",
        "Record again with a range, and a resolution, that fit the quantity.",
    ),
    "interruption": ReasonCode(
        "The supply was interrupted",
        "{missing} of {expected} intervals have no value, {interrupted} of them because the supply was interrupted; "
        "of the {valid} others {outside}; {would}.",
        "If the interruption is documented, declare its whole span, and the hole behind it, under [[exclusions]] with "
        "reason and author; for other gaps record the {period} again.",
    ),
    "wrong-interval": ReasonCode(
        "Recorded at an interval that cannot answer",
        "The rule judges values over {needed}; {recorded} were recorded and cannot be turned into them exactly{seen}.",
        "Record at {needed} or an interval that divides it, or record minimum and maximum columns and declare "
        "[recording] extremes_of.",
    ),
    "not-recorded": ReasonCode(
        "The quantity was not recorded",
        "No column holds {quantity}{detail}.",
        "Record {quantity}, or narrow the question with quantities.",
    ),
    "phase-missing": ReasonCode(
        "A phase was not recorded",
        "{quantity} of phase {name} was not recorded, while other phases were.",
        "Record all phases of the connection, or correct [supply] connection.",
    ),
    "beyond-connection": ReasonCode(
        "A phase beyond the connection would fail",
        "Phase {phase} was recorded, which a {connection} service does not have; judged as one of its phases it fails.",
        "Correct [supply] connection, or take the channel out of the recording if it belongs to something else.",
    ),
    "orders-missing": ReasonCode(
        "Harmonic orders were not recorded",
        "Orders {orders} of {quantity}{where} were not recorded.",
        "Record all orders that the rule limits.",
    ),
    "neutral-not-seen": ReasonCode(
        "Voltage to neutral was not recorded",
        "Only line-to-line voltages were recorded; a displaced neutral does not show between lines, so phase {name} "
        "to neutral cannot be judged.",
        "Record line-to-neutral voltages.",
    ),
    "no-criterion": ReasonCode(
        "The document sets no time criterion",
        "{outside} of {valid} intervals lie outside {range}; the document gives no share of time, so this alone is "
        "neither a pass nor a fail.",
        "Declare the time criterion that applies, and whose policy it is, under [[criteria]].",
    ),
    "no-limit": ReasonCode(
        "Reported, not judged",
        "{why}.",
        "Choose a rule that sets a limit.",
    ),
    "pcc-not-declared": ReasonCode(
        "Point of common coupling not declared",
        "The rule judges the point of common coupling, and {missing}.",
        "Declare [pcc] is_pcc, short_circuit_current, maximum_demand_current and demand_basis (`pqcheck site` writes "
        "these questions down).",
    ),
    "demand-not-declared": ReasonCode(
        "Demand or short-circuit current not declared",
        "The limit depends on {missing}, which the site file does not declare.",
        "Declare [pcc] maximum_demand_current with demand_basis, and short_circuit_current (`pqcheck site` writes "
        "these questions down).",
    ),
    "fact-not-declared": ReasonCode(
        "A site fact is missing",
        "The rule depends on a fact that is not declared: {missing}.",
        "Declare it in the site file.",
    ),
    "outside-scope": ReasonCode("The rule does not govern this place", "{why}.", "Choose another rule."),
    "table-not-judged": ReasonCode(
        "No rule of a table was judged",
        "No rule of {table} was judged: {why}",
        "Leave the table out, choose another, or write limits.may_not_apply = [\"{table}\"] in the site file.",
    ),
    "period-longer-than-recording": ReasonCode(
        "The period is longer than the recording",
        "The rule judges a {period}; {seen} of its {expected} intervals were recorded: {share} of these lie inside, "
        "{outside} outside.",
        "Record for the whole {period} to judge this rule.",
    ),
    "proven-by-bound": ReasonCode(
        "Shown by minimum and maximum columns",
        "{text}.",
        "Nothing: the bounds decide.",
    ),
    "lower-bound": ReasonCode(
        "Shown by a lower bound",
        "{text}; the true value is not smaller, so the fail stands.",
        "Record the missing parts for the full value.",
    ),
    "flags-not-recorded": ReasonCode(
        "Which intervals are flagged was not recorded",
        "The rule drops intervals that a dip, a swell or an interruption fell into; neither a flag column nor an event "
        "table shows which, so all were counted and the fail is not proven.",
        "Record the flags, or give the event table with the recording.",
    ),
    "upper-bound": ReasonCode(
        "Known as an upper bound",
        "The recorder sums to order {summed}, the rule to order {asked}, so the true values are not larger than the "
        "{valid} recorded ones, of which {outside}.",
        "Record the harmonic orders, or set the recorder to the order of the rule.",
    ),
    "fundamental-not-recorded": ReasonCode(
        "The fundamental was not recorded",
        "The orders are in percent of a fundamental that was not recorded; it is at most I / sqrt(1 + sum of p^2) of "
        "the recorded ones, so the true values are not larger than the {valid} formed here, of which {outside}.",
        "Record the fundamental (h1), the THD, or the orders in amperes.",
    ),
    "indicative": ReasonCode(
        "Rests on a proxy",
        "{valid} intervals were judged, of which {outside}: {would}; but {because}.",
        "{advice}",
    ),
    "sources-disagree": ReasonCode(
        "Two sources of one quantity disagree",
        "{text}.",
        "Find out which of the two is right (unit, base, ratio, demand current), correct that or leave the column out, "
        "and check again.",
    ),
    "coverage": ReasonCode(
        "Decided under a declared coverage policy",
        "{valid} of {counted} intervals are valid, {outside} outside; decided by the valid values because at least "
        "{share} % are there, the policy of {policy}.",
        "Nothing, if that policy is agreed.",
    ),
    "base-unknown": ReasonCode(
        "The base of a percentage is not at hand",
        "{quantity}{where} was recorded in {unit}, which cannot be turned into what the rule judges with the columns "
        "at hand.",
        "Record the voltage or current that the percentage refers to.",
    ),
    "partly-excluded": ReasonCode(
        "A part of the period is excluded",
        "{excluded} of {expected} intervals of the {period} ({share} %) are out of the count; the others pass.",
        "Nothing, if the exclusions are agreed.",
    ),
    "mostly-excluded": ReasonCode(
        "Most of the period is excluded",
        "{excluded} of {expected} intervals of the {period} ({share} %) are out of the count; the few others would "
        "pass, which shows nothing about the {period}.",
        "Record a {period} of which less is excluded.",
    ),
    "no-readings-left": ReasonCode(
        "Nothing is left to count",
        "{why}.",
        "Record a period that is not excluded.",
    ),
    "unreadable": ReasonCode(
        "The recording cannot be read",
        "{sentence}",
        "Correct the file or how it is read, then check it again.",
    ),
    "doubled": ReasonCode(
        "The site or its recording is named twice",
        "{sentence}",
        "Find out which of them is right, correct the registry or the file, and run again.",
    ),
    "no-recording": ReasonCode(
        "The site has no recording",
        "{sentence}",
        "Fetch the recording, or correct what the registry names or the span for which its row holds.",
    ),
    "no-readings": ReasonCode(
        "No reading",
        "The column holds no reading in this {period}.",
        "Check the channel and record again.",
    ),
    "steady-point": ReasonCode(
        "One spectrum taken for the whole period",
        "One spectrum ({where}), declared as steady operating point, is taken for every interval of the {period}.",
        "A simulation or a bench shows nothing about a site; record at the point of common coupling once it runs.",
    ),
    "rms-or-peak-undeclared": ReasonCode(
        "Amplitudes that may be rms or peak",
        "Column {column} does not say whether its amplitudes are rms or peak, which differ by 1.414; it was not used.",
        "Write rms or peak behind the unit, [{unit} rms], or declare amplitudes under [scenario].",
    ),
    "fundamental-doubtful": ReasonCode(
        "The fundamental does not fit what is declared",
        "{what}.",
        "Export order 1 with the harmonics, in the unit that the header names (100 under percent); where the current "
        "is as small as that, declare the one of the load itself as fundamental_current under [scenario].",
    ),
    "margin": ReasonCode(
        "Within the limit, but not by the margin asked for",
        "{value} is within the limit, but a margin of {margin} % is asked for{outside}.",
        "Gain the missing margin, or agree on a smaller one.",
    ),
    "margin-not-shown": ReasonCode(
        "The margin asked for is not shown",
        "The limit itself is met; that it is met by {margin} % is not shown: {why}",
        "Settle that, or agree on a smaller margin.",
    ),
    "gone": ReasonCode(
        "Judged in the baseline and not any more",
        "The baseline judged this ({was}) and this run did not: {why}.",
        "Give everything that was judged before, or accept with --allow-gone that it is gone.",
    ),
    "baseline-differs": ReasonCode(
        "The declared facts are not those of the baseline",
        "What is declared is not what the baseline was judged with: {what}.",
        "Take the change back, or accept it with --baseline-differs and write a new baseline.",
    ),
    "too-few-criteria": ReasonCode(
        "Fewer criteria were judged than asked for",
        "{judged} criteria were judged; [gate] at_least_criteria asks for {asked}.",
        "Find out what is missing; lower the number only if that is agreed.",
    ),
    "operating-points-missing": ReasonCode(
        "Operating points are missing",
        "Not judged: {missing}, which [gate] operating_points asks for (judged: {held}).",
        "Give the spectra of these operating points.",
    ),
    "nothing-judged": ReasonCode(
        "Nothing was judged",
        "No rule applies to this recording at this place, so nothing was judged.",
        "Choose limit tables that govern this place, or correct what is declared.",
    ),
    "waived": ReasonCode(
        "Covered by a waiver",
        "{value} fails and is waived {bound} until {expires} ({why}; owner {owner}, approved by {approver}, {place}).",
        "Mend it before the waiver expires.",
    ),
    "waiver-expired": ReasonCode(
        "The waiver has expired",
        "{value} fails; the waiver {bound} expired on {expires} ({why}; owner {owner}, {place}).",
        "Mend it, or have the waiver renewed.",
    ),
    "waiver-exceeded": ReasonCode(
        "Beyond the ceiling of the waiver",
        "{value} fails and is not covered by the waiver {bound} ({why}; owner {owner}, {place}).",
        "Mend it, or have another ceiling approved.",
    ),
    "waiver-not-shown": ReasonCode(
        "Not shown to be within the waiver",
        "{value} fails; what is missing or known as a bound only leaves open whether the waiver {bound} covers it "
        "({why}; owner {owner}, {place}).",
        "Record without gaps and within range.",
    ),
    "waiver-pending": ReasonCode(
        "The waiver is not in force",
        "{value} fails; the waiver {bound} is {standing} ({why}; owner {owner}, {place}).",
        "Mend it, or have the waiver approved.",
    ),
    "rating-not-declared": ReasonCode(
        "The rating is not declared",
        "The rule compares the load with the {rating} rating, which the site file does not declare.",
        "Declare [ratings] {rating} in amperes.",
    ),
    "load-conditions": ReasonCode(
        "Conditions of the load determination are not declared",
        "{numbers}; not declared: {missing}.",
        "Declare them under [load_study].",
    ),
    "load-not-representative": ReasonCode(
        "The recording does not represent the load",
        "{numbers}; but {why}",
        "Record again under the condition that the rule asks for.",
    ),
    "load-choice": ReasonCode(
        "A choice that the document leaves open decides",
        "{ways}.",
        "Declare {choices} under [load_study], as the authority having jurisdiction wants it.",
    ),
    "load-choice-declared": ReasonCode(
        "Decided by a declared choice",
        "Decided with {declared}; {ways}.",
        "Have the choice confirmed by the authority having jurisdiction.",
    ),
    "not-continuous": ReasonCode(
        "Not recorded continuously for long enough",
        "{numbers}; the longest span without a gap is {run} of the {needed} needed ({total} recorded in all).",
        "Record {needed} without a gap, or declare the maximum demand of a year.",
    ),
    "demand-unknown": ReasonCode(
        "No maximum demand in amperes",
        "{why}.",
        "{advice}",
    ),
    "demand-bounded": ReasonCode(
        "The maximum demand is known between bounds only",
        "{numbers}.",
        "Record at an interval that divides {interval}.",
    ),
    "new-load-bounded": ReasonCode(
        "The size of the new load is known between bounds only",
        "{numbers}.",
        "Declare the power factor and the spectrum of the new load without a span.",
    ),
    "not-predicted": ReasonCode(
        "Cannot be predicted from a declaration",
        "{why}.",
        "Measure again once the new load runs.",
    ),
    "bank-orders-missing": ReasonCode(
        "A capacitor bank shapes harmonics that were not recorded",
        "The capacitor bank amplifies or draws orders {orders}, and the record does not hold them of {of_what} "
        "in every phase.",
        "Record these orders of current and voltage in every phase.",
    ),
    "phase-angles-unknown": ReasonCode(
        "The bound of a prediction lies outside the limit",
        "{value} is predicted, and {bound} is possible while phase angles, or how present loads react to the voltage, "
        "are not known; the limit is {limit}.",
        "Record the phase angles of the harmonics, declare a smaller spectrum or load, or measure again once it runs.",
    ),
    "neutral-not-declared": ReasonCode(
        "The impedance of the neutral is not declared",
        "With an impedance of the neutral between none and that of a phase conductor, {value} and {bound} are "
        "possible; the limit is {limit}.",
        "Declare [source_impedance] neutral_resistance and neutral_reactance, 0 ohm where the neutral has none.",
    ),
    "winding-not-shown": ReasonCode(
        "Line currents do not show the windings of a delta",
        "A winding of a delta may be loaded as by {value} in its line; its rating allows {limit}.",
        "Compare the current of each winding, or of each unit of a bank, with its nameplate.",
    ),
    "bank-not-declared": ReasonCode(
        "The units of the transformer bank are not declared",
        "A high-leg delta may be an open bank of two units, or of unequal ones; its rated power does not tell what "
        "each of them may carry.",
        "Declare [ratings] transformer_units with the nameplate of each unit by the lines it lies between, such as "
        "ab = '15 kVA' and ca = '50 kVA' for an open bank.",
    ),
    "supply-at-worst": ReasonCode(
        "The supply may not be able to deliver the addition",
        "With the largest impedance that the supply may have, and present loads that keep their power, the voltage "
        "collapses under the addition.",
        "Declare [source_impedance], or make the addition smaller.",
    ),
    "demand-not-shown": ReasonCode(
        "The largest demand is not shown by the record",
        "The largest demand may have been higher than what was recorded: {why}.",
        "{advice}",
    ),
    "as-measured": ReasonCode(
        "As open as the measurement",
        "The measured finding is {verdict}, so the prediction cannot be more: {text}",
        "{advice}",
    ),
} | {code: ReasonCode(*words) for code, words in OF_EVENTS.items()}


def known(code: str) -> bool:
    """Whether the code is in the catalogue (vetting has codes of its own)."""
    return code in CATALOGUE


def sentence(code: str, **fields: object) -> tuple[str, str]:
    """Text and advice of a code, filled in; each begins with a capital unless it begins with a name."""
    entry = CATALOGUE[code]
    return _begun(entry.text.format(**fields)), _begun(entry.advice.format(**fields))


def _begun(text: str) -> str:
    first = text.split(" ", 1)[0].rstrip(".,")
    return text if "." in first or "_" in first else text[:1].upper() + text[1:]
