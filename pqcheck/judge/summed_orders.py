"""A remark where recorded distortions answer rules that sum to different orders, and nobody says how far they sum."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.derive.formulas import RootSumSquare
from pqcheck.judge.tasks import Task
from pqcheck.site.site_values import Site

_TOTALS = ("voltage_thd", "current_tdd", "current_trd")


def summed_orders(tasks: Sequence[Task], site: Site) -> list[str]:
    """The remark, if there is one: a line for people."""
    if site.recording.thd_to_order is not None:
        return []
    asked: dict[int, set[str]] = {}
    for task in tasks:
        formed = task.source is not None and isinstance(task.source.formula, RootSumSquare)
        if task.wanted.quantity in _TOTALS and not formed:
            asked.setdefault(task.wanted.highest_order, set()).add(task.table.id)
    if len(asked) < 2:
        return []
    orders = " and ".join(f"{order} ({', '.join(sorted(tables))})" for order, tables in sorted(asked.items()))
    return [f"The recorded distortion is taken as it stands for rules that sum to order {orders}; "
            "declare [recording] thd_to_order."]
