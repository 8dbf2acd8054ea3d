"""Too little to look at, a clock that was never set, and a recording that is declared out of the count."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pqcheck import check
from pqcheck.model.verdict import Verdict
from pqcheck.workflows.vet_recording import examine
from tests.recordings import WEEK, recording, site

SUPPLY = {"nominal_voltage": "230 V", "connection": "single-phase"}
RNG = np.random.default_rng(3)


def opened(rows: int = WEEK, start: str = "2031-03-03T00:00:00+00:00", interval_s: float = 600,
           **sections: Any) -> tuple[int, set[str]]:
    """Exit status of vetting a sound voltage, and the codes of what is open."""
    values = np.round(231 + RNG.normal(0, 1.5, rows), 2)
    made = recording({"voltage.an [V]": values}, start=start, interval_s=interval_s)
    result = examine(made, site(supply=SUPPLY, **sections))
    assert not result.refused
    return result.exit_status, {finding.reason.code for finding in result.open_ if finding.reason}


@pytest.mark.parametrize(("rows", "interval_s", "codes"), [
    (3, 600, {"too-short-to-tell"}), (9, 60, {"too-short-to-tell"}), (10, 60, set()), (200, 3, set()),
    (WEEK, 600, set()),
])
def test_a_few_rows_show_nothing(rows: int, interval_s: float, codes: set[str]) -> None:
    """Ten minutes after hook-up, at one minute or 3 s, is enough to go home."""
    assert opened(rows, interval_s=interval_s) == (3 if codes else 0, codes)


@pytest.mark.parametrize(("start", "codes"), [
    ("1970-01-01T00:00:00+00:00", {"clock-unset"}), ("1980-01-01T03:00:00+00:00", {"clock-unset"}),
    ("1999-12-20T00:00:00+00:00", set()), ("2031-01-01T00:00:00+00:00", set()),
])
def test_a_clock_that_was_not_set(start: str, codes: set[str]) -> None:
    assert opened(start=start) == (3 if codes else 0, codes)


def exclusion(first: str, last: str) -> dict[str, str]:
    return {"from": first, "to": last, "reason": "outage log 7", "author": "engineer"}


@pytest.mark.parametrize(("exclusions", "codes"), [
    ([exclusion("2031-03-01T00:00:00Z", "2031-04-01T00:00:00Z")], {"mostly-excluded"}),
    ([exclusion("2031-03-03T00:00:00Z", "2031-03-05T00:00:00Z"),
      exclusion("2031-03-04T00:00:00Z", "2031-03-07T00:00:00Z")], {"mostly-excluded"}),
    ([exclusion("2031-03-03T00:00:00Z", "2031-03-05T00:00:00Z")] * 2, set()),
])
def test_a_recording_declared_out_of_the_count(exclusions: list[dict[str, str]], codes: set[str]) -> None:
    assert opened(exclusions=exclusions) == (3 if codes else 0, codes)


def test_what_is_open_so_takes_no_verdict_back() -> None:
    values = np.round(231 + RNG.normal(0, 1.5, WEEK), 2)
    made = recording({"voltage.an [V]": values}, start="1970-01-01T00:00:00+00:00")
    result = check(made, site(supply=SUPPLY), "en50160-2010-lv", quantities=["voltage"])
    assert result.verdict is Verdict.PASS
    assert not any(line.startswith("Nothing speaks against") for line in result.remarks)
