"""The parts of a limit table in words: orders, bands, statistics, conditions. For pages, lists and messages."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import pairwise

from pqcheck.limit_tables import Condition, LimitRow, LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.limit_tables.conditions import holds_by_default
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
    return order_list(orders)


def order_list(orders: Sequence[int]) -> str:
    """Orders as people write them: ``26 to 50``, ``2, 4, 6``."""
    parts: list[str] = []
    numbers = sorted(set(orders))
    start = 0
    while start < len(numbers):
        end = start
        while end + 1 < len(numbers) and numbers[end + 1] == numbers[end] + 1:
            end += 1
        if end - start >= 2:
            parts.append(f"{numbers[start]} to {numbers[end]}")
        else:
            parts += [str(number) for number in numbers[start : end + 1]]
        start = end + 1
    return ", ".join(parts)


def cited_words(mark: str, sources: Sequence[str]) -> str:
    """A mark of confidence and the sources it rests on: ``one source (law-2023)``."""
    return f"{mark} ({', '.join(sources)})" if sources else mark


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
        return f"{'below' if rule.strict else 'at most'}, log-log between the points: {points}"
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


def deciding_words(rule: Rule) -> Iterator[str]:
    """What else decides a verdict beside quantity, time, statistic and limits: a line for each key that is written."""
    if rule.phases:
        yield f"only the phases {', '.join(rule.phases)}"
    if rule.highest_order is not None:
        yield f"the sum goes to order {rule.highest_order}"
    if rule.drop_flagged:
        yield "flagged intervals are left out"
    if rule.coverage_percent is not None:
        yield f"decided where {plain(rule.coverage_percent)} % of the values are there, as the document asks"
    criterion = rule.time_criterion
    if criterion is not None:
        undeclared = "fails" if criterion.outside == "fail" else "is inconclusive"
        yield (
            f"time criterion: the site declares one for range {criterion.range!r} under [[criteria]]; undeclared, a "
            f"value outside {undeclared}, and less than {duration_words(criterion.shortest_pass_s)} cannot pass"
        )


def interruption_words(table: LimitTable) -> str:
    """Which voltages are no voltages: ``below 5 % of nominal on all phases counts as an interruption``."""
    threshold = plain(table.interruption_below_percent)
    level = f"at or below {threshold} %" if table.interruption_closed else f"below {threshold} %"
    return f"{level} of nominal on all phases counts as an interruption"


def nominals_words(table: LimitTable) -> str:
    """The nominal voltages that a table lists: ``400/230 V (wye: 400 and 230 V), and no other``."""
    only = ", and no other" if table.only_these_nominals else ""
    rows = (
        f"{name} ({' '.join(row.connections)}: "
        f"{' and '.join(plain(value) for value in (row.line_to_line, row.line_to_neutral) if value is not None)} V)"
        for name, row in table.nominals.items()
    )
    return (", ".join(rows) or "any") + only


def table_words(table: LimitTable) -> Iterator[str]:
    """What decides verdicts of every rule: when the table is in force, interruptions, nominal voltages, options."""
    if table.effective_from or table.effective_to:
        yield f"in force from {table.effective_from or 'the beginning'} to {table.effective_to or 'further notice'}"
    yield f"a voltage {interruption_words(table)}"
    if table.nominals:
        yield f"nominal voltages: {nominals_words(table)}"
    for name, values in table.options.items():
        yield f"option {name}: {' | '.join(values)}"


def option_lines(rule: Rule) -> Iterator[str]:
    """The limits that hold where a site declares an option, where these are not those that hold by default."""
    for (options, place), limits in option_limits(rule).items():
        groups: dict[str, list[int]] = {}
        for h, words in limits.items():
            groups.setdefault(words, []).extend([] if h is None else [h])
        texts = (
            f"{f'order {orders_words(sorted(members))}: ' if members else ''}{words}"
            for words, members in groups.items()
        )
        yield f"{options}: {f'{place}: ' if place else ''}{'; '.join(texts)}"


def option_limits(rule: Rule) -> Mapping[tuple[str, str], Mapping[int | None, str]]:
    """By options and place the limits by order, in words, that are not those where no option is declared.

    Limits by order are written as a multiple of those; where this is the same at every place, once for all.
    """
    by_default = {
        (_place_words(row), h): row
        for row in rule.rows if all(map(holds_by_default, row.where)) for h in row.orders or (None,)
    }
    limits: dict[str, dict[str, dict[int | None, str]]] = {}
    for row in rule.rows:
        if all(map(holds_by_default, row.where)):
            continue
        asked = (each for each in row.where if each.fact.startswith("option:"))
        options = "; ".join(condition_words(each, default=False) for each in asked)
        place = _place_words(row)
        by_order = limits.setdefault(options, {}).setdefault(place, {})
        for h in row.orders or (None,):
            default = by_default.get((place, h))
            if default is not None and row_words(default, rule) == row_words(row, rule):
                continue
            if h is not None and default is not None and row.high and default.high:
                by_order[h] = f"times {shown(row.high / default.high)}"
            else:
                by_order[h] = row_words(row, rule)
    merged: dict[tuple[str, str], Mapping[int | None, str]] = {}
    for options, places in limits.items():
        alike = all(by_order == next(iter(places.values())) for by_order in places.values())
        for place, by_order in places.items():
            if by_order:
                merged.setdefault((options, "" if alike else place), by_order)
    return merged


def _place_words(row: LimitRow) -> str:
    """Nominal, line, phases and conditions of a row, without options."""
    where = (condition_words(each) for each in row.where if not each.fact.startswith("option:"))
    line = (row.line or "").replace("_", " ")
    return ", ".join(part for part in (row.nominal, line, " ".join(row.phases), *where) if part)


def condition_words(condition: Condition, *, default: bool = True) -> str:
    """``nominal voltage in (1000, 69000] V``; ``option network = island (where undeclared: interconnected)``."""
    if condition.fact.startswith("option:"):
        name = f"option {condition.fact.removeprefix('option:')}"
    else:
        name = _FACT[condition.fact]
    undeclared = f" (where undeclared: {condition.default})" if default and condition.default is not None else ""
    if condition.span is not None:
        return f"{name} in {span_text(condition.span)}{_UNIT.get(condition.fact, '')}{undeclared}"
    return f"{name} = {' or '.join(condition.values)}{undeclared}"


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
