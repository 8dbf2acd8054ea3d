"""Which judged quantities are kept at their rule's interval: everything judged that is no single harmonic order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from pqcheck.deriving.sources import Catalogue, Wanted, usable
from pqcheck.findings import Findings
from pqcheck.judging.resolve import resolve
from pqcheck.judging.tasks import Task, scale_of
from pqcheck.limit_tables import LimitTable
from pqcheck.observing.gather import Asked
from pqcheck.recording import Recording
from pqcheck.site.model import Site
from pqcheck.units import UnitError, factor


def asked_by_tables(tables: Sequence[LimitTable], recording: Recording, site: Site) -> list[Asked]:
    """The sources that judging uses, one per quantity, phase and interval."""
    tasks, _ = resolve(tables, recording, site, site.quantities)
    return asked_by_tasks(tasks)


def asked_by_tasks(tasks: Iterable[Task]) -> list[Asked]:
    """The same from tasks that are at hand."""
    found: dict[tuple[str, str | None, int, str], Asked] = {}
    for task in tasks:
        wanted = task.wanted
        if task.source is None or wanted.order is not None or wanted.hertz is not None:
            continue
        scale = scale_of(task.source.formula.unit, task.unit, wanted)
        one = Asked(task.source, wanted.quantity, wanted.phase, task.interval_us, task.unit, scale)
        found.setdefault((wanted.quantity, wanted.phase, task.interval_us, task.unit), one)
    return list(found.values())


def asked_by_findings(findings: Findings, recording: Recording) -> list[Asked]:
    """The same from a findings file whose tables are not at hand: columns as recorded, no change of base."""
    catalogue = Catalogue(recording)
    found: dict[tuple[str, str | None, int], Asked] = {}
    for one in findings.findings:
        statistic = one.statistic
        if one.kind != "limit" or one.order is not None or one.quantity is None or statistic is None:
            continue
        if statistic.value is None or statistic.interval_s is None:
            continue
        interval_us = round(statistic.interval_s * 1_000_000)
        sources = usable(catalogue.sources(Wanted(one.quantity, one.phase, None)), interval_us, [interval_us])
        if not sources:
            continue
        try:
            scale = Fraction(1)
            if not sources[0].formula.unit.startswith("%"):
                scale = Fraction(factor(sources[0].formula.unit or "1", statistic.unit))
        except UnitError:
            continue
        key = (one.quantity, one.phase, interval_us)
        found.setdefault(key, Asked(sources[0], one.quantity, one.phase, interval_us, statistic.unit, scale))
    return list(found.values())
