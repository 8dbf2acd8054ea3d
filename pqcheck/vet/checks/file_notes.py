"""What the readers noticed in the files, told as findings with rows; nothing was repaired silently."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.model.recording import Note, RowSpan
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import Check
from pqcheck.vet.checks import clock_steps
from pqcheck.vet.outcome import Extent, Outcome

TIME_LINE = Check(
    name="time-line",
    question="Is the time line regular?",
    looks_at="The rows of every file.",
    how="The readers report changes of interval, stamps off the grid and restarts with their rows; nothing is repaired "
        "silently.",
    example="The interval changes from 10 min to 15 min in row 513.",
    codes={
        "file-off-grid": "Stamps off the grid",
        "file-interval-change": "The interval changes inside a file",
        "file-interval-mismatch": "Another interval than declared",
        "file-slow-channel": "A channel is filled on every so many rows only",
        "file-no-rows": "Lines that are no rows were passed over",
    },
)
DUPLICATES = Check(
    name="duplicates",
    question="Are rows there twice?",
    looks_at="The rows of every file.",
    how="Identical duplicates are merged; where duplicates differ the intervals are unobserved.",
    example="Rows 91 and 92 carry one stamp and different values.",
    codes={
        "file-duplicate-merged": "Identical rows were merged",
        "file-duplicate-conflict": "Rows of one stamp differ",
    },
)
ORDER_OF_ROWS = Check(
    name="order-of-rows",
    question="Are the rows in order?",
    looks_at="The rows of every file.",
    how="Rows are sorted by time; that they were not sorted is said.",
    example="Row 140 lies before row 139.",
    codes={"file-unsorted": "Rows were out of order"},
)
OVERLAP = Check(
    name="overlap",
    question="Do files agree where they overlap?",
    looks_at="Files of one recording.",
    how="Identical values are merged; where they differ the intervals are unobserved.",
    example="Two files hold 2031-03-05 00:00 to 00:40.",
    codes={"file-overlap": "Files overlap"},
)
VALUES = Check(
    name="values",
    question="Are all values numbers?",
    looks_at="Every cell.",
    how="Texts and marks that are no number leave the interval unobserved; over-range marks are lower bounds.",
    example="3 cells of current.a hold '---'.",
    codes={"file-not-a-number": "Cells that are no number"},
)
COLUMNS = Check(
    name="columns",
    question="Are there columns that were not understood?",
    looks_at="The header of every file.",
    how="Unknown columns are listed and left alone.",
    example="Column 'Status' was not read.",
    codes={
        "file-unknown-column": "A column was left alone",
        "file-unit-converted": "A channel in two units was read in one",
    },
)
HOLES = Check(
    name="holes",
    question="Where are the rows missing?",
    looks_at="The rows of every file.",
    how="Holes in the rows, as the readers found them.",
    example="No rows from 12:00 to 14:10.",
    codes={"file-gap": "Rows are missing"},
)
EVENTS = Check(
    name="events",
    question="When did the events happen?",
    looks_at="The event tables.",
    how="Events whose start the clock leaves open are kept and marked, since a ride-through curve asks for depth and "
        "duration only; those outside the time of the trend are named.",
    example="Row 7 lies in the hour that the clocks repeat.",
    codes={"file-event-time": "When an event began is uncertain", "file-event-elsewhere": "Outside the trend"},
)

CHECKS = (TIME_LINE, DUPLICATES, ORDER_OF_ROWS, OVERLAP, VALUES, COLUMNS, HOLES, EVENTS)
OF_CODE = {code: check for check in (*CHECKS, clock_steps.CHECK) for code in check.codes}
"""The check of each note, by its reason code."""


def note_outcomes(notes: Sequence[Note]) -> Iterator[tuple[Outcome, tuple[RowSpan, ...]]]:
    """Notes of one code and one set of channels become one outcome, with the rows they name.

    Serious notes are inconclusive: they left intervals unobserved. Others are passes with a note.
    """
    merged: dict[tuple[str, tuple[str, ...]], list[Note]] = {}
    for note in notes:
        merged.setdefault((note.code, tuple(channel.name for channel in note.channels)), []).append(note)
    for (code, names), group in merged.items():
        first = group[0].channels[0] if len(names) == 1 else None
        # What is missing is counted by the check of completeness, channel by channel.
        serious = any(note.serious for note in group) and code != "gap"
        spans = sorted({span for note in group for span in note.spans})
        yield Outcome(
            OF_CODE.get(f"file-{code}", TIME_LINE), Verdict.INCONCLUSIVE if serious else Verdict.PASS,
            names[0] if len(names) == 1 else f"file:{code}", first.quantity if first else None,
            first.phase if first else None, first.order if first else None,
            code=f"file-{code}", text="; ".join(dict.fromkeys(note.text for note in group)),
            advice="These intervals count as unobserved; export the file again without spreadsheet if it was damaged."
            if serious else "Nothing to do.",
            spans=tuple(Extent(start, end, 0, 0.0, start) for start, end in spans),
        ), tuple(row for note in group for row in note.rows)
