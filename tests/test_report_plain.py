"""Plain words: lengths of time, allowances, numbers that do not lie about the side of a limit they are on."""

from __future__ import annotations

from datetime import datetime

import pytest

from pqcheck.model.findings import Finding, Limit, Period, Statistic
from pqcheck.model.reason_codes import CATALOGUE
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plain import _PLAIN, allowance, date_words, listed, range_words, reading, span_words, time_words
from pqcheck.reports.plots.waveform_plot import orders_in


def asked(percent: float, length: str, start: str, end: str) -> Finding:
    return Finding(
        "limit", "t", "r", "1", "title", "voltage", "an", None, Verdict.PASS, Period(length, start, end),
        statistic=Statistic("share_within", percent, 600, 230.0, "V"),
    )  # fmt: skip


# Arithmetic: 5 % of 168 h is 8.4 h, 1 % of 168 h is 1.68 h, 1 % of 24 h is 14.4 min.
@pytest.mark.parametrize(
    ("percent", "length", "end", "words"),
    [
        (95, "week", "2031-03-10T00:00:00+00:00", "for all but about eight hours of the week"),
        (99, "week", "2031-03-10T00:00:00+00:00", "for all but about an hour and a half of the week"),
        (99, "day", "2031-03-04T00:00:00+00:00", "for all but about a quarter of an hour of each day"),
        (100, "week", "2031-03-10T00:00:00+00:00", "at all times"),
        (99.5, "year", "2032-03-02T00:00:00+00:00", "for all but about 44 hours of the year"),
    ],
)
def test_a_share_is_told_as_time(percent: float, length: str, end: str, words: str) -> None:
    assert allowance(asked(percent, length, "2031-03-03T00:00:00+00:00", end)) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(3, "3 seconds"), (600, "about ten minutes"), (3600, "about an hour"), (9000, "about two and a half hours"),
     (43200, "about twelve hours"), (86400 * 4, "about four days")],
)  # fmt: skip
def test_lengths_of_time(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


def test_a_reading_keeps_enough_digits_to_stay_on_its_side_of_the_limit() -> None:
    limit = Limit(207.0, 253.0, "V")
    assert reading(253.04, limit, "V") == "253.04 V"
    assert reading(252.96, limit, "V") == "252.96 V"
    assert reading(253.0, limit, "V") == "253 V"
    assert reading(230.123, limit, "V") == "230 V"
    # Reference case story_19: 7.996 % must not be shown as 8 % against a limit of 8 %.
    assert reading(7.996, Limit(None, 8.0, "%"), "%") == "7.996 %"


def test_ranges_and_lists() -> None:
    assert range_words(Limit(114.0, 126.0, "V")) == "114 to 126 V"
    assert range_words(Limit(None, 8.0, "%")) == "up to 8 %"
    assert listed(["a", "b", "c"]) == "a, b and c"


def test_clock_times_do_not_depend_on_the_language_of_the_machine() -> None:
    assert date_words(datetime(2031, 3, 4), year=True) == "Tuesday 4 March 2031"
    words = span_words("2031-03-04T07:30:00+00:00", "2031-03-04T10:00:00+00:00")
    assert words == "Tuesday 4 March, 07:30 to 10:00"


def test_every_plain_reason_belongs_to_a_known_code_and_reads_as_a_sentence() -> None:
    vetting = {"nominal-doubtful", "reversed-current", "swapped-currents", "lost-lead", "clipped", "stuck", "copied"}
    assert set(_PLAIN) - vetting <= set(CATALOGUE)
    for why, settle in _PLAIN.values():
        assert why[0].islower() and not why.endswith(".")
        assert settle[0].isupper() and settle.endswith(".")


def test_orders_are_read_back_from_the_sentence_that_names_them() -> None:
    assert orders_in("Orders 26 to 28, 40, 42 of voltage harmonic were not recorded.") == [26, 27, 28, 40, 42]
    assert orders_in("Order nothing") == []
