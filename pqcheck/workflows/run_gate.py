"""A check that a pipeline can trust: `check` with a margin, waivers, a baseline and a lock.

Order: the lock is checked before anything is judged; then the margin, the waivers, the comparison with the baseline.
Nothing reads the clock; the date that counts is an input.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, get_args

from msgspec import Struct

from pqcheck.limit_tables import LimitTable
from pqcheck.model.errors import GateError, nearest
from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict, roll_up
from pqcheck.site.scenario import judged_site
from pqcheck.site.site_values import Site
from pqcheck.waivers.apply_waivers import WARN_DAYS, Waiver, apply_waivers, remarks
from pqcheck.workflows.compare_findings import Comparison, label_of
from pqcheck.workflows.gate_lock import Question
from pqcheck.workflows.hold_baseline import (
    Held,
    accepted_results,
    completeness,
    hold_against_baseline,
    with_added,
)
from pqcheck.workflows.hold_margin import Percent, check_margin, check_with_margin
from pqcheck.workflows.inputs import Recordings, Sites, Tables, as_given, as_site, as_tables

FailOn = Literal["any", "new"]
Bases = Mapping[tuple[str, str], Decimal]
"""Amperes that are 100 % for a rule, by table and rule."""


class GateResult(Struct, frozen=True):
    """One result per scenario (site file), in the order given, with its comparison where there is a baseline."""

    results: tuple[Findings, ...]
    comparisons: tuple[Comparison | None, ...]
    bases: tuple[Bases, ...]
    remarks: tuple[str, ...] = ()
    """Waivers that are unused, pending or about to expire."""
    fail_on: FailOn = "any"
    notes: tuple[str, ...] = ()
    """What is pinned and not judged, and a date that lies before the end of a recording."""

    def __repr__(self) -> str:
        """``<GateResult exit 1: [<Findings fail: ...>]>``."""
        return f"<GateResult exit {int(self.exit_status)}: {list(self.results)}>"

    @property
    def exit_status(self) -> ExitStatus:
        """1 for a fail (with ``fail_on="new"``: one that is new or worse), else 3 for what was not judged, else 0."""
        pairs = zip(self.results, self.comparisons, strict=True)
        return exit_status(roll_up(self._verdict(result, comparison) for result, comparison in pairs))

    def _verdict(self, result: Findings, comparison: Comparison | None) -> Verdict:
        """The roll-up of a scenario, in which failures that are known and no worse count as waived."""
        if self.fail_on == "any" or comparison is None:
            return result.verdict
        required = [finding for finding in result.findings if finding.required]
        # A danger sign is never a known failure.
        danger = any(finding.kind == "safety" and finding.verdict is Verdict.FAIL for finding in required)
        if danger or any(change.red for change in comparison.changes):
            return Verdict.FAIL
        return roll_up(Verdict.WAIVED if finding.verdict is Verdict.FAIL else finding.verdict for finding in required)


def ungated(findings: Findings) -> GateResult:
    """A check as a gate without waivers, baseline and margin gives it."""
    return GateResult((findings,), (None,), ({},))


def gate(
    recordings: Recordings,
    sites: Sites | Sequence[Sites],
    tables: Tables | None = None,
    *,
    quantities: Iterable[str] | None = None,
    as_of: date | None = None,
    waivers: str | Path | Sequence[Waiver] | None = None,
    baseline: str | Path | Sequence[Findings] | None = None,
    fail_on: FailOn = "any",
    lock: str | Path | None = None,
    margin: Percent | None = None,
    baseline_differs: bool = False,
    allow_gone: bool = False,
) -> GateResult:
    """Judge spectra or recordings under one scenario or several.

    `recordings`, `tables` and `quantities` are as for `check`; each of `sites` is one scenario. `waivers` is a waiver
    file or its entries (default: the file each site names), `baseline` a findings file or results, `lock` a lock file,
    `margin` in percent of each limit. `as_of` is needed as soon as there is a waiver. `baseline_differs` accepts a
    baseline of another question, `allow_gone` that something it judged is no longer judged.

    Raises `GateError` for waivers, a baseline or a lock that cannot be used, and for arguments that cannot be;
    `PqcheckError` as `check` does.
    """
    _check_arguments(fail_on, as_of)
    margin = check_margin(margin)
    asked = _several(sites)
    questions = questions_of(asked, tables, waivers)
    notes: list[str] = []
    if lock is not None:
        notes += _pinned(lock, questions, asked, tables, waivers)
    if any(question.waivers for question in questions) and as_of is None:
        raise GateError("waivers expire, so the date that counts must be given: as_of, on the command line --as-of")
    known = None if baseline is None else accepted_results(baseline)
    if fail_on == "new" and known is None:
        raise GateError("fail_on 'new' needs a baseline to tell new from known; give --baseline FINDINGS.json")

    # Judged several times: by every scenario.
    recordings = as_given(recordings)
    results: list[Findings] = []
    used: set[Waiver] = set()
    days: list[date | None] = []
    for question in questions:
        place, applied = question.site, question.tables
        findings = check_with_margin(recordings, place, applied, quantities, as_of, margin)
        day = _day_that_counts(findings, as_of)
        if question.waivers and day is not None:
            worked = apply_waivers(findings, question.waivers, applied, judged_site(place), day)
            findings, used = worked.findings, used | worked.used
        results.append(with_added(findings, list(completeness(findings, place.gate))))
        days.append(day)
        if day != as_of:
            notes.append(
                f"--as-of {as_of} lies before the end of the recording, {day}: waivers are held against {day}, limit "
                f"tables against {as_of}."
            )
    _check_labels(results)
    places = [question.site for question in questions]
    held = [Held(result, None) for result in results]
    if known is not None:
        held = hold_against_baseline(results, known, places, differs=baseline_differs, gone=allow_gone)
    bases: list[Bases] = [_bases(question.site, question.tables) for question in questions]
    return GateResult(
        tuple(one.findings for one in held),
        tuple(one.comparison for one in held),
        (*bases, *({} for _ in held[len(bases) :])),
        _waiver_remarks(questions, results, frozenset(used), days),
        fail_on,
        tuple(dict.fromkeys(notes)),
    )


def questions_of(
    sites: Sites | Sequence[Sites], tables: Tables | None = None, waivers: str | Path | Sequence[Waiver] | None = None
) -> list[Question]:
    """What each scenario is judged by: the site, its tables and its waivers."""
    places = [as_site(place) for place in _several(sites)]
    return [Question(place, tuple(as_tables(tables, place)), _waivers_of(place, waivers)) for place in places]


def _check_arguments(fail_on: object, as_of: object) -> None:
    """What a type checker would say, for those who have none: another word would count as the weaker one."""
    words = get_args(FailOn)
    if fail_on not in words:
        raise GateError(f"fail_on = {fail_on!r} cannot be; write 'any' or 'new'{nearest(str(fail_on), words)}")
    if as_of is not None and (not isinstance(as_of, date) or isinstance(as_of, datetime)):
        raise GateError(f"as_of = {as_of!r} is no day; give a datetime.date such as date(2031, 3, 4)")


def _pinned(
    lock: str | Path, questions: Sequence[Question], sites: Sequence[Any], tables: Any, waivers: Any
) -> list[str]:
    from pqcheck.workflows.gate_lock import check_lock, read_lock, rewrite_command

    rewrite = rewrite_command(lock, sites, tables, waivers)
    return check_lock(read_lock(lock, rewrite), questions, rewrite)


def _day_that_counts(findings: Findings, as_of: date | None) -> date | None:
    """The later of `as_of` and the last day of the recording: an early day keeps no waiver alive."""
    if as_of is None:
        return None
    ends = [datetime.fromisoformat(entry["end"]) for entry in findings.recordings if entry.get("end")]
    return max([as_of, *((end - timedelta(microseconds=1)).date() for end in ends)])


def _several(sites: Sites | Sequence[Sites]) -> list[Any]:
    if isinstance(sites, (Site, str, Path, Mapping)):
        return [sites]
    if not sites:
        raise GateError("no site file was given; name one for every scenario")
    return list(sites)


def _waivers_of(site: Site, given: str | Path | Sequence[Waiver] | None) -> tuple[Waiver, ...]:
    if given is None:
        given = site.waivers.get("file", ())
    if isinstance(given, (str, Path)):
        from pqcheck.waivers.waiver_file import read_waivers

        return read_waivers(given)
    return tuple(given)


def _waiver_remarks(
    questions: Sequence[Question], results: Sequence[Findings], used: frozenset[Waiver], days: Sequence[date | None]
) -> tuple[str, ...]:
    lines: dict[str, None] = {}
    for question, result, day in zip(questions, results, days, strict=True):
        if day is not None:
            asked = [waiver for waiver in question.waivers if waiver.asked_at(result)]
            warn_days = int(question.site.waivers.get("warn_days", WARN_DAYS))
            lines |= dict.fromkeys(remarks(asked, used, day, warn_days))
    return tuple(lines)


def _check_labels(results: Sequence[Findings]) -> None:
    labels = [label_of(result) for result in results]
    for label in labels:
        if labels.count(label) > 1:
            raise GateError(f"two site files are both called {label!r}; give each scenario a name of its own")


def _bases(site: Site, tables: Sequence[LimitTable]) -> Bases:
    pcc = judged_site(site).pcc
    if pcc is None:
        return {}
    amperes = {"maximum_demand_current": pcc.maximum_demand_current, "rated_current": pcc.rated_current}
    return {
        (table.id, rule.id): base
        for table in tables
        for rule in table.rules
        if rule.quantity == "current_harmonic" and (base := amperes.get(rule.reference)) is not None
    }
