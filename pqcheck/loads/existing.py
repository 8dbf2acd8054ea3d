"""Determination of an existing load by the load rules of limit tables: multiplier x demand + new load against a rating.

The rules are data (`limits/`, ``load_rules``); here is only the arithmetic they share. A choice that a document leaves
open is computed each way and decides nothing unless it is declared or makes no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from pqcheck.clock import duration_text, iso
from pqcheck.findings import Finding, Intervals, Limit, Margin, Period, Reason, Statistic, Verdict
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.load_rules import DemandSource, LoadCondition, LoadRule
from pqcheck.loads.declared import NewLoad, new_loads
from pqcheck.loads.demand import demand_of
from pqcheck.loads.existing_demand import Basis, declared_basis, recorded_basis
from pqcheck.loads.existing_ways import Way, outcome, ways_of
from pqcheck.loads.values import Demand, Room
from pqcheck.reasons import sentence
from pqcheck.recording import Recording
from pqcheck.site.model import Site

_DIRECTION = ("reversed-current", "swapped-currents")
"""Doubts about direction or phase, which leave the size of a current alone."""

QUARTER_US = 900_000_000

DECIDES = "Licensed practice and the local code decide; this is a calculation for them."


def existing_load_findings(
    tables: Sequence[LimitTable],
    recording: Recording,
    site: Site,
    others: Sequence[Finding] = (),
    demand: Demand | None = None,
) -> list[Finding]:
    """One finding of kind limit for each load rule of the tables; empty when no table has one.

    `others` are the findings about the recording: a current whose size cannot be trusted carries no pass.
    """
    rules = [(table, rule) for table in tables for rule in table.load_rules]
    if not rules:
        return []
    loads = new_loads(site)
    found = []
    studies: dict[int, Demand] = {} if demand is None else {round(demand.interval_s * 1e6): demand}
    for table, rule in rules:
        interval_us = next(
            (int(one.interval_s * 1_000_000) for one in rule.sources if one.basis == "recorded"), 900_000_000
        )
        if interval_us not in studies:
            studies[interval_us] = demand_of(recording, site, interval_us)
        one = _Determination(table, rule, site, loads, studies[interval_us], recording).finding()
        found.append(_trusted(one, others))
    return found


def _trusted(finding: Finding, others: Sequence[Finding]) -> Finding:
    """A pass that rests on the record (it has a period) falls with the soundness of the currents."""
    if finding.verdict is not Verdict.PASS or finding.period is None:
        return finding
    for one in others:
        doubtful = one.kind == "recording" and one.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
        if doubtful and one.quantity == "current" and one.reason is not None and one.reason.code not in _DIRECTION:
            return finding.replaced(verdict=one.verdict, reason=one.reason, proven=False)
    return finding


def existing_load_rooms(
    tables: Sequence[LimitTable], recording: Recording, site: Site, loads: Sequence[NewLoad]
) -> list[Room]:
    """How much of the declared addition each determination bears, under the declared way that bears least."""
    found = []
    size = sum(load.rms_va for load in loads)
    for table in tables:
        for rule in table.load_rules:
            one = _Determination(table, rule, site, loads, demand_of(recording, site, QUARTER_US), recording)
            share = one.share()
            if share is not None:
                title = f"{table.id} {rule.id}"
                found.append(
                    Room(f"{table.id}/{rule.id}", title, "current", share, share * size, help=room_help(share))
                )
    return found


def room_help(share: float) -> str:
    """What would help a rating, as an order of magnitude."""
    if share >= 1:
        return ""
    return f"about {100 * (1 - share):.0f} % less of the addition, or a larger rating"


def declared_fact(site: Site, name: str) -> bool | None:
    """A declared condition; generation declared on site is a renewable source unless it is declared to be none."""
    value: bool | None = site.load_study.get(name)
    if value is None and name == "renewable_source" and (site.generation.facility or site.generation.inverter_share):
        return True
    return value


class _Determination:
    def __init__(
        self,
        table: LimitTable,
        rule: LoadRule,
        site: Site,
        loads: Sequence[NewLoad],
        demand: Demand,
        recording: Recording,
    ) -> None:
        self.table, self.rule, self.site, self.loads = table, rule, site, loads
        self.demand, self.recording = demand, recording
        self.rating: Decimal | None = site.ratings.get(rule.rating)

    def finding(self) -> Finding:
        """The determination."""
        if self.rating is None:
            others = [one.rating for one in self.table.load_rules if one.rating in self.site.ratings]
            if others:
                why = f"only the {others[0]} rating is declared, and no {self.rule.rating} rating to compare with"
                return self._plain(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
            return self._plain(Verdict.INCONCLUSIVE, "rating-not-declared", rating=self.rule.rating)
        excluded = self._excluding(self.rule.conditions)
        if excluded is not None:
            return self._plain(Verdict.NOT_APPLICABLE, "outside-scope", why=excluded.reason.rstrip("."))
        source, basis, why = self._source()
        if source is None:
            return self._plain(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
        if basis is None:
            advice = (
                "Declare [load_study] maximum_demand in A, or kW with maximum_demand_power_factor, or record amperes."
            )
            return self._plain(Verdict.INCONCLUSIVE, "demand-unknown", why=why, advice=advice)
        return self._decide(source, basis)

    def share(self) -> float | None:
        """The share of the declared addition at which the rating is reached; None where nothing is to be decided."""
        if self.rating is None or self._excluding(self.rule.conditions) is not None:
            return None
        source, basis, _ = self._source()
        if source is None or basis is None:
            return None
        ways = [way for way in ways_of(self.rule, source, basis, self.site, self.loads) if way.declared]
        shares = [(float(self.rating) - (way.high - way.new)) / way.new for way in ways if way.new > 0]
        # Where the demand alone is above the rating, no addition holds and there is nothing to scale.
        return min(shares) if shares and min(shares) >= 0 else None

    def _excluding(self, conditions: Sequence[LoadCondition]) -> LoadCondition | None:
        """The first condition whose declared fact takes the rule, or the source, out of force."""
        for one in conditions:
            value = declared_fact(self.site, one.fact)
            if one.excludes and value is not None and value is not one.value:
                return one
        return None

    def _source(self) -> tuple[DemandSource | None, Basis | None, str]:
        """Where the demand comes from; without one the sentence says why (source None: none is allowed)."""
        why = ""
        allowed: DemandSource | None = None
        for source in self.rule.sources:
            excluded = self._excluding(source.conditions)
            if excluded is not None:
                why = excluded.reason.rstrip(".")
                continue
            allowed = source
            if source.basis == "declared":
                basis, text = declared_basis(self.site, source, self.demand)
            else:
                basis, text = recorded_basis(self.demand, self.site)
            if basis is not None:
                return source, basis, ""
            why = text
        return allowed, None, why

    def _decide(self, source: DemandSource, basis: Basis) -> Finding:
        assert self.rating is not None
        ways = ways_of(self.rule, source, basis, self.site, self.loads)
        live = [way for way in ways if way.declared]
        rating = float(self.rating)
        verdicts = {outcome(way, rating) for way in live}
        worst = max(live, key=lambda way: way.high)
        missing = self._missing(source)
        numbers = f"{worst.words} against {rating:g} A"
        fails_whatever = all(outcome(way, rating) is Verdict.FAIL for way in ways)
        if missing and not (
            fails_whatever and not any(name in ("renewable_source", "peak_shaving") for name in missing)
        ):
            would = f"{numbers}, as far as declared"
            return self._judged(
                worst, basis, Verdict.INCONCLUSIVE, "load-conditions", numbers=would, missing=", ".join(missing)
            )
        unmet = [
            one
            for one in (*self.rule.conditions, *source.conditions)
            if not one.excludes and declared_fact(self.site, one.fact) is not one.value
        ]
        if unmet and not fails_whatever:
            why = unmet[0].reason[0].lower() + unmet[0].reason[1:]
            return self._judged(worst, basis, Verdict.INCONCLUSIVE, "load-not-representative", numbers=numbers, why=why)
        if source.basis == "recorded" and self.demand.longest_run_s < float(source.continuous_s) and not fails_whatever:
            return self._judged(
                worst, basis, Verdict.INCONCLUSIVE, "not-continuous",
                numbers=numbers, run=_days(self.demand.longest_run_s), total=_days(self.demand.recorded_s),
                needed=_days(float(source.continuous_s)),
            )  # fmt: skip
        if len(verdicts) > 1:
            return self._open(ways, live, basis, worst, rating)
        verdict = verdicts.pop()
        if verdict is Verdict.INCONCLUSIVE:
            text = f"{worst.low_words} to {worst.words} against {rating:g} A"
            interval = duration_text(round(self.demand.interval_s * 1e6))
            return self._judged(worst, basis, verdict, "demand-bounded", numbers=text, interval=interval)
        if any(outcome(way, rating) is not verdict for way in ways):
            declared = ", ".join(worst.choices)
            return self._judged(
                worst, basis, verdict, "load-choice-declared", declared=declared, ways=_each_way(ways, rating)
            )
        return self._judged(worst, basis, verdict, None)

    def _open(self, ways: Sequence[Way], live: Sequence[Way], basis: Basis, worst: Way, rating: float) -> Finding:
        names = [
            name
            for name in self.rule.choices
            if len({way.choice(name) for way in live}) > 1
        ]  # fmt: skip
        return self._judged(
            worst, basis, Verdict.INCONCLUSIVE, "load-choice", ways=_each_way(live, rating), choices=" and ".join(names)
        )

    def _missing(self, source: DemandSource) -> list[str]:
        """Conditions and facts that nobody declared."""
        conditions = (*self.rule.conditions, *source.conditions)
        found = [one.fact for one in conditions if declared_fact(self.site, one.fact) is None]
        if self.rule.seasonal and source.basis == "recorded" and "seasonal_addition" not in self.site.load_study:
            found.append('seasonal_addition ("0 A" if everything ran)')
        return list(dict.fromkeys(found))

    def _plain(self, verdict: Verdict, code: str, **fields: object) -> Finding:
        text, advice = sentence(code, **fields)
        return self._base(None, verdict).replaced(reason=Reason(code, text, advice))

    def _base(self, phase: str | None, verdict: Verdict) -> Finding:
        interval_s = self.demand.interval_s
        return Finding(
            kind="limit",
            table=self.table.id,
            rule=self.rule.id,
            clause=self.rule.clause,
            title=f"{self.rule.title} ({DECIDES})",
            quantity="current",
            phase=phase,
            order=None,
            verdict=verdict,
            channel="-" if phase is None else f"current.{phase}",
            statistic=Statistic("all_within", 100.0, interval_s, None, "A"),
        )

    def _judged(self, worst: Way, basis: Basis, verdict: Verdict, code: str | None, **fields: object) -> Finding:
        assert self.rating is not None
        rating = float(self.rating)
        base = self._base(worst.phase, verdict)
        assert base.statistic is not None
        # A fail is stated with the least the demand can be, everything else with the most.
        least = verdict is Verdict.FAIL and worst.low != worst.high
        words = f"at least {worst.low_words}" if least else worst.words
        value = round(worst.low if least else worst.high, 6)
        reason = None
        if code is not None:
            text, advice = sentence(code, **fields)
            reason = Reason(code, text, advice)
        margin = Decimal(repr(rating)) - Decimal(repr(value))
        period = None
        intervals = None
        if basis.recorded and self.recording.streams:
            start = min(stream.axis.start_us for stream in self.recording.streams)
            end = max(stream.axis.end_us for stream in self.recording.streams)
            period = Period("recording", iso(start, self.recording.zone), iso(end, self.recording.zone))
            expected = round(self.demand.expected_s / self.demand.interval_s)
            valid = min(expected, round(self.demand.recorded_s / self.demand.interval_s))
            intervals = Intervals(expected, valid, expected - valid, 0, int(verdict is Verdict.FAIL), 0)
        modifiers = ("unverified_limit",) if self.rule.confidence == "memory" else ()
        return base.replaced(
            title=f"{self.rule.title}: {words}; {basis.words} ({DECIDES})",
            reason=reason,
            modifiers=modifiers,
            period=period,
            statistic=Statistic("all_within", 100.0, self.demand.interval_s, value, "A"),
            limit=Limit(None, rating, "A"),
            margin=Margin(float(margin), "A", float(round(100 * margin / Decimal(repr(rating)), 6))),
            intervals=intervals,
            proven=verdict in (Verdict.PASS, Verdict.FAIL),
        )


def _each_way(ways: Sequence[Way], rating: float) -> str:
    words = {Verdict.PASS: "passes", Verdict.FAIL: "fails", Verdict.INCONCLUSIVE: "is open"}
    parts = [f"with {', '.join(way.choices)}: {way.high:.1f} A {words[outcome(way, rating)]}" for way in ways]
    return f"against {rating:g} A " + "; ".join(parts)


def _days(seconds: float) -> str:
    return f"{seconds / 86400:.3g} days"
