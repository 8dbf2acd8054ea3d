"""The parts of a limit table in words: orders, bands, statistics, conditions. For pages, lists and messages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import pairwise

from pqcheck.limit_tables import Condition, LimitRow, Rule, RulePeriod, RuleStatistic
from pqcheck.limit_tables.existing_load_rules import CHOICES, LoadCondition, LoadRule
from pqcheck.limit_tables.written import plain, span_text
from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import QUANTITIES

_REFERENCE = {
    "none": "",
    "nominal": " of the nominal voltage",
    "nominal_frequency": " of the nominal frequency",
    "fundamental": " of the fundamental",
    "maximum_demand_current": " of the maximum demand current",
    "rated_current": " of the rated current",
}
_FACT = {
    "measured_at": "measured at",
    "is_pcc": "point of common coupling",
    "connection": "connection",
    "nominal_voltage": "nominal voltage",
    "nominal_frequency": "nominal frequency",
    "short_circuit_ratio": "Isc/IL",
    "inverter_share": "share of inverter-based generation",
    "generating_facility": "generating facility",
}
_UNIT = {"nominal_voltage": " V", "nominal_frequency": " Hz", "inverter_share": " %"}


def shown(value: Decimal, digits: int = 4) -> str:
    """A limit with at most `digits` decimals, without trailing zeros."""
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and -exponent > digits:
        value = round(value, digits)
    return plain(value)


def duration_words(value: Decimal) -> str:
    """Seconds as people write them: ``3 s``, ``10 min``, ``2 h``, ``7 d``."""
    return duration_text(int(value * 1_000_000))


def orders_words(orders: Sequence[int]) -> str:
    """Harmonic orders as people write them: ``5``, ``3, 9``, ``26 to 50``, ``12 to 24 even``."""
    if len(orders) > 2:
        steps = {high - low for low, high in pairwise(orders)}
        if steps == {1}:
            return f"{orders[0]} to {orders[-1]}"
        if steps == {2}:
            return f"{orders[0]} to {orders[-1]} {'even' if orders[0] % 2 == 0 else 'odd'}"
    return ", ".join(str(order) for order in orders)


def unit_words(rule: Rule) -> str:
    """The unit of the rule's limits as it stands behind a number: `` V``, `` % of the fundamental``, nothing for 1."""
    return "" if rule.unit in ("", "1") else f" {rule.unit}{_REFERENCE[rule.reference]}"


def band_words(low: Decimal | None, high: Decimal | None, unit: str, strict: bool) -> str:
    """``90 to 110 %``, ``at most 8 %``; with `strict` a value equal to the limit is outside: ``below 8 %``."""
    if low is None and high is None:
        return "no limit"
    if low is None:
        assert high is not None
        return f"{'below' if strict else 'at most'} {shown(high)}{unit}"
    if high is None:
        return f"{'above' if strict else 'at least'} {shown(low)}{unit}"
    return f"{'strictly within ' if strict else ''}{shown(low)} to {shown(high)}{unit}"


def row_words(row: LimitRow, rule: Rule) -> str:
    """The limit of one row as the document has it, before the rule's factor."""
    if rule.not_held is not None:
        return "not shown" if row.label else f"not shown: {rule.not_held}"
    if row.no_limit:
        return "no limit, on purpose"
    unit = unit_words(rule)
    if row.hertz:
        points = "; ".join(f"{shown(hertz)} Hz: {shown(high)}{unit}" for hertz, high in row.hertz)
        return f"at most, log-log between the points: {points}"
    if row.derating:
        points = "; ".join(f"{shown(at)}{unit}: {shown(factor)}" for at, factor in row.derating)
        return f"factor on the rating, +-{shown(row.derating_uncertainty)} by reading: {points}"
    return band_words(row.low, row.high, unit, rule.strict)


def row_name(row: LimitRow, *, scope: bool = False) -> str:
    """What stands before the limit of a row: label, nominal, orders; with `scope` also phases and conditions."""
    parts = [row.label or "", row.nominal or "", f"orders {orders_words(row.orders)}" if row.orders else ""]
    if scope:
        parts.append(f"phases {' '.join(row.phases)}" if row.phases else "")
        parts.append("; ".join(map(condition_words, row.where)) if not row.label else "")
    named = ", ".join(part for part in parts if part)
    return f"{named}: " if named else ""


def period_words(period: RulePeriod) -> str:
    """``each week``, ``each calendar day``, ``the whole recording``."""
    if period.length == "recording":
        return "the whole recording"
    alignment = {"back_to_back": "", "calendar": "calendar ", "sliding": "sliding "}[period.alignment]
    return f"each {alignment}{period.length}"


def statistic_words(statistic: RuleStatistic) -> str:
    """What has to hold for the values of a period."""
    match statistic.kind:
        case "share_within":
            return f"at least {plain(statistic.percent)} % of the values inside"
        case "all_within":
            return "every value inside"
        case "count_at_most":
            return f"at most {statistic.count} values outside"
        case "longest_run_at_most":
            return f"no run outside longer than {duration_words(statistic.duration_s)}"
    share = "" if statistic.percent == 100 else f" at {plain(statistic.percent)} %"
    return f"reported{share}, no verdict"


def judged_words(rule: Rule) -> str:
    """Quantity, interval, period and statistic in one line."""
    name = QUANTITIES[rule.quantity].title
    also = "".join(f" (or {duration_words(interval)} as recorded)" for interval in rule.also_intervals_s)
    verdict = "reported as indicative, no verdict" if rule.indicative else statistic_words(rule.statistic)
    interval = duration_words(rule.interval_s)
    return f"{name}, {interval} values{also}, {period_words(rule.period)}: {verdict}"


def condition_words(condition: Condition) -> str:
    """``nominal voltage in (1000, 69000] V``; ``option network = island (where undeclared: interconnected)``."""
    if condition.fact.startswith("option:"):
        name = f"option {condition.fact.removeprefix('option:')}"
    else:
        name = _FACT[condition.fact]
    default = f" (where undeclared: {condition.default})" if condition.default is not None else ""
    if condition.span is not None:
        return f"{name} in {span_text(condition.span)}{_UNIT.get(condition.fact, '')}{default}"
    return f"{name} = {' or '.join(condition.values)}{default}"


def factor_words(rule: Rule) -> str:
    """The rule's factor on its limits, with its mark; empty when it has none."""
    if rule.factor_confidence is None and rule.factor == 1:
        return ""
    mark = f" ({rule.factor_confidence})" if rule.factor_confidence else ""
    return f"every limit times {plain(rule.factor)}{mark}"


def load_rule_words(rule: LoadRule) -> Iterator[str]:
    """The rule, one line each: what is compared, where the demand comes from, conditions, open choices."""
    multiplier = plain(rule.multiplier)
    yield f"{multiplier} x maximum demand + new load <= {rule.rating} rating, in amperes of the highest phase"
    for source in rule.sources:
        if source.basis == "declared":
            yield f"demand: declared maximum of {source.months} months ({source.clause}, {source.confidence})"
        else:
            yield (
                f"demand: highest {duration_words(source.interval_s)} mean of {duration_words(source.continuous_s)} "
                f"recorded without a gap ({source.clause}, {source.confidence})"
            )
        for condition in source.conditions:
            yield f"  {_load_condition_words(condition)}"
    for condition in rule.conditions:
        yield _load_condition_words(condition)
    for name in rule.choices:
        yield f"left open, declare [load_study] {name}: {' or '.join(CHOICES[name])}"


def _load_condition_words(condition: LoadCondition) -> str:
    effect = "does not govern otherwise" if condition.excludes else "needed"
    value = "true" if condition.value else "false"
    return f"{condition.fact} = {value} ({effect}; {condition.clause}, {condition.confidence})"
