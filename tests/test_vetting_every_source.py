"""Vetting compares the sources of every quantity, whatever its unit."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.model.verdict import Verdict
from pqcheck.workflows.vet_recording import examine
from tests.recordings import WEEK, site
from tests.recordings import recording as made_of


@pytest.mark.parametrize("column", [
    "frequency [Hz]", "flicker_pst.an", "negative_sequence_unbalance [%]", "voltage_thd.an [%]", "current.a [A]",
])
def test_a_quantity_of_any_unit_is_vetted(column: str) -> None:
    level = 50.0 if column.startswith("frequency") else 0.6
    values = np.round(level + np.random.default_rng(1).normal(0, 0.02, WEEK), 3)
    found = examine(made_of({column: values}), site()).findings.findings
    assert all(one.verdict is not Verdict.FAIL for one in found)
