"""Determination of an existing load by the load rules of limit tables: multiplier x demand + new load against a rating.

The rules are data (`limits/`, ``load_rules``); here is only the arithmetic they share. A choice that a document leaves
open is computed each way and decides nothing unless it is declared or makes no difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from decimal import Decimal
from functools import cached_property

from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.existing_load_rules import DemandSource, LoadCondition, LoadRule
from pqcheck.loads.capacity import margin_to, whole_recording
from pqcheck.loads.declared import NewLoad, addition_va, new_loads
from pqcheck.loads.demand_doubts import DIRECTION, reading_doubt, renewable_source
from pqcheck.loads.existing_load_ways import Basis, Way, declared_basis, outcome, recorded_basis, ways_of
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import Demand, Room
from pqcheck.model.clock import MINUTE, duration_text
from pqcheck.model.findings import Finding, Intervals, Limit, Reason, Statistic
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

_ADDS_TO_RECORD = ("renewable_source", "peak_shaving")
"""Conditions under which the load is higher than what was recorded, or not to be told from it."""

QUARTER_US = 15 * MINUTE

DECIDES = "Licensed practice and the local code decide; this is a calculation for them."


def existing_load_findings(
    tables: Sequence[LimitTable], recording: Recording, site: Site, others: Sequence[Finding] = ()
) -> list[Finding]:
    """One finding of kind limit for each load rule of the tables; empty when no table has one.

    `others` are the findings about the recording: a current whose size cannot be trusted carries no pass.
    """
    return [
        _trusted(determination.finding(), others, determination.demand)
        for determination in _determinations(tables, recording, site)
    ]


def existing_load_rooms(
    tables: Sequence[LimitTable], recording: Recording, site: Site, loads: Sequence[NewLoad]
) -> list[Room]:
    """How much of the declared addition each determination bears, under the declared way that bears least."""
    rooms = []
    size = addition_va(loads)
    for determination in _determinations(tables, recording, site, QUARTER_US):
        share = determination.share()
        if share is not None:
            table, rule = determination.table.id, determination.rule.id
            less = f"about {100 * (1 - share):.0f} % less of the addition, or a larger rating"
            help_ = "" if share >= 1 else less
            rooms.append(Room(f"{table}/{rule}", f"{table} {rule}", "current", share, share * size, help=help_))
    return rooms


def _determinations(
    tables: Sequence[LimitTable], recording: Recording, site: Site, interval_us: int | None = None
) -> Iterator[_Determination]:
    """Each load rule with the demand over the interval it asks for, or over the one given."""
    studies: dict[int, Demand] = {}
    for table in tables:
        for rule in table.load_rules:
            recorded = (int(source.interval_s * 1_000_000) for source in rule.sources if source.basis == "recorded")
            asked_us = next(recorded, QUARTER_US) if interval_us is None else interval_us
            if asked_us not in studies:
                studies[asked_us] = demand_of(recording, site, asked_us)
            yield _Determination(table, rule, site, studies[asked_us], recording)


def _trusted(finding: Finding, others: Sequence[Finding], demand: Demand) -> Finding:
    """A pass that rests on the record (it has a period) falls with the soundness of the currents."""
    if finding.verdict is not Verdict.PASS or finding.period is None:
        return finding
    for other in others:
        doubtful = other.kind == "recording" and other.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
        if (
            doubtful
            and other.quantity == "current"
            and other.reason is not None
            and other.reason.code not in DIRECTION
        ):
            return finding.replaced(verdict=other.verdict, reason=other.reason, proven=False)
    for seen in demand.seen:
        doubt = reading_doubt(seen) if seen.bounded and seen.quantity == "current" and seen.phase != "n" else None
        if doubt is not None:
            return finding.replaced(verdict=Verdict.INCONCLUSIVE, reason=doubt, proven=False)
    return finding


class _Determination:
    def __init__(self, table: LimitTable, rule: LoadRule, site: Site, demand: Demand, recording: Recording) -> None:
        self.table, self.rule, self.site, self.demand, self.recording = table, rule, site, demand, recording
        self.loads = new_loads(site)
        declared: Decimal | None = site.ratings.get(rule.rating)
        self.rating = None if declared is None else float(declared * rule.share_of_rating)

    def finding(self) -> Finding:
        """The determination."""
        if self.rating is None:
            others = [rule.rating for rule in self.table.load_rules if rule.rating in self.site.ratings]
            if others:
                why = f"only the {others[0]} rating is declared, and no {self.rule.rating} rating to compare with"
                return self._undecided(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
            return self._undecided(Verdict.INCONCLUSIVE, "rating-not-declared", rating=self.rule.rating)
        excluded = self._excluding(self.rule.conditions)
        if excluded is not None:
            return self._undecided(Verdict.NOT_APPLICABLE, "outside-scope", why=excluded.reason.rstrip("."))
        source, basis, why = self._source
        if source is None:
            return self._undecided(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
        if basis is None:
            advice = (
                "Declare [load_study] maximum_demand in A, or kW with maximum_demand_power_factor, or record amperes."
            )
            return self._undecided(Verdict.INCONCLUSIVE, "demand-unknown", why=why, advice=advice)
        return self._decided(source, basis, self.rating)

    def share(self) -> float | None:
        """The share of the declared addition at which the rating is reached; None where nothing is to be decided."""
        source, basis, _ = self._source
        if self.rating is None or self._excluding(self.rule.conditions) is not None or source is None or basis is None:
            return None
        ways = [way for way in ways_of(self.rule, source, basis, self.site, self.loads) if way.declared]
        shares = [(self.rating - (way.high - way.new)) / way.new for way in ways if way.new > 0]
        # Where the demand alone is above the rating, no addition holds and there is nothing to scale.
        return min(shares) if shares and min(shares) >= 0 else None

    def _declared(self, name: str) -> bool | None:
        """A declared condition."""
        if name == "renewable_source":
            return renewable_source(self.site)
        value: bool | None = self.site.load_study.get(name)
        return value

    def _excluding(self, conditions: Sequence[LoadCondition]) -> LoadCondition | None:
        """The first condition whose declared fact takes the rule, or the source, out of force."""
        for condition in conditions:
            if condition.excludes and self._declared(condition.fact) is (not condition.value):
                return condition
        return None

    @cached_property
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
                basis, why = declared_basis(self.site, source, self.demand)
            else:
                basis, why = recorded_basis(self.demand, self.site)
            if basis is not None:
                return source, basis, ""
        return allowed, None, why

    def _decided(self, source: DemandSource, basis: Basis, rating: float) -> Finding:
        ways = ways_of(self.rule, source, basis, self.site, self.loads)
        live = [way for way in ways if way.declared]
        outcomes = {outcome(way, rating) for way in live}
        worst = max(live, key=lambda way: way.high)
        numbers = f"{worst.words} against {rating:g} A"
        fails_whatever = all(outcome(way, rating) is Verdict.FAIL for way in ways)

        def judged(verdict: Verdict, code: str | None = None, **fields: object) -> Finding:
            return self._judged(worst, basis, rating, verdict, code, **fields)

        missing = self._missing(source)
        if missing and not (fails_whatever and not any(name in _ADDS_TO_RECORD for name in missing)):
            would = f"{numbers}, as far as declared"
            return judged(Verdict.INCONCLUSIVE, "load-conditions", numbers=would, missing=", ".join(missing))
        if not fails_whatever:
            unmet = [
                condition
                for condition in (*self.rule.conditions, *source.conditions)
                if not condition.excludes and self._declared(condition.fact) is not condition.value
            ]
            if unmet:
                why = unmet[0].reason[0].lower() + unmet[0].reason[1:]
                return judged(Verdict.INCONCLUSIVE, "load-not-representative", numbers=numbers, why=why)
            needed = float(source.continuous_s)
            if source.basis == "recorded" and self.demand.longest_run_s < needed:
                return judged(
                    Verdict.INCONCLUSIVE, "not-continuous", numbers=numbers, run=_days(self.demand.longest_run_s),
                    total=_days(self.demand.recorded_s), needed=_days(needed),
                )  # fmt: skip
        if len(outcomes) > 1:
            open_choices = [name for name in self.rule.choices if len({way.named.get(name) for way in live}) > 1]
            choices = " and ".join(open_choices)
            return judged(Verdict.INCONCLUSIVE, "load-choice", ways=_each_way(live, rating), choices=choices)
        verdict = outcomes.pop()
        if verdict is Verdict.INCONCLUSIVE:
            text = f"{worst.low_words} to {worst.words} against {rating:g} A"
            if math.isclose(worst.high - worst.new, worst.low - worst.new_low):
                return judged(verdict, "new-load-bounded", numbers=text)
            interval = duration_text(round(self.demand.interval_s * 1e6))
            return judged(verdict, "demand-bounded", numbers=text, interval=interval)
        if any(outcome(way, rating) is not verdict for way in ways):
            declared = ", ".join(worst.choices)
            return judged(verdict, "load-choice-declared", declared=declared, ways=_each_way(ways, rating))
        return judged(verdict)

    def _missing(self, source: DemandSource) -> list[str]:
        """Conditions and facts that nobody declared."""
        conditions = (*self.rule.conditions, *source.conditions)
        missing = [condition.fact for condition in conditions if self._declared(condition.fact) is None]
        if self.rule.seasonal and source.basis == "recorded" and "seasonal_addition" not in self.site.load_study:
            missing.append('seasonal_addition ("0 A" if everything ran)')
        return list(dict.fromkeys(missing))

    def _undecided(self, verdict: Verdict, code: str, **fields: object) -> Finding:
        """A finding without numbers, and why."""
        text, advice = sentence(code, **fields)
        return Finding(
            kind="limit",
            table=self.table.id,
            rule=self.rule.id,
            clause=self.rule.clause,
            title=f"{self.rule.title} ({DECIDES})",
            quantity="current",
            phase=None,
            order=None,
            verdict=verdict,
            channel="-",
            statistic=Statistic("all_within", 100.0, self.demand.interval_s, None, "A"),
            reason=Reason(code, text, advice),
        )

    def _judged(
        self, worst: Way, basis: Basis, rating: float, verdict: Verdict, code: str | None, **fields: object
    ) -> Finding:
        # A fail is stated with the least the demand can be, everything else with the most.
        least = verdict is Verdict.FAIL and worst.low != worst.high
        words = f"at least {worst.low_words}" if least else worst.words
        value = round(worst.low if least else worst.high, 6)
        left = rating - value
        words += f" against {rating:g} A, {abs(left):.1f} A {'left by this rule' if left >= 0 else 'too much'}"
        period = whole_recording(self.recording) if basis.recorded else None
        intervals = None
        if period is not None:
            expected = round(self.demand.expected_s / self.demand.interval_s)
            valid = min(expected, round(self.demand.recorded_s / self.demand.interval_s))
            intervals = Intervals(expected, valid, expected - valid, 0, int(verdict is Verdict.FAIL), 0)
        return Finding(
            kind="limit",
            table=self.table.id,
            rule=self.rule.id,
            clause=self.rule.clause,
            title=f"{self.rule.title}: {words}; {basis.words} ({DECIDES})",
            quantity="current",
            phase=worst.phase,
            order=None,
            verdict=verdict,
            channel=f"current.{worst.phase}",
            reason=None if code is None else Reason(code, *sentence(code, **fields)),
            modifiers=("unverified_limit",) if self.rule.confidence == "memory" else (),
            period=period,
            statistic=Statistic("all_within", 100.0, self.demand.interval_s, value, "A"),
            limit=Limit(None, rating, "A"),
            margin=margin_to(rating, value, "A"),
            intervals=intervals,
            proven=verdict in (Verdict.PASS, Verdict.FAIL),
        )


def _each_way(ways: Sequence[Way], rating: float) -> str:
    words = {Verdict.PASS: "passes", Verdict.FAIL: "fails", Verdict.INCONCLUSIVE: "is open"}
    parts = [f"with {', '.join(way.choices)}: {way.high:.1f} A {words[outcome(way, rating)]}" for way in ways]
    return f"against {rating:g} A " + "; ".join(parts)


def _days(seconds: float) -> str:
    """Rounded down: 29.996 days are not the 30 that were asked for."""
    return f"{math.floor(seconds / 864) / 100:g} days"
