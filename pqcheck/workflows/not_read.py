"""What the question needs and was not read: phases of the connection, quantities of the rules, columns left alone."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.headers.tokens import tokens_of
from pqcheck.judge.phases_asked import phases_asked, phases_beyond
from pqcheck.judge.tasks import Settled
from pqcheck.model.errors import InputError
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.findings_words import NOT_READ, first_few
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import POWERS
from pqcheck.vet.checks.completeness import CHECK as COMPLETENESS_CHECK
from pqcheck.vet.danger_signs import conductor_rating

_POWER = re.compile("power|leistung|puissance|potencia|pot\u00eancia|potenza|vermogen|\\bmoc|effekt", re.IGNORECASE)
_CODES = ("not-recorded", "phase-missing")


class NotRead(Struct, frozen=True):
    """`missing` are phases by quantity (none: the whole quantity), `left_alone` the columns that nobody understood."""

    missing: dict[str, tuple[str, ...]]
    left_alone: tuple[str, ...]
    file: str
    beyond: str = ""
    """Channels of phases that the declared connection does not have, as a sentence; empty where there are none."""
    named: tuple[str, ...] = ()
    """Columns left alone whose names say a voltage, current or power, and of which nobody said what they hold."""
    only_extremes: tuple[str, ...] = ()
    """Quantities of the connection of which only minimum or maximum columns were read."""
    events_alone: bool = False
    """Whether nothing but an event table was read."""

    @property
    def sentence(self) -> str:
        """One line with the next step; empty where nothing needed is missing."""
        if self.events_alone:
            return "Only events were read: no trend shows whether the list is complete and the leads were right."
        parts = [
            _title(quantity) + (f" of {' and '.join(phases)}" if phases else "")
            for quantity, phases in self.missing.items()
        ]
        parts += [f"the mean of {_title(quantity)} (minima and maxima alone are not vetted)"
                  for quantity in self.only_extremes]
        if not parts and self.named:
            columns = first_few([repr(column) for column in self.named])
            return f"{NOT_READ}{columns}, left alone. {self.next_step}"
        if not parts:
            return ""
        line = f"{NOT_READ}{', '.join(parts)}."
        if self.left_alone:
            columns = first_few([repr(column) for column in self.left_alone])
            line += f" Columns left alone: {columns}. {self.next_step}"
        return line

    @property
    def remark(self) -> str:
        """Columns left alone although nothing needed is missing: they may say otherwise. Empty where there are none."""
        if self.missing or not self.left_alone:
            return ""
        columns = first_few([repr(column) for column in self.left_alone])
        return f"Recorded and left alone: {columns}. The reasons: pqcheck columns {self.file}"

    @property
    def next_step(self) -> str:
        """What to do about the columns left alone."""
        return f"Say what they hold: pqcheck columns {self.file} --write FILE, and copy that into the site file."


def _names_a_quantity(column: str) -> bool:
    """Whether the name of a column says a voltage, a current or a power that vetting looks at."""
    tokens = tokens_of(column)
    of_lines = tokens.quantity in ("voltage", "current")
    of_power = tokens.quantity in POWERS and bool(tokens.unit or tokens.phase)
    return (of_lines or of_power or bool(_POWER.search(column))) and not tokens.other_reading


def _title(quantity: str) -> str:
    title = QUANTITIES[quantity].title
    return title[:1].lower() + title[1:]


def not_read(
    recording: Recording, site: Site, settled: Iterable[Settled] = (), *, connection: bool = False
) -> NotRead:
    """What the rules need and was not read, and with `connection` what the connection of the supply needs.

    `settled` are the rules that need no reading. A whole quantity is named where columns were left alone that may hold
    it. Raises `InputError` where no column was understood at all.
    """
    left = dict.fromkeys(
        column.column for file in recording.files for column in file.columns
        if column.channel is None and column.read_as.startswith("left alone") and "not asked for" not in column.read_as
    )
    names = [file.name for file in recording.files if any(column.column in left for column in file.columns)]
    name = (names or [file.name for file in recording.files] or ["FILE"])[0]
    nothing = not any(stream.channels for stream in recording.streams)
    strange = sorted({event.phase for event in recording.events} & set(phases_beyond(site.supply)))
    line = f"Events on {first_few(strange)} lie beyond the declared connection ({site.supply.connection}), and count " \
           "all the same; correct the connection or the list." if strange else ""
    if nothing and recording.event_tables:
        return NotRead({}, tuple(left), name, line, events_alone=True)
    if nothing:
        columns = first_few([repr(column) for column in left]) if left else "there are none beside the stamps"
        raise InputError(
            f"no column of {name} was understood ({columns}); see how it is read with: pqcheck columns {name}, and say "
            f"what the columns hold with: pqcheck columns {name} --write FILE"
        )
    read = {(channel.quantity, channel.phase) for _, channel in recording.channels()}
    beyond = dict.fromkeys(
        f"{channel.quantity}.{channel.phase}" for _, channel in recording.channels()
        if channel.phase in phases_beyond(site.supply)
    )
    line = line or f"Beyond the declared connection ({site.supply.connection}), and not judged on " \
           f"{'its' if len(beyond) == 1 else 'their'} own: {first_few(list(beyond))}." if beyond else ""
    means = {channel.quantity for _, channel in recording.channels() if channel.reading == "mean"}
    missing: dict[str, list[str]] = {}
    for quantity in ("voltage", "current") if connection else ():
        phases_read = {channel.phase for _, channel in recording.channels() if channel.quantity == quantity
                       and (channel.reading == "mean" or quantity not in means)}
        asked = phases_asked(quantity, (), site.supply, phases_read.__contains__)
        phases = [str(task.phase) for task in asked if task.standing == "phase-missing"]
        if phases:
            missing[quantity] = phases
    if connection and left and not any(quantity == "voltage" for quantity, _ in read):
        missing.setdefault("voltage", [])
    only = [quantity for quantity in ("voltage", "current") if connection and quantity not in means
            and any(quantity == of for of, _ in read)]
    # Who wrote a mapping has said what the columns hold, and of those left out that they are not needed.
    unsaid = [column for column in left if connection and not site.recording.columns and _names_a_quantity(column)]
    for rule in settled:
        if rule.quantity is None or rule.reason.code not in _CODES or rule.quantity not in QUANTITIES:
            continue
        if rule.phase is not None:
            phases = missing.setdefault(rule.quantity, [])
            phases += [rule.phase] if rule.phase not in phases else []
        elif left:
            missing.setdefault(rule.quantity, [])
    return NotRead({quantity: tuple(phases) for quantity, phases in missing.items()}, tuple(left), name, line,
                   tuple(unsaid), tuple(only))


def ratings_unseen(findings: Iterable[Finding], site: Site) -> str:
    """The currents without one reading that a declared rating would be held against; empty where there are none."""
    seen: dict[str, bool] = {}
    for finding in findings:
        if finding.kind == "recording" and finding.quantity == "current" and finding.rule == COMPLETENESS_CHECK.name:
            empty = finding.reason is not None and finding.reason.code == "never-observed"
            seen[finding.phase or ""] = seen.get(finding.phase or "", False) or not empty
    blind = {phase: rating[1] for phase, any_value in seen.items()
             if not any_value and (rating := conductor_rating(site, phase)) is not None}
    if not blind:
        return ""
    names = " and ".join(f"current.{phase}" for phase in blind)
    holds = "holds no value, so it was" if len(blind) == 1 else "hold no value, so they were"
    return f"{NOT_READ}{names} {holds} not held against [ratings] {' and '.join(dict.fromkeys(blind.values()))}."


def advised(settled: Sequence[Settled], missing: NotRead) -> list[Settled]:
    """The rules that were not recorded, with the columns left alone as the first thing to look at."""
    if not missing.left_alone:
        return list(settled)
    columns = first_few([repr(column) for column in missing.left_alone])
    first = f"{columns} {'were' if len(missing.left_alone) > 1 else 'was'} left alone: say what the columns hold " \
            f"(pqcheck columns {missing.file} --write FILE), or "

    def advice(reason: Reason) -> Reason:
        return Reason(reason.code, reason.text, first + reason.advice[:1].lower() + reason.advice[1:])

    return [replace(rule, reason=advice(rule.reason)) if rule.reason.code in _CODES else rule for rule in settled]
