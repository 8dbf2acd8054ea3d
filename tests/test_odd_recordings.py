"""No odd recording passes that should not: properties over generated files, held against an independent reading."""

from __future__ import annotations

import os
import random
from fractions import Fraction

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.odd_recordings import properties
from tests.odd_recordings.cells import NO_VALUE, ODD_NUMBERS
from tests.odd_recordings.forms import FORMS
from tests.odd_recordings.strategies import Column, Odd, Part, odd_recordings, plain

EXAMPLES = os.environ.get("PQCHECK_ODD_RECORDINGS")
"""How many examples of each property, chosen at random; a few that are always the same where it is not set."""
some = settings(
    max_examples=int(EXAMPLES or 30), derandomize=EXAMPLES is None, deadline=None, database=None,
    suppress_health_check=list(HealthCheck), report_multiple_bugs=False,
    phases=[Phase.explicit, Phase.generate, Phase.shrink],
)  # fmt: skip
SHARES = st.sampled_from([0.003, 0.03, 0.06, 0.3, 1.0])
SEEDS = st.integers(0, 2**32 - 1)
SHIFTS = st.sampled_from([0.9, 1.1])


@some
@given(odd_recordings())
def test_pass_and_fail_follow_from_the_rows(recording: Odd) -> None:
    properties.answered(recording)


@some
@given(odd_recordings(odd=False, cuts=False))
def test_plain_rows_are_decided(recording: Odd) -> None:
    properties.plain_rows_are_decided(recording)


@some
@given(odd_recordings(odd=False), st.sampled_from([*NO_VALUE, *ODD_NUMBERS]), SHARES, SEEDS)
def test_cell_that_is_no_number_never_helps(recording: Odd, cell: str, share: float, seed: int) -> None:
    properties.odd_never_helps(recording, cell, share, seed)


@some
@given(odd_recordings(cuts=False), SEEDS)
def test_files_split_anywhere(recording: Odd, seed: int) -> None:
    properties.splitting_changes_nothing(recording, seed)


@some
@given(st.sampled_from(["OVL", "OL", "OFL", "230@0 OL", ">230@0", ">300@0", "<230@0"]))
def test_files_split_between_a_breach_and_cells_over_range(word: str) -> None:
    """A bare word for "above the range" says the same of a reading, whatever else stands in its file."""
    rng = random.Random(0)
    breach, spoilt = 12, 100
    cells = [plain(rng.uniform(225, 235), 1) for _ in range(144)]
    cells[breach] = "262@4"
    cells[spoilt::4] = [word] * len(cells[spoilt::4])
    files = [[Part(600, 0, [cells])], [Part(900, 86_400, [[plain(rng.uniform(225, 235), 1) for _ in range(96)]])]]
    recording = Odd([Column("voltage", "an")], files)
    for at in (breach, 60, spoilt + 7):
        properties.splitting_changes_nothing(recording, 0, at)


@some
@given(odd_recordings(cuts=False), st.integers(0, 5), st.sampled_from([60, 300]))
def test_finer_time_base_of_the_same_values(recording: Odd, number: int, interval_s: int) -> None:
    properties.bases_change_nothing(recording, number, interval_s)


@some
@given(odd_recordings(odd=False, cuts=False), st.data(), st.sampled_from([60, 300]), st.sampled_from([0.96, 1.05, 1.5]))
def test_contradicting_time_bases_pass_nothing(recording: Odd, data: st.DataObject, interval_s: int, by: float) -> None:
    column = data.draw(st.integers(0, len(recording.columns) - 1))
    if recording.columns[column].quantity == "voltage_thd":
        by = 2 * by if by > 1 else by / 2
    properties.contradiction_never_passes(recording, column, interval_s, by)


@some
@given(odd_recordings())
def test_vetting_is_never_sound_where_a_rule_is_refused(recording: Odd) -> None:
    properties.refusals_reach_vetting(recording)


@some
@given(odd_recordings(odd=False, cuts=False), st.integers(0, 9), st.sampled_from([60, 300]), SHIFTS)
def test_vetting_is_never_sound_where_time_bases_contradict(
    recording: Odd, column: int, interval_s: int, by: float
) -> None:
    both = properties.contradicting(recording, column % len(recording.columns), interval_s, by)
    if both is not None:
        properties.refusals_reach_vetting(both)


@some
@given(odd_recordings(cuts=False), st.sampled_from(sorted(FORMS)))
def test_other_forms_of_the_same_rows(recording: Odd, form: str) -> None:
    properties.forms_change_nothing(recording, form)


@some
@given(odd_recordings(), st.sampled_from([Fraction(99, 100), Fraction(9, 10), Fraction(1, 2), Fraction(1, 10)]))
def test_tighter_limit_never_helps(recording: Odd, factor: Fraction) -> None:
    properties.tightening_never_helps(recording, factor)


@some
@given(odd_recordings(), SHARES, SEEDS)
def test_fewer_readings_never_help(recording: Odd, share: float, seed: int) -> None:
    properties.removal_never_helps(recording, share, seed)


@some
@given(odd_recordings(odd=False, cuts=False), st.data())
def test_channel_with_one_value_never_passes(recording: Odd, data: st.DataObject) -> None:
    column = data.draw(st.integers(0, len(recording.columns) - 1))
    low, decimals = {"voltage": (230.0, 1), "voltage_thd": (2.0, 2), "flicker_pst": (0.3, 2)}[
        recording.columns[column].quantity
    ]
    properties.one_value_never_passes(recording, column, plain(data.draw(st.sampled_from([low, 0.0])), decimals))


@some
@given(
    odd_recordings(odd=False, cuts=False),
    st.lists(st.sampled_from(properties.UNKNOWN), min_size=1, max_size=2, unique=True),
)
def test_columns_left_alone_are_named(recording: Odd, headers: list[str]) -> None:
    properties.columns_are_named(recording, headers)
