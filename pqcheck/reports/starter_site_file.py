"""The text of a starter site file: what the recording shows as proposals, what a person must say as questions.

Every key is commented out, so that nothing is in force before a person has decided it.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator, Sequence

from pqcheck.limit_tables import load_table
from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import first_few
from pqcheck.vet.supply_options import SupplyOption
from pqcheck.workflows.start_site import StartOfSite

_WIDTH = 116
_MOST_COLUMNS = 20
_HEAD = """\
Site file, begun by `pqcheck site` from the recording named below. Nothing in it is decided: every key is commented
out. Remove the leading "# " of a line once a person answers for it (contract, name plate, letter of the utility,
diagram), and write the value that is true, whatever the recording shows: a recording is judged against what is
declared here, so what is only read off the recording proves nothing. Keys and values: docs/reference/site-file.md.
"""


def starter_text(start: StartOfSite) -> str:
    """The site file (TOML), which declares nothing yet."""
    sections = (_head(start), _place(start), _supply(start), _recording(start), _pcc(start), _instrument(),
                _limits(start))
    return "\n".join(text + "\n" for section in sections if (text := "\n".join(section)))


def open_questions(start: StartOfSite) -> list[str]:
    """What a person has to say before the recording can be judged, one sentence each."""
    choices = len(start.options)
    shown = "has no proposal" if not choices else "proposes one to confirm" if choices == 1 else \
        f"lists {choices}, among which the recording cannot choose"
    lines = [f"[supply] nominal_voltage and connection: the file {shown}."]
    lines += [f"No supply is proposed: {_sentence(doubt)}" for doubt in start.doubts]
    if start.zone_missing:
        lines.append(
            f"time_zone: the stamps carry no offset from UTC (the first is {start.first_stamp}); say in which zone the "
            "clock of the recorder ran."
        )
    for columns, how in ((start.assumed, "read on an assumption"), (start.left_alone, "left alone")):
        if columns:
            names = first_few([repr(each.column) for each in columns])
            lines.append(f"Columns {how}: {names}; say what they hold under [recording.columns].")
    if {"current", "current_harmonic"} & start.quantities:
        lines.append("[pcc]: IEEE 519 is judged only with the facts of the point of common coupling.")
    lines.append("[limits] apply: which limit tables bind this place.")
    return lines


def _head(start: StartOfSite) -> Iterator[str]:
    yield from _comment(_HEAD)
    yield "#"
    for file in start.files:
        every = f", one row every {duration_text(file.interval_us)}" if file.interval_us else ""
        yield from _comment(f"Recording: {file.name}, {file.rows} rows{every}.")


def _place(start: StartOfSite) -> Iterator[str]:
    yield from _asked("name", "the measuring place, in words; without it the name of this file")
    if start.zone_missing:
        question = f"needed, since the stamps carry no offset from UTC (the first is {start.first_stamp}): the zone " \
                   "in which the clock of the recorder ran"
    else:
        question = "the stamps carry their offset from UTC; the zone is for display and calendar days"
    yield from _asked("time_zone", f"{question}. The name of a city's zone, Area/City")


def _supply(start: StartOfSite) -> Iterator[str]:
    yield "[supply]  # what the place is supplied with; nominal_voltage and connection are needed"
    middles = ", ".join(f"{phase} {volts:.5g} V" for phase, volts in start.middles.items())
    yield from _comment(f"Middle voltages of the recording: {middles or 'none'}.")
    if start.options:
        if len(start.options) > 1:
            yield from _comment("The recording cannot choose among these, nearest first; choose one connection and one "
                                "nominal voltage that stands below it, or write another.")
        for group in dict.fromkeys(option.group for option in start.options):
            yield from _of_connection([option for option in start.options if option.group == group])
    else:
        for doubt in start.doubts:
            yield from _comment(f"No proposal: {_sentence(doubt)}")
        yield from _asked("connection", "wye, delta (any service without a neutral), split-phase, single-phase or "
                          "high-leg-delta")
        yield from _asked("nominal_voltage", "between lines (single-phase: to neutral), with its unit")
    if start.nominal_frequency is not None:
        yield from _proposed("frequency", f"{start.nominal_frequency} Hz", "the middle of the recorded frequency "
                             f"is {start.frequency:.5g} Hz")
    else:
        yield from _asked("frequency", "of the network, with its unit; no frequency that says so was recorded")
    yield from _asked("measured_at", "service (the supply terminals), utilization (inside the installation) or "
                      "equipment; it decides which rules govern, and absent is read as service")
    yield from _asked("nominal_basis", "who says that the nominal voltage is certain, if someone does")


def _of_connection(options: Sequence[SupplyOption]) -> Iterator[str]:
    first = options[0]
    yield from _proposed("connection", first.connection, first.connection_shows)
    if first.high_leg:
        yield from _proposed("high_leg", first.high_leg, "it is 1.73 times as high as the other two legs")
    for option in options:
        yield from _proposed("nominal_voltage", option.nominal_voltage, option.nominal_shows)


def _recording(start: StartOfSite) -> Iterator[str]:
    yield "# [recording]  # how the files are read, where they do not say so themselves"
    yield from _asked("stamp", 'start or end of the interval; absent is read as "start"')
    if start.extremes:
        yield from _asked("extremes_of", "over which base window the minima and maxima were formed (200 ms, half "
                          "a cycle ...); undeclared they prove nothing")
    if {"voltage_thd", "current_thd"} & start.quantities:
        yield from _asked("thd_to_order", "the order up to which the recorder's THD sums, a number without quotes")
    unsure = (*((each, "read on an assumption") for each in start.assumed),
              *((each, "left alone") for each in start.left_alone))
    if unsure:
        yield "# [recording.columns]  # what a column holds, such as voltage.an [V]; `pqcheck columns FILE` says more"
        for each, how in unsure[:_MOST_COLUMNS]:
            yield from _asked(json.dumps(each.column, ensure_ascii=False), f"{how}: {each.why}")
        if len(unsure) > _MOST_COLUMNS:
            yield from _comment(f"and {len(unsure) - _MOST_COLUMNS} more columns")


def _pcc(start: StartOfSite) -> Iterator[str]:
    if not {"current", "current_harmonic", "current_thd", "current_tdd"} & start.quantities:
        return
    yield "# [pcc]  # facts of the point of common coupling, claims of a person that no recording shows"
    yield from _asked("is_pcc", "true or false: other customers are, or could be, connected at this place")
    yield from _asked("short_circuit_current", "at that point, in writing from the utility, such as a text in kA")
    yield from _asked("maximum_demand_current", "mean of the currents at the twelve monthly maximum demands, in A; "
                      "not the largest current of the recording, not the breaker")
    yield from _asked("demand_basis", "mean of 12 monthly maxima, mean of fewer months, projected, or from the "
                      "record (makes the findings indicative)")
    yield ""
    yield "# [generation]  # generation on site; without this section the findings say that none is declared"
    yield from _asked("inverter_share_of_average_demand", "inverters in percent of the average load demand")


def _instrument() -> Iterator[str]:
    yield "# [instrument]  # what recorded it"
    yield from _asked("class", "A or S of IEC 61000-4-30, or leave it out")
    yield from _asked("calibrated", "the day of the last calibration, such as 2031-03-04")


def _limits(start: StartOfSite) -> Iterator[str]:
    yield "# [limits]  # which limit tables bind this place: law, tariff and contract say it, and which edition"
    if not start.tables:
        why = f"no shipped table is for {start.country}" if start.country else \
            "`pqcheck limits` lists them, and `pqcheck site --country CODE` the ones of a country"
        yield f"# apply = []  # asked: {why}"
        return
    yield f"# apply = [  # asked: those shipped that fit {start.country}; keep what binds, one edition of each"
    for name in start.tables:
        yield f'#   "{name}",  # {_one_line(load_table(name).title)}'
    yield "# ]"


def _asked(key: str, question: str) -> list[str]:
    """A key whose value nobody has said yet."""
    return _key(key, '""', f"asked: {question}")


def _proposed(key: str, value: str, shows: str) -> list[str]:
    """A key with the value that the recording would fit, and what shows it."""
    return _key(key, f'"{value}"', f"proposal: {shows}")


def _key(key: str, value: str, comment: str) -> list[str]:
    """A key that is commented out, with its comment behind it or, where that is long, above it."""
    line = f"# {key} = {value}  # {_one_line(comment)}"
    return [line] if len(line) <= _WIDTH + 2 else [*_comment(f"{key}, {comment}"), f"# {key} = {value}"]


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(_one_line(text), _WIDTH, break_on_hyphens=False)]


def _one_line(text: str) -> str:
    """Without what a comment of TOML, or UTF-8, cannot hold."""
    return re.sub(r"[\x00-\x1f\x7f]+", " ", text).encode("utf-8", "replace").decode("utf-8").strip()


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
