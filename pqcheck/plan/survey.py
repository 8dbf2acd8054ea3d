"""The measurement plan: from the limit tables wanted to intervals, statistics, orders, duration, memory and facts."""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Sequence
from decimal import Decimal
from importlib import resources
from typing import Any

from msgspec import Struct

from pqcheck.limit_tables import LimitTable, Rule
from pqcheck.model.clock import duration_text
from pqcheck.model.errors import SiteError, nearest
from pqcheck.model.quantities import ASKED, HIGHEST_ORDER, LINE_TO_LINE, LINE_TO_NEUTRAL, QUANTITIES

DAY_S = 86_400
WEEK_DAYS = 7
BYTES_PER_VALUE = 4
BOUNDS = (
    "with gap-free maximum columns formed over at most the rule's interval a pass against an upper limit can still be "
    "proven, a fail cannot"
)
READINGS = 3
"""Mean, minimum and maximum of every interval."""

CHOICES_S = (3, 60, 300, 600, 900)
"""Intervals that recorders offer and that a plan compares [s]."""

PHASES = {
    "wye": ((*LINE_TO_NEUTRAL, *LINE_TO_LINE), ("a", "b", "c", "n")),
    "delta": (LINE_TO_LINE, ("a", "b", "c")),
    "high-leg-delta": ((*LINE_TO_LINE, *LINE_TO_NEUTRAL), ("a", "b", "c", "n")),
    "split-phase": (("an", "bn", "ab"), ("a", "b", "n")),
    "single-phase": (("an",), ("a",)),
}
"""Voltages and currents worth recording by connection, with the neutral and both sets of a wye."""

ALWAYS = ("voltage", "current", "active_power", "reactive_power")
"""Recorded in any survey: without currents and powers neither the hook-up nor a cause can be checked."""


FORMED_FROM = {"current_tdd": "current_harmonic", "current_trd": "current_harmonic"}
"""Quantities that are formed from others with facts of the site: a recorder's own column knows another demand."""


OF_CONNECTION = {"high-leg-delta": ("high_leg",), "delta": ("ratios", "grounding")}
"""Facts that a connection asks for."""


class Need(Struct, frozen=True):
    """One quantity: the interval to record [s], others that follow from it, orders, channels, why."""

    quantity: str
    interval_s: int
    also_s: tuple[int, ...]
    orders: str
    channels: int
    extremes: bool
    rules: tuple[str, ...]


class Size(Struct, frozen=True):
    """Values and bytes of some channels at one interval over the duration."""

    what: str
    interval_s: int
    channels: int
    values: int
    size_bytes: int


class Loss(Struct, frozen=True):
    """A cheaper choice and the rules it could no longer judge."""

    choice: str
    lost: tuple[str, ...]
    remark: str


class Fact(Struct, frozen=True):
    """A fact of the site to collect: what, from whom, why."""

    fact: str
    source: str
    why: str


class SurveyPlan(Struct, frozen=True):
    """The whole plan."""

    tables: tuple[tuple[str, str], ...]
    connection: str
    duration_days: int
    asked_days: int | None
    duration_why: tuple[str, ...]
    needs: tuple[Need, ...]
    sizes: tuple[Size, ...]
    losses: tuple[Loss, ...]
    facts: tuple[Fact, ...]
    accuracy: tuple[str, ...]
    checklist: tuple[tuple[str, tuple[str, ...]], ...]
    cautions: tuple[str, ...]


@functools.cache
def field_sheet() -> dict[str, Any]:
    """Facts, accuracy, checklist and cautions: field_checklist.json."""
    text = resources.files("pqcheck.plan").joinpath("field_checklist.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def plan(
    tables: Sequence[LimitTable],
    *,
    quantities: Sequence[str] = (),
    days: int | None = None,
    channels: int | None = None,
    connection: str = "wye",
) -> SurveyPlan:
    """The plan for judging these tables.

    `quantities` narrows the question, `days` is what is available, `channels` a channel count to size the memory for.
    Raises SiteError for an unknown quantity or connection and for tables that hold nothing of the quantities.
    """
    for name in quantities:
        if name not in ASKED:
            raise SiteError(f"unknown quantity {name!r}{nearest(name, ASKED)}")
    if connection not in PHASES:
        raise SiteError(f"unknown connection {connection!r}{nearest(connection, PHASES)}; one of {', '.join(PHASES)}")
    rules = [(table, rule) for table in tables for rule in table.rules
             if (not quantities or rule.quantity in quantities) and rule.statistic.kind != "report_only"]
    loads = [table for table in tables if table.load_rules and (not quantities or "current" in quantities)]
    if not rules and not loads:
        raise SiteError("these limit tables judge nothing of the quantities asked for; choose others")
    duration, why = duration_days([rule for _, rule in rules], loads)
    needs = needs_of([rule for _, rule in rules], loads, connection)
    sheet = field_sheet()
    return SurveyPlan(
        tuple((table.id, table.title) for table in tables), connection, duration, days, why, needs,
        sizes(needs, duration, days, channels), losses(rules, loads, days, duration), facts(tables, rules, connection),
        tuple(sheet["accuracy"]),
        tuple((part["when"], tuple(part["items"])) for part in sheet["checklist"]), tuple(sheet["cautions"]),
    )


def duration_days(rules: Sequence[Rule], loads: Sequence[LimitTable]) -> tuple[int, tuple[str, ...]]:
    """Full days the recorder must hang, and why."""
    spans = [(1, "at least one full day")]
    if any(rule.period.length == "week" for rule in rules):
        spans.append((WEEK_DAYS, "weekly statistics need a full week of 168 h; a gap-free one proves most"))
    for rule in rules:
        if rule.time_criterion is not None and rule.time_criterion.shortest_pass_s:
            length = int(-(-rule.time_criterion.shortest_pass_s // DAY_S))
            spans.append((length, f"nothing shorter than {length} d can pass where the document sets no time criterion "
                                  "(house policy)"))
    for table in loads:
        for load in table.load_rules:
            for source in load.sources:
                if source.basis == "recorded":
                    length = int(-(-source.continuous_s // DAY_S))
                    spans.append((length, f"{table.id} {load.clause}: {length} d without a break"))
    longest = max(length for length, _ in spans)
    why = [words for length, words in dict.fromkeys(spans) if length > 1]
    if any(rule.period.length == "year" for rule in rules):
        why.append("rules on a whole year cannot be passed by a survey; an exceedance can still be shown")
    why.append("the days must hold the conditions in question: business cycle, weekend, season, switching states")
    return longest, tuple(dict.fromkeys(why))


def needs_of(rules: Sequence[Rule], loads: Sequence[LimitTable], connection: str) -> tuple[Need, ...]:
    """What to record, quantity by quantity, at the longest interval that answers every rule exactly."""
    by_quantity: dict[str, list[Rule]] = {}
    for rule in rules:
        by_quantity.setdefault(FORMED_FROM.get(rule.quantity, rule.quantity), []).append(rule)
    studies = [(load, source) for table in loads for load in table.load_rules for source in load.sources
               if source.basis == "recorded"]
    usual = [600] if rules else [int(source.interval_s) for _, source in studies] or [900]
    needs = []
    for quantity in dict.fromkeys((*by_quantity, *ALWAYS)):
        own = by_quantity.get(quantity, [])
        intervals = {int(rule.interval_s) for rule in own}
        used = [rule.id for rule in own]
        if quantity == "current" and studies:
            intervals |= {int(source.interval_s) for _, source in studies}
            used += dict.fromkeys(load.id for load, _ in studies)
        asked = sorted(intervals) or usual
        base = common_interval(asked)
        orders = orders_of(quantity, own)
        upper = bool(own) and all(row.low is None for rule in own for row in rule.rows)
        needs.append(Need(
            quantity, base, tuple(interval for interval in asked if interval != base), orders,
            channel_count(quantity, connection, orders), upper or quantity in ("voltage", "current"), tuple(used),
        ))
    return tuple(needs)


def common_interval(intervals: Sequence[int]) -> int:
    """The longest interval [s] of which all these are whole multiples."""
    return math.gcd(*intervals)


def orders_of(quantity: str, rules: Sequence[Rule]) -> str:
    """The orders to record, as text; empty for a quantity without orders."""
    if QUANTITIES[quantity].suffix == "order":
        listed = {order for rule in rules for row in rule.rows for order in row.orders or ()}
        listed |= {rule.highest_order for rule in rules if rule.highest_order}
        return f"2 to {max(listed, default=HIGHEST_ORDER)}"
    highest = [rule.highest_order for rule in rules if rule.highest_order]
    return f"sum to {max(highest)}" if highest else ""


def channel_count(quantity: str, connection: str, orders: str) -> int:
    """Channels of one quantity on this connection."""
    volts, amps = PHASES[connection]
    lines = [phase for phase in amps if phase != "n"]
    known = QUANTITIES[quantity].phases
    if not known:
        phases = 1
    elif quantity == "voltage":
        phases = len(volts)
    elif "an" in known:
        # Distortion and flicker to neutral where there is one, else between lines.
        phases = len([phase for phase in volts if phase in LINE_TO_NEUTRAL]) or len(volts)
    elif "total" in known:
        phases = len([phase for phase in lines if phase in known]) + 1
    else:
        phases = len(amps) if quantity == "current" else len(lines)
    # Orders 2 to 50 are 49 channels.
    suffixed = QUANTITIES[quantity].suffix == "order" and bool(orders)
    return phases * (int(orders.rsplit(" ", 1)[1]) - 1 if suffixed else 1)


def sizes(needs: Sequence[Need], duration: int, days: int | None, channels: int | None) -> tuple[Size, ...]:
    """Values and memory of the plan by interval, over the days it needs and those available, and of a given channel
    count at the usual intervals."""
    sizes = []
    by_interval: dict[int, list[Need]] = {}
    for need in needs:
        by_interval.setdefault(need.interval_s, []).append(need)
    spans = {"this plan": max(duration, days or 0)}
    if days is not None and days < duration:
        spans[f"the {days} d available"] = days
    for what, length in spans.items():
        for interval, own in sorted(by_interval.items()):
            count = sum(need.channels for need in own)
            written = sum(need.channels * (READINGS if need.extremes else 1) for need in own)
            sizes.append(size_of(what, interval, count, length, written))
    if channels:
        length = days or duration
        sizes += [size_of(f"{channels} channels", interval, channels, length) for interval in CHOICES_S]
    return tuple(sizes)


def size_of(what: str, interval_s: int, channels: int, days: int, columns: int | None = None) -> Size:
    """Four bytes for every value of every column; without `columns` mean, minimum and maximum of every channel."""
    values = (channels * READINGS if columns is None else columns) * (days * DAY_S // interval_s)
    return Size(what, interval_s, channels, values, values * BYTES_PER_VALUE)


def answers(rule: Rule, interval_s: int) -> bool:
    """Whether values at this interval [s] give the rule's values exactly (docs/method/aggregation.md)."""
    return rule.interval_s % Decimal(interval_s) == 0 or Decimal(interval_s) in rule.also_intervals_s


def losses(
    rules: Sequence[tuple[LimitTable, Rule]], loads: Sequence[LimitTable], days: int | None, duration: int
) -> tuple[Loss, ...]:
    """Cheaper choices and what each could no longer judge."""
    losses = []
    if days is not None and days < duration:
        lost = [f"{table.id} {rule.id}" for table, rule in rules
                if days < WEEK_DAYS and (rule.period.length == "week" or rule.time_criterion is not None)]
        lost += [f"{table.id} {load.id}" for table in loads for load in table.load_rules]
        if lost:
            losses.append(Loss(f"{days} d instead of {duration} d", tuple(lost),
                              "a fail can still be proven, a pass cannot"))
    coarser: dict[tuple[str, ...], list[int]] = {}
    for interval in CHOICES_S[1:]:
        lost = [f"{table.id} {rule.id}" for table, rule in rules if not answers(rule, interval)]
        lost += [f"{table.id} {load.id}" for table in loads for load in table.load_rules
                 if any(source.basis == "recorded" and source.interval_s % interval for source in load.sources)]
        if lost:
            coarser.setdefault(tuple(lost), []).append(interval)
    bounded = any(row.low is None for _, rule in rules for row in rule.rows)
    for names, choices in coarser.items():
        listed = ", ".join(duration_text(interval * 1_000_000) for interval in choices)
        losses.append(Loss(f"values of {listed.replace(', ', ' or ')} only", names, BOUNDS if bounded else ""))
    if any(rule.quantity.endswith("_harmonic") for _, rule in rules):
        lost = [f"{table.id} {rule.id}" for table, rule in rules if rule.quantity.endswith("_harmonic")
                and any(order > 25 for row in rule.rows for order in row.orders or ())]
        lost += [f"{table.id} {rule.id}" for table, rule in rules if rule.highest_order and rule.highest_order > 25]
        if lost:
            losses.append(Loss("orders to 25 only", tuple(lost), "orders 26 and above, and sums that need them, as a "
                                                                "pass"))
    if any(rule.quantity == "voltage" for _, rule in rules):
        losses.append(Loss("voltages between lines only", (), "on a service with neutral the line-to-neutral limits; a "
                          "displaced neutral does not show between lines"))
        losses.append(Loss("no currents", (), "no cause can be named, and the hook-up cannot be checked"))
    losses.append(Loss("no minimum and maximum columns", (), "nothing can be proven for shorter intervals, and short "
                                                            "peaks stay unseen"))
    return tuple(losses)


def facts(
    tables: Sequence[LimitTable], rules: Sequence[tuple[LimitTable, Rule]], connection: str = "wye"
) -> tuple[Fact, ...]:
    """The site facts that these rules rest on."""
    needed = ["nominal_voltage", *OF_CONNECTION.get(connection, ())]
    for table in tables:
        needed += [condition.fact for condition in table.applies_if]
    for _, rule in rules:
        needed += [condition.fact for condition in rule.applies_if]
        needed += [condition.fact for row in rule.rows for condition in row.where]
        if rule.reference == "maximum_demand_current":
            needed.append("demand")
        if rule.reference == "rated_current":
            needed.append("rated_current")
        if rule.time_criterion is not None:
            needed.append("criterion")
    if any(table.load_rules for table in tables):
        needed += ["ratings", "occupied", "demand_of_the_study"]
    needed += ["generation", "ratings"]
    known = field_sheet()["facts"]
    facts = [Fact(known[name]["fact"], known[name]["from"], known[name]["why"])
             for name in dict.fromkeys(needed) if name in known]
    for table in tables:
        for option, meaning in table.option_meanings.items():
            facts.append(Fact(f"{table.id}: {option} ({', '.join(table.options[option])})", "the contract or the "
                                                                                            "utility",
                              meaning.rstrip(".")))
    return tuple(facts)
