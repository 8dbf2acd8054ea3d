"""The demand currents for which a reading would pass, against the table asked current by current.

Row edges (Isc/IL of 20, 50, 100, 1000) and limits are those of IEEE 519-2022 tables 2 to 4 as the package holds them.
"""

from __future__ import annotations

import itertools
from decimal import Decimal
from fractions import Fraction

import pytest

from pqcheck.judge.break_even import BreakEven
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.judge.site_facts import ask
from pqcheck.judge.tasks import Task
from pqcheck.limit_tables import load_table
from pqcheck.site.site_values import Site
from tests.recordings import recording, site

SHORT_CIRCUIT = 12_000


def made() -> tuple[Site, list[Task]]:
    place = site(pcc={"is_pcc": True, "short_circuit_current": "12 kA", "maximum_demand_current": "400 A"})
    names = ["current_tdd.a [%]", *(f"current_harmonic.a.h{order} [A]" for order in (2, 5, 11, 13, 24, 37, 50))]
    tasks, _ = resolve([load_table("ieee519-2022")], recording({name: [1.0] * 1008 for name in names}), place)
    return place, [task for task in tasks if task.rule.reference == "maximum_demand_current"]


def passes(task: Task, amperes: Fraction, demand: Fraction, place: Site) -> bool:
    """Whether the row for this demand current lets so many amperes pass."""
    for row in task.rule.rows:
        spans = [one.span for one in row.where if one.fact == "short_circuit_ratio" and one.span is not None]
        others = [one for one in row.where if one.fact != "short_circuit_ratio"]
        if row.high is None or not ask(place, others).holds:
            continue
        if row.orders is not None and task.wanted.order not in row.orders:
            continue
        ratio = SHORT_CIRCUIT / demand
        low, high = (spans[0].low, spans[0].high) if spans else (None, None)
        # At an edge both rows are asked: which of them holds there is another question.
        if (low is None or ratio >= low) and (high is None or ratio <= high):
            limit = Fraction(row.high) * Fraction(task.rule.factor) / 100 * demand
            if amperes <= limit:
                return True
    return False


@pytest.mark.parametrize("reading", ["0.001", "0.37", "1.44", "1.4400001", "3.9", "12", "16.8", "24", "90", "700"])
def test_ranges_hold_what_passes_and_nothing_else(reading: str) -> None:
    place, tasks = made()
    assert len(tasks) > 8
    for task in tasks:
        amperes = Fraction(reading) if task.unit == "A" else Fraction(reading) * 400 / 100
        ranges = BreakEven(place).of(task).ranges(Decimal(reading))
        assert all(high is None or low < high for low, high in ranges)
        assert all(one[1] is not None and one[1] < other[0] for one, other in itertools.pairwise(ranges))
        for step in range(1, 400, 13):
            demand = Fraction(step * step, 37)
            held = any(Fraction(low) <= demand and (high is None or demand < high) for low, high in ranges)
            edge = any(abs(demand - Fraction(one)) < Fraction(1, 10**9) for pair in ranges for one in pair if one)
            assert edge or held == passes(task, amperes, demand, place), (task.base_name, demand)
