"""What must hold for every recording, whatever stands in it. Each takes an example and raises AssertionError."""

from __future__ import annotations

import json
import random
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from pqcheck import check
from pqcheck.workflows.vet_recording import examine
from tests.odd_recordings.forms import FORMS, File
from tests.odd_recordings.reading import (
    SLOT_S,
    UNREAD,
    Span,
    Tally,
    aggregated,
    cell_span,
    rows_of,
    tally,
)
from tests.odd_recordings.strategies import NOMINAL, RULES, START, Odd, Part, plain, refined, table

Answer = dict[str, Any]
"""The findings file as read back."""
FEWEST_ROWS = 6
LONGER_S = 1800
"""Two values over 15 min, which are the mean of three slots."""
FIRST_SLOT = int(START.timestamp()) // SLOT_S


def judged(
    recording: Odd, limits: dict[str, Any] | None = None, contents: Sequence[bytes] | None = None,
    files: Sequence[File] | None = None,
) -> Answer | None:
    """What `check` says; None where it refuses the input in a sentence."""
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        written = recording.contents() if contents is None else contents
        for name, content in files or [(f"recording{number}.csv", each) for number, each in enumerate(written)]:
            paths.append(Path(folder) / name)
            paths[-1].write_bytes(content)
        limits_path = Path(folder) / "odd-house.json"
        limits_path.write_text(json.dumps(limits or table()), encoding="utf-8")
        try:
            findings = check(paths, recording.site(), [str(limits_path)])
        except Exception as error:
            if type(error).__module__ == "pqcheck.model.errors":
                return None
            raise
        answer: Answer = json.loads(findings.to_json())
    return answer


def limit_findings(answer: Answer) -> list[dict[str, Any]]:
    """The findings about limits."""
    return [finding for finding in answer["findings"] if finding["kind"] == "limit"]


def spans_by_base(recording: Odd) -> dict[tuple[str, str], dict[int, dict[int, Span]]]:
    """Per channel and interval the square of every 10-minute slot, from an own reading of the bytes."""
    members: dict[tuple[str, str], dict[int, dict[int, list[Span]]]] = {}
    for content, intervals in zip(recording.contents(), recording.intervals(), strict=True):
        _, rows = rows_of(content, recording.delimiter, recording.mark)
        for row in rows:
            if row.stamp not in intervals or SLOT_S % intervals[row.stamp]:
                continue
            interval_s = intervals[row.stamp]
            slot = int(datetime.fromisoformat(row.stamp).timestamp()) // SLOT_S
            for column, cell in zip(recording.columns, row.cells, strict=True):
                if column.quantity == "flicker_pst" and interval_s != SLOT_S:
                    # Short-term flicker is a value of ten minutes, and of nothing shorter.
                    continue
                by_slot = members.setdefault((column.quantity, column.phase), {}).setdefault(interval_s, {})
                by_slot.setdefault(slot, []).append(cell_span(cell, recording.mark, column.quantity))
    return {
        channel: {
            interval_s: {
                slot: aggregated([*spans, *[UNREAD] * (SLOT_S // interval_s - len(spans))])
                for slot, spans in by_slot.items()
            }
            for interval_s, by_slot in bases.items()
        }
        for channel, bases in members.items()
    }


def means_of_slots(recording: Odd) -> dict[tuple[str, str], dict[int, Span]]:
    """Per channel the square over each `LONGER_S`, by the number of its first slot, of values longer than a slot."""
    members: dict[tuple[str, str], dict[int, list[Span]]] = {}
    for content, intervals in zip(recording.contents(), recording.intervals(), strict=True):
        _, rows = rows_of(content, recording.delimiter, recording.mark)
        for row in rows:
            if (interval_s := intervals.get(row.stamp)) is None or interval_s <= SLOT_S:
                continue
            at = int(datetime.fromisoformat(row.stamp).timestamp())
            for column, cell in zip(recording.columns, row.cells, strict=True):
                by_slot = members.setdefault((column.quantity, column.phase), {})
                by_slot.setdefault(at // LONGER_S * (LONGER_S // SLOT_S), []).append(
                    cell_span(cell, recording.mark, column.quantity)
                )
    return {
        channel: {slot: aggregated(spans) for slot, spans in by_slot.items() if len(spans) == LONGER_S // 900}
        for channel, by_slot in members.items()
    }


def slots_of(bases: dict[int, dict[int, Span]]) -> dict[int, Span]:
    """Every slot once, from the finest base that says anything of it."""
    slots: dict[int, Span] = {}
    for interval_s in sorted(bases, reverse=True):
        slots.update({slot: span for slot, span in bases[interval_s].items() if span.known or slot not in slots})
    return slots


def dead_slots(channels: dict[tuple[str, str], dict[int, Span]]) -> frozenset[int]:
    """Slots in which all observed voltages are below a twentieth of nominal: two of several, or the only one."""
    volts = [slots for (quantity, _), slots in channels.items() if quantity == "voltage"]
    threshold = (Fraction(NOMINAL) / 20) ** 2
    dead = []
    for slot in {slot for slots in volts for slot in slots}:
        seen = [span for slots in volts if (span := slots.get(slot, UNREAD)).known]
        if len(seen) >= min(2, len(volts)) and all(span.high < threshold for span in seen):
            dead.append(slot)
    return frozenset(dead)


def tallies(recording: Odd, answer: Answer) -> list[tuple[dict[str, Any], Tally]]:
    """Each finding about a limit that names a period, with an own count of that period."""
    channels = {channel: slots_of(bases) for channel, bases in spans_by_base(recording).items()}
    dead, means = dead_slots(channels), means_of_slots(recording)
    excluded = frozenset(
        slot
        for first, end in recording.exclusions
        for slot in range(FIRST_SLOT + first // SLOT_S, FIRST_SLOT - (-end // SLOT_S))
    )
    rules = {rule.id: rule for rule in RULES}
    counted = []
    for finding in limit_findings(answer):
        if finding["period"] is None or finding["phase"] is None:
            continue
        first, end = (
            int(datetime.fromisoformat(finding["period"][side]).timestamp()) // SLOT_S for side in ("start", "end")
        )
        slots = channels.get((finding["quantity"], finding["phase"]), {})
        longer = means.get((finding["quantity"], finding["phase"]), {})
        counted.append((finding, tally(rules[finding["rule"]], slots, first, end, excluded, dead, longer)))
    return counted


def verdicts_are_proven(recording: Odd, answer: Answer) -> None:
    """A pass or fail follows from the rows alone, whatever is true where they say nothing."""
    for finding, own in tallies(recording, answer):
        if finding["verdict"] == "pass":
            assert own.proves_pass, ("pass is not shown", finding["id"], own)
            assert 2 * own.excluded <= own.expected, ("pass although mostly excluded", finding["id"], own)
        if finding["verdict"] == "fail":
            assert own.proves_fail, ("fail is not shown", finding["id"], own)


def plain_rows_are_decided(recording: Odd) -> None:
    """Plain readings that prove a pass or a fail are judged so; only mostly excluded periods stay open."""
    answer = judged(recording)
    assert answer is not None, "a plain recording is not read"
    for finding, own in tallies(recording, answer):
        if own.proves_pass and 2 * own.excluded <= own.expected:
            assert finding["verdict"] == "pass", (finding["id"], finding["verdict"], own)
        if own.proves_fail:
            assert finding["verdict"] == "fail", (finding["id"], finding["verdict"], own)


def breach_is_never_lost(recording: Odd, answer: Answer) -> None:
    """A slot that lies outside for certain, in whatever base, keeps the answer from being a pass."""
    channels = {channel: slots_of(bases) for channel, bases in spans_by_base(recording).items()}
    dead = dead_slots(channels)
    for rule in RULES:
        if rule.percent < 100:
            continue
        for (quantity, phase), slots in channels.items():
            if quantity != rule.quantity:
                continue
            breaches = {
                slot for slot, span in slots.items()
                if slot not in dead and (span.low > rule.high**2 or span.high < (rule.low or 0) ** 2)
            }  # fmt: skip
            own = [
                finding
                for finding in limit_findings(answer)
                if finding["rule"] == rule.id and finding["phase"] in (phase, None)
            ]
            if not breaches or recording.exclusions:
                continue
            assert own, ("no finding", rule.id, phase)
            assert answer["verdict"] != "pass", ("a breach and nothing but passes", rule.id, phase, min(breaches))


def answered(recording: Odd) -> Answer | None:
    """The answer to a recording, once it was held against the own reading."""
    answer = judged(recording)
    if answer is not None:
        verdicts_are_proven(recording, answer)
        breach_is_never_lost(recording, answer)
    return answer


def verdicts(answer: Answer) -> dict[str, str]:
    """Verdicts by id of the finding."""
    return {finding["id"]: finding["verdict"] for finding in limit_findings(answer)}


def odd_never_helps(recording: Odd, cell: str, share: float, seed: int) -> None:
    """Cells that are no number, in place of numbers, turn nothing into a pass."""
    rng = random.Random(seed)
    column = rng.randrange(len(recording.columns))
    spoilt = recording.changed(lambda _, i, row, old: cell if i == column and rng.random() < share else old)
    before, after = judged(recording), judged(spoilt)
    if before is None or after is None:
        return
    was = verdicts(before)
    for name, verdict in verdicts(after).items():
        assert verdict != "pass" or was.get(name) == "pass", (name, was.get(name), "became pass")


def splitting_changes_nothing(recording: Odd, seed: int, at_row: int | None = None) -> None:
    """The same rows in several files, in any order of the files, give the same findings.

    Each part is cut at `at_row`, or anywhere.
    """
    rng = random.Random(seed)
    files: list[list[Part]] = []
    for parts in recording.files:
        for part in parts:
            at = at_row or (rng.randrange(1, part.count) if part.count > 1 else 0)
            pieces = [
                Part(part.interval_s, part.start_s, [column[:at] for column in part.cells]),
                Part(part.interval_s, part.start_s + at * part.interval_s, [column[at:] for column in part.cells]),
            ]
            # A few rows alone do not show their interval.
            files += [[piece] for piece in pieces] if FEWEST_ROWS <= at <= part.count - FEWEST_ROWS else [[part]]
    rng.shuffle(files)
    whole, split = judged(recording), judged(replace(recording, files=files, cut=None))
    if not any(_hardly_numbers(recording, parts) for parts in files):
        assert (whole is None) == (split is None), "only one of the two can be read"
    if whole is None or split is None:
        return
    assert verdicts(whole) == verdicts(split), sorted(verdicts(whole).items() ^ verdicts(split).items())


def _hardly_numbers(recording: Odd, parts: Sequence[Part]) -> bool:
    """Whether half of the cells of a column of a file are no numbers of it: none at all, or most in a wrong unit, is an
    error of its own."""
    for number, column in enumerate(recording.columns):
        cells = [cell.replace("@", recording.mark) for part in parts for cell in part.cells[number]]
        known = sum(cell_span(cell, recording.mark, column.quantity).known for cell in cells)
        if 2 * known <= sum(bool(cell.strip()) for cell in cells):
            return True
    return False


def bases_change_nothing(recording: Odd, number: int, interval_s: int) -> None:
    """A stretch stored at a finer time base, every member the value of its slot, turns no pass into a fail or back."""
    files = [list(parts) for parts in recording.files]
    place = [(f, p) for f, parts in enumerate(files) for p, part in enumerate(parts) if part.interval_s == SLOT_S]
    if not place:
        return
    f, p = place[number % len(place)]
    whole = files[f].pop(p)
    half = whole.count // 2
    first = Part(SLOT_S, whole.start_s, [column[:half] for column in whole.cells])
    second = Part(SLOT_S, whole.start_s + half * SLOT_S, [column[half:] for column in whole.cells])
    files = [parts for parts in files if parts] + [[first], [refined(second, interval_s)]]
    before, after = judged(recording), answered(replace(recording, files=files, cut=None))
    if before is None or after is None:
        return
    was, now = verdicts(before), verdicts(after)
    # A coarse channel that never moves is doubted; beside a stretch in which it moves its standing still is explained.
    open_ = [each for each in limit_findings(before) if each["reason"] is not None]
    explained = {each["id"] for each in open_ if each["reason"]["code"] == "never-moves"}
    for name in was.keys() | now.keys():
        change = (name, was.get(name), now.get(name))
        assert set(change[1:]) != {"pass", "fail"}, change
        assert now.get(name) != "pass" or was.get(name) == "pass" or name in explained, change


def contradicting(recording: Odd, column: int, interval_s: int, by: float) -> Odd | None:
    """The recording beside a second time base in which a channel is `by` times as large; None where there is none."""
    whole = next((part for parts in recording.files for part in parts if part.interval_s == SLOT_S), None)
    if whole is None or not whole.count or recording.columns[column].quantity == "flicker_pst":
        return None
    changed = [
        [plain(float(cell.replace("@", ".")) * by, 2) for cell in cells] if number == column else cells
        for number, cells in enumerate(whole.cells)
    ]
    other = refined(Part(SLOT_S, whole.start_s, changed), interval_s)
    return replace(recording, files=[[whole], [other]], cut=None, exclusions=[])


def contradiction_never_passes(recording: Odd, column: int, interval_s: int, by: float) -> None:
    """A second time base of the same span, in which a channel differs by more than instruments do, passes nothing."""
    both = contradicting(recording, column, interval_s, by)
    answer = judged(both) if both is not None else None
    if answer is None:
        return
    of = recording.columns[column]
    for finding in limit_findings(answer):
        if (finding["quantity"], finding["phase"]) == (of.quantity, of.phase):
            assert finding["verdict"] != "pass", (finding["id"], finding["verdict"])


def refusals_reach_vetting(recording: Odd) -> None:
    """Where a rule is refused, vetting does not call the recording sound, whichever tables are applied."""
    answer = judged(recording)
    if answer is None or all(finding["verdict"] != "refused" for finding in limit_findings(answer)):
        return
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"recording{number}.csv" for number, _ in enumerate(recording.contents())]
        for path, content in zip(paths, recording.contents(), strict=True):
            path.write_bytes(content)
        assert int(examine(paths, recording.site()).exit_status), recording


def forms_change_nothing(recording: Odd, form: str) -> None:
    """The same rows as a workbook, with other dates, or beside flags and events that no rule asks for."""
    if recording.mark == "," and form == "workbook":
        return
    before, after = judged(recording), judged(recording, files=FORMS[form](recording))
    if before is None or after is None:
        return
    assert verdicts(before) == verdicts(after), sorted(verdicts(before).items() ^ verdicts(after).items())


def tightening_never_helps(recording: Odd, factor: Fraction) -> None:
    """Narrower limits turn no fail into a pass."""
    before, after = judged(recording), judged(recording, table(factor))
    if before is None or after is None:
        return
    was = verdicts(before)
    for name, verdict in verdicts(after).items():
        assert not (verdict == "pass" and was.get(name) == "fail"), name


def removal_never_helps(recording: Odd, share: float, seed: int) -> None:
    """Readings of a channel taken away turn nothing inconclusive into a pass.

    Without voltages nobody sees an outage: a rule about something else, open for that reason alone, is left out.
    """
    rng = random.Random(seed)
    column = rng.randrange(len(recording.columns))
    changed = (recording.columns[column].quantity, recording.columns[column].phase)
    dead = dead_slots({channel: slots_of(bases) for channel, bases in spans_by_base(recording).items()})
    fewer = recording.changed(lambda _, i, row, old: "" if i == column and rng.random() < share else old)
    before, after = judged(recording), judged(fewer)
    if before is None or after is None:
        return
    was = verdicts(before)
    for finding in limit_findings(after):
        if changed[0] == "voltage" and dead and (finding["quantity"], finding["phase"]) != changed:
            continue
        name = finding["id"]
        assert not (finding["verdict"] == "pass" and was.get(name) == "inconclusive"), (name, "became pass")


def one_value_never_passes(recording: Odd, column: int, value: str) -> None:
    """A channel with one single value throughout is no pass of that channel."""
    answer = judged(recording.changed(lambda _, i, row, old: value if i == column else old))
    if answer is None:
        return
    quantity, phase = recording.columns[column].quantity, recording.columns[column].phase
    for finding in limit_findings(answer):
        if (finding["quantity"], finding["phase"]) == (quantity, phase):
            assert finding["verdict"] != "pass", finding["id"]


UNKNOWN = ("X L1-N", "Kanal 7", "Ch3 (V)", "voltag.an [V]", "THD?", "Status")
"""Headers that say nothing, or nothing for certain."""


def columns_are_named(recording: Odd, unknown: Sequence[str]) -> None:
    """Columns that were recorded and not understood are named in the answer, or the input is refused."""
    contents = []
    for content in recording.contents():
        header, *rows = content.decode().split(recording.line_end)
        extra = [
            f"{recording.delimiter}{230 + number % 5}" * len(unknown) if row else "" for number, row in enumerate(rows)
        ]
        contents.append(recording.line_end.join(
            [recording.delimiter.join([header, *unknown]), *(row + more for row, more in zip(rows, extra, strict=True))]
        ).encode())  # fmt: skip
    answer = judged(recording, contents=contents)
    if answer is not None:
        text = json.dumps(answer, ensure_ascii=False)
        for header in unknown:
            assert json.dumps(header, ensure_ascii=False)[1:-1] in text, ("column not named", header)
