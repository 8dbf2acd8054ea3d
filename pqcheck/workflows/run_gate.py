"""A check that a pipeline can trust: `check` with a margin, waivers, a baseline and a lock.

Order: the lock is checked before anything is judged; then the margin, the waivers, the comparison with the baseline.
Nothing reads the clock; the date that counts is an input.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.model.errors import GateError
from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict, roll_up
from pqcheck.site.scenario import judged_site
from pqcheck.site.site_values import Site
from pqcheck.waivers.apply_waivers import WARN_DAYS, Waiver, apply_waivers, remarks
from pqcheck.workflows.compare_findings import Comparison, compare, label_of, read_results
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
) -> GateResult:
    """Judge spectra or recordings under one scenario or several.

    `recordings`, `tables` and `quantities` are as for `check`; each of `sites` is one scenario. `waivers` is a waiver
    file or its entries (default: the file each site names), `baseline` a findings file or results, `margin` in percent
    of each limit. `as_of` is needed as soon as there is a waiver.

    Raises `GateError` for waivers, a baseline or a lock that cannot be used, and `PqcheckError` as `check` does.
    """
    places = [as_site(place) for place in _several(sites)]
    chosen = [as_tables(tables, place) for place in places]
    margin = check_margin(margin)
    if lock is not None:
        _check_lock(lock, chosen)
    given = [_waivers_of(place, waivers) for place in places]
    if any(given) and as_of is None:
        raise GateError("waivers expire, so the date that counts must be given: as_of, on the command line --as-of")
    known = None if baseline is None else _baseline(baseline)
    if fail_on == "new" and known is None:
        raise GateError("fail_on 'new' needs a baseline to tell new from known; give --baseline FINDINGS.json")

    # Judged several times: by every scenario.
    recordings = as_given(recordings)
    results: list[Findings] = []
    used: set[Waiver] = set()
    for place, applied, accepted in zip(places, chosen, given, strict=True):
        findings = check_with_margin(recordings, place, applied, quantities, as_of, margin)
        if accepted and as_of is not None:
            worked = apply_waivers(findings, accepted, applied, judged_site(place), as_of)
            findings, used = worked.findings, used | worked.used
        results.append(findings)
    _check_labels(results)
    comparisons = [
        None if known is None else _compared(result, results, known, place)
        for result, place in zip(results, places, strict=True)
    ]
    return GateResult(
        tuple(results),
        tuple(comparisons),
        tuple(_bases(place, applied) for place, applied in zip(places, chosen, strict=True)),
        _waiver_remarks(places, given, results, frozenset(used), as_of),
        fail_on,
    )


def _several(sites: Sites | Sequence[Sites]) -> list[Any]:
    if isinstance(sites, (Site, str, Path, Mapping)):
        return [sites]
    if not sites:
        raise GateError("no site file was given; name one for every scenario")
    return list(sites)


def _check_lock(path: str | Path, chosen: Sequence[Sequence[LimitTable]]) -> None:
    from pqcheck.workflows.table_lock import check_lock, read_lock

    lock = read_lock(path)
    for applied in chosen:
        check_lock(lock, applied)


def _waivers_of(site: Site, given: str | Path | Sequence[Waiver] | None) -> tuple[Waiver, ...]:
    if given is None:
        given = site.waivers.get("file", ())
    if isinstance(given, (str, Path)):
        from pqcheck.waivers.waiver_file import read_waivers

        return read_waivers(given)
    return tuple(given)


def _waiver_remarks(
    sites: Sequence[Site],
    given: Sequence[tuple[Waiver, ...]],
    results: Sequence[Findings],
    used: frozenset[Waiver],
    as_of: date | None,
) -> tuple[str, ...]:
    if as_of is None:
        return ()
    lines: dict[str, None] = {}
    for site, waivers, result in zip(sites, given, results, strict=True):
        asked = [waiver for waiver in waivers if waiver.asked_at(result)]
        days = int(site.waivers.get("warn_days", WARN_DAYS))
        lines |= dict.fromkeys(remarks(asked, used, as_of, days))
    return tuple(lines)


def _baseline(given: str | Path | Sequence[Findings]) -> tuple[Findings, ...]:
    return read_results(given) if isinstance(given, (str, Path)) else tuple(given)


def _check_labels(results: Sequence[Findings]) -> None:
    labels = [label_of(result) for result in results]
    for label in labels:
        if labels.count(label) > 1:
            raise GateError(f"two site files are both called {label!r}; give each scenario a name of its own")


def _compared(result: Findings, results: Sequence[Findings], known: Sequence[Findings], site: Site) -> Comparison:
    """The comparison with the baseline of the same scenario; one against one is compared whatever the names."""
    tolerance = site.gate.get("tolerance") or Decimal(0)
    if len(results) == len(known) == 1:
        return compare(known[0], result, tolerance)
    label = label_of(result)
    same = [earlier for earlier in known if label_of(earlier) == label]
    if same:
        return compare(same[0], result, tolerance)
    without = Findings((), result.site, (), result.limit_tables)
    comparison = compare(without, result, tolerance)
    return replace(comparison, remarks=(f"The baseline has no scenario {label!r}: everything in it counts as new.",))


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
