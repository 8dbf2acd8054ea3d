"""Rules x recording x site to tasks, before any number is read: what is asked, what answers, what is missing."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date
from decimal import Decimal

from msgspec.structs import replace

from pqcheck.derive.sources import Catalogue, Wanted
from pqcheck.judge.choose_sources import Choice, bound_means, choices, rivals_of, span_of_periods
from pqcheck.judge.phases_asked import PhaseTask, phases_asked
from pqcheck.judge.scope import in_force, never_judged, on_curve
from pqcheck.judge.site_facts import Answer, ask, governs
from pqcheck.judge.tasks import Settled, Task
from pqcheck.limit_tables import LimitRow, LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.limit_tables.nominals import nearest_nominal, nominal_row
from pqcheck.limit_tables.wording import order_list
from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Reason
from pqcheck.model.quantities import HIGHEST_ORDER, LINE_TO_LINE, QUANTITIES
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import Recording
from pqcheck.model.units import factor
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Criterion, Site

Resolved = tuple[list[Task], list[Settled]]

_REFERENCE_BASE = {"nominal": "nominal", "fundamental": "fundamental"}
_HUNDRED = Decimal(100)


def resolve(
    tables: Sequence[LimitTable],
    recording: Recording,
    site: Site,
    quantities: Iterable[str] = (),
    on: date | None = None,
) -> Resolved:
    """Every rule of the tables (narrowed by `quantities`), as tasks to judge and rules already settled.

    `on` is the date that counts for tables with effective dates (None: they are not asked for).
    """
    catalogue = Catalogue(recording, site.recording.thd_to_order)
    only = frozenset(quantities)
    tasks: list[Task] = []
    settled: list[Settled] = []
    for table in tables:
        scope = in_force(table, on)
        scope = governs(site, table) if scope.holds else scope
        for rule in table.rules:
            if only and rule.quantity not in only:
                continue
            answer = ask(site, rule.applies_if)
            if scope.holds is False or (scope.holds is None and answer.holds is not False):
                answer = scope
            if not answer.holds:
                settled.append(_unanswered(table, rule, answer))
                continue
            resolver = _Resolver(table, rule, site, catalogue)
            resolver.run()
            tasks += resolver.tasks
            settled += resolver.settled
    return tasks, settled


def _unanswered(table: LimitTable, rule: Rule, answer: Answer) -> Settled:
    if answer.holds is False:
        return _settled(table, rule, Verdict.NOT_APPLICABLE, "outside-scope", why=answer.text.rstrip("."))
    return _settled(table, rule, Verdict.INCONCLUSIVE, answer.code, missing=answer.missing)


def _settled(
    table: LimitTable, rule: Rule, verdict: Verdict, code: str, phase: str | None = None, **fields: object
) -> Settled:
    if code not in ("pcc-not-declared", "demand-not-declared", "fact-not-declared") and "missing" in fields:
        code = "fact-not-declared"
    text, advice = sentence(code, **fields)
    return Settled(table, rule, verdict, Reason(code, text, advice), rule.quantity, phase)


def criterion_for(site: Site, table: LimitTable, rule: Rule) -> Criterion | None:
    """The time criterion the site declares for a rule whose document gives none."""
    if rule.time_criterion is None:
        return None
    for criterion in site.criteria:
        if criterion.table in (table.id, table.base) and criterion.range == rule.time_criterion.range:
            return criterion
    return None


class _Resolver:
    """One rule at one site."""

    def __init__(self, table: LimitTable, rule: Rule, site: Site, catalogue: Catalogue) -> None:
        self.table = table
        self.site = site
        self.catalogue = catalogue
        self.tasks: list[Task] = []
        self.settled: list[Settled] = []
        self._beyond_connection = False
        self.policy: str | None = None
        criterion = criterion_for(site, table, rule)
        if criterion is not None:
            period = RulePeriod(criterion.period)  # type: ignore[arg-type]
            share = RuleStatistic("share_within", criterion.at_least_percent)
            rule = replace(rule, statistic=share, period=period, time_criterion=None)
            self.policy = criterion.policy_of
        self.rule = rule

    def _settle(self, verdict: Verdict, code: str, phase: str | None = None, **fields: object) -> None:
        if verdict is Verdict.INCONCLUSIVE and never_judged(self.rule):
            # Nothing could have failed, so nothing is missing either.
            verdict, code = Verdict.NOT_APPLICABLE, "no-limit"
            fields = {"why": f"{self.rule.not_held or 'The document sets no limit here'}, and nothing was recorded"}
        if self._beyond_connection:
            return
        self.settled.append(_settled(self.table, self.rule, verdict, code, phase, **fields))

    def run(self) -> None:
        """Fill `tasks` and `settled`."""
        rows = self._rows()
        if rows is None:
            return
        rule = self.rule
        has_orders = any(row.orders is not None for row in rows)
        limited = {row.line for row in rows} or {None}
        asked = phases_asked(
            rule.quantity, rule.phases, self.site.supply, lambda phase: self._present(phase, rows), limited
        )
        if (not QUANTITIES[rule.quantity].phases and not self._present(None, rows)) or not asked:
            self._not_recorded(limited)
            return
        for phase in asked:
            self._beyond_connection = phase.standing == "beyond-connection"
            if phase.standing not in ("judge", "beyond-connection"):
                self._unjudged_phase(phase)
            elif has_orders:
                self._orders(phase.phase, rows)
            else:
                self._plain(phase.phase, rows)

    def _rows(self) -> list[LimitRow] | None:
        """Rows that hold at this site; None when the rule was settled instead."""
        rule, site = self.rule, self.site
        facts = self._reference_facts()
        if facts is not None:
            self._settle(Verdict.INCONCLUSIVE, facts[0], missing=facts[1])
            return None
        candidates = list(rule.rows)
        if any(row.nominal is not None for row in rule.rows):
            designation = nominal_row(self.table, site.supply)
            if designation is None or not any(row.nominal == designation for row in rule.rows):
                near = nearest_nominal(self.table, site.supply)
                why = (
                    f"{self.table.standard} {self.table.edition} does not list the nominal {site.supply.designation} "
                    f"({site.supply.connection}) under this rule; the nearest row is {near}"
                )
                self._settle(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
                return None
            candidates = [row for row in rule.rows if row.nominal == designation]
        rows: list[LimitRow] = []
        unknown: Answer | None = None
        # The rows of one column of a table are written under the same conditions.
        answers: dict[int, Answer] = {}
        for row in candidates:
            answer = answers.get(id(row.where)) or answers.setdefault(id(row.where), ask(site, row.where))
            if answer.holds:
                rows.append(row)
            elif answer.holds is None:
                unknown = unknown or answer
        if unknown is not None:
            self._settle(Verdict.INCONCLUSIVE, unknown.code, missing=unknown.missing)
            return None
        if rule.rows and not rows:
            self._settle(Verdict.NOT_APPLICABLE, "outside-scope", why="the table has no row for this site")
            return None
        return rows

    def _reference_facts(self) -> tuple[str, str] | None:
        """(reason code, missing fact) when the reference of the limits was not declared."""
        pcc, reference = self.site.pcc, self.rule.reference
        if reference == "maximum_demand_current" and (pcc is None or not pcc.maximum_demand_current):
            if pcc is None:
                return "pcc-not-declared", "[pcc] is not declared in the site file"
            return "demand-not-declared", "the maximum demand current"
        if reference == "rated_current" and (pcc is None or not pcc.rated_current):
            return "demand-not-declared", "the rated current ([pcc] rated_current)"
        if reference == "nominal_frequency" and self.site.supply.frequency is None:
            return "fact-not-declared", "[supply] frequency"
        return None

    def _present(self, phase: str | None, rows: Sequence[LimitRow]) -> bool:
        orders = sorted({order for row in rows if row.orders for order in row.orders})
        if not orders:
            hertz = self._hertz(phase)
            if hertz:
                return True
            wanted = self._wanted(phase, None)
            return (
                bool(self.catalogue.sources(wanted))
                or bool(self.catalogue.extremes(wanted))
                or self._unbased(phase, None)
            )
        return any(self.catalogue.has(self.rule.quantity, phase, order) for order in orders)

    def _unbased(self, phase: str | None, order: int | None) -> bool:
        return self.catalogue.has(self.rule.quantity, phase, order)

    def _hertz(self, phase: str | None) -> list[str]:
        """Frequencies recorded for a rule that limits by frequency."""
        if not any(row.hertz for row in self.rule.rows):
            return []
        return self.catalogue.hertz(self.rule.quantity, phase)

    def _wanted(self, phase: str | None, order: int | None, hertz: str | None = None) -> Wanted:
        rule, pcc = self.rule, self.site.pcc
        base = _REFERENCE_BASE.get(rule.reference)
        demand: Decimal | None = None
        if rule.reference == "maximum_demand_current" and pcc is not None:
            demand = pcc.maximum_demand_current
        elif rule.reference == "rated_current" and pcc is not None:
            demand = pcc.rated_current
        if rule.quantity == "voltage":
            base = None
        nominal = self.site.supply.nominal(phase) if phase is not None else None
        highest = rule.highest_order or HIGHEST_ORDER
        return Wanted(rule.quantity, phase, order, hertz, base, nominal, demand, highest)  # type: ignore[arg-type]

    def _not_recorded(self, limited: Collection[str | None]) -> None:
        quantity = QUANTITIES[self.rule.quantity].title.lower()
        supply = self.site.supply
        unbalance = self.rule.quantity in ("negative_sequence_unbalance", "voltage_deviation_unbalance")
        if unbalance and supply.connection in ("single-phase", "split-phase"):
            why = f"unbalance has no meaning on a {supply.connection} service"
            self._settle(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
            return
        detail = ""
        if unbalance and self.catalogue.has("voltage", "an"):
            detail = ", and line-to-neutral magnitudes alone cannot give it; it needs the three line-to-line voltages"
        elif limited in ({"line_to_line"}, {"line_to_neutral"}):
            (kind,) = (str(one).replace("_", " ") for one in limited)
            detail = f" {kind}, and the rule limits no other"
        elif supply.connection == "delta" and self.catalogue.has(self.rule.quantity, "an"):
            detail = " line to line; those line to neutral are none of a delta"
        self._settle(Verdict.INCONCLUSIVE, "not-recorded", quantity=quantity, detail=detail)

    def _unjudged_phase(self, phase: PhaseTask) -> None:
        quantity = QUANTITIES[self.rule.quantity].title
        if phase.standing == "high-leg":
            why = (
                f"phase {phase.phase} is the high leg of a delta service, "
                f"which is no {self.site.supply.line_to_neutral} V leg"
            )
            self._settle(Verdict.NOT_APPLICABLE, "outside-scope", phase.phase, why=why)
            return
        self._settle(Verdict.INCONCLUSIVE, phase.standing, phase.phase, quantity=quantity, name=phase.phase)

    def _orders(self, phase: str | None, rows: Sequence[LimitRow]) -> None:
        missing: list[int] = []
        for row in rows:
            for order in row.orders or ():
                if not self.catalogue.has(self.rule.quantity, phase, order):
                    if not row.no_limit:
                        missing.append(order)
                    continue
                self._task(phase, order, None, row)
        if missing:
            where = f" of phase {phase}" if phase else ""
            quantity = QUANTITIES[self.rule.quantity].title.lower()
            self._settle(
                Verdict.INCONCLUSIVE,
                "orders-missing",
                phase,
                orders=order_list(missing),
                quantity=quantity,
                where=where,
            )

    def _plain(self, phase: str | None, rows: Sequence[LimitRow]) -> None:
        line = "line_to_line" if phase in LINE_TO_LINE else "line_to_neutral"
        limited = False
        for row in rows:
            if row.line is not None and row.line != line:
                continue
            if row.phases and phase not in row.phases:
                continue
            limited = True
            if row.hertz:
                for hertz in self._hertz(phase):
                    self._task(phase, None, hertz, row)
            else:
                self._task(phase, None, None, row)
        if not limited and rows:
            why = f"the table has no limit for phase {phase} of this system"
            self._settle(Verdict.NOT_APPLICABLE, "outside-scope", phase, why=why)

    def _task(self, phase: str | None, order: int | None, hertz: str | None, row: LimitRow) -> None:
        rule = self.rule
        wanted = self._wanted(phase, order, hertz)
        limits = self._limits(phase, row, hertz)
        if limits is None:
            why = f"the curve of {rule.title} does not reach {hertz} Hz"
            self._settle(Verdict.NOT_APPLICABLE, "outside-scope", phase, why=why)
            return
        low, high = limits
        sources = self.catalogue.sources(wanted)
        if not sources and not self.catalogue.extremes(wanted):
            quantity = QUANTITIES[rule.quantity].title
            channel = self.catalogue.any_channel(rule.quantity, phase, order, hertz)
            where = (f" of phase {phase}" if phase else "") + (f", order {order}" if order else "")
            unit = channel.unit if channel is not None else "a unit"
            self._settle(Verdict.INCONCLUSIVE, "base-unknown", phase, quantity=quantity, where=where, unit=unit)
            return
        rule_us = int(rule.interval_s * 1_000_000)
        also_us = [int(seconds * 1_000_000) for seconds in rule.also_intervals_s]
        extremes_us = self.site.recording.extremes_of_us
        bounds = self.catalogue.extremes(wanted) if bound_means(extremes_us, rule_us) else []
        ranked = choices(wanted, sources, bounds, rule_us, also_us, self.catalogue.axes)
        if not ranked:
            needed = duration_text(rule_us)
            recorded = "minimum or maximum values whose averaging time is not declared"
            if extremes_us is not None:
                recorded = f"minimum or maximum of values over {duration_text(extremes_us)}"
            self._settle(Verdict.INCONCLUSIVE, "wrong-interval", phase, needed=needed, recorded=recorded, seen="")
            return
        span = self._span(wanted, ranked)
        task: Task | None = None
        for choice in reversed(ranked):
            task = Task(
                self.table,
                rule,
                row,
                wanted,
                low,
                high,
                self._unit(),
                choice.sources[0] if choice.sources else None,
                choice.bounds,
                choice.longer,
                self.policy,
                self._caveats(),
                choice.sources if len(choice.sources) > 1 else (),
                rivals_of(choice, sources),
                span,
                task,
                choice is not ranked[0],
                self._beyond_connection,
            )
        assert task is not None
        self.tasks.append(task)

    def _span(self, wanted: Wanted, ranked: Sequence[Choice]) -> tuple[int, int] | None:
        """What periods are laid over where more than the streams of the best choice saw the quantity."""
        axes = self.catalogue.axes
        return None if len(axes) == 1 else span_of_periods(ranked[0].streams, self.catalogue.carriers(wanted), axes)

    def _unit(self) -> str:
        """Unit of the finding: canonical, percent for distortion."""
        return QUANTITIES[self.rule.quantity].unit

    def _limits(
        self, phase: str | None, row: LimitRow, hertz: str | None
    ) -> tuple[Decimal | None, Decimal | None] | None:
        """Limits in the unit of the finding; None when a curve does not reach the frequency."""
        rule, site = self.rule, self.site
        low, high = row.low, row.high
        if row.hertz:
            assert hertz is not None
            high = on_curve(row.hertz, Decimal(hertz))
            if high is None:
                return None
        pcc = site.pcc
        base: Decimal | None = None
        if rule.reference == "nominal" and rule.quantity == "voltage":
            base = site.supply.nominal(phase or "")
        elif rule.reference == "nominal_frequency":
            base = site.supply.frequency
        elif rule.reference == "maximum_demand_current" and rule.quantity == "current_harmonic":
            base = pcc.maximum_demand_current if pcc else None
        elif rule.reference == "rated_current" and rule.quantity == "current_harmonic":
            base = pcc.rated_current if pcc else None
        if rule.reference == "none" and rule.unit not in ("", "1"):
            by = factor(rule.unit, self._unit())
        else:
            by = base / _HUNDRED if base is not None else Decimal(1)
        by *= rule.factor
        return (None if low is None else low * by, None if high is None else high * by)

    def _caveats(self) -> tuple[str, ...]:
        pcc = self.site.pcc
        basis = pcc.demand_basis if pcc is not None else None
        if self.rule.reference == "maximum_demand_current" and basis is not None and "from the record" in basis:
            return ("the maximum demand current was taken from this record itself",)
        return ()
