"""Rules in two levels, as data: a share of sites must have at most a share of their readings outside a limit."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct, ValidationError, convert

from pqcheck.judge.proof import allowed, prove
from pqcheck.model.errors import InputError
from pqcheck.model.small_files import parse_toml, read_small
from pqcheck.model.verdict import Verdict

if TYPE_CHECKING:
    import pandas

_SIDES = ("both", "below", "above")


class ShareRule(Struct, frozen=True, forbid_unknown_fields=True):
    """At least `at_least_percent_of_sites` have at most `at_most_percent_of_readings` outside a limit.

    `side` narrows that to below or above it; `table` and `rule` name the limit, `policy_of` whose rule this is.
    """

    name: str
    table: str
    rule: str
    at_most_percent_of_readings: float
    at_least_percent_of_sites: float
    policy_of: str
    side: str = "both"


class ShareAnswer(Struct, frozen=True):
    """Of all sites that should report: those that keep to it, those that do not, and those that do not show either."""

    rule: ShareRule
    verdict: Verdict
    sites: int
    keep: int
    exceed: int
    open: int


def read_share_rules(path: str | Path) -> list[ShareRule]:
    """The rules of a TOML file, under ``[[rule]]``. Raises `InputError`."""
    name = Path(path).name
    try:
        document = parse_toml(read_small(path).decode("utf-8-sig"))
        rules = convert(document, dict[str, list[ShareRule]])
    except OSError as error:
        raise InputError(f"the rules {name!r} cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ValueError, ValidationError) as error:
        raise InputError(f"{name}: {error}; docs/fleet.md shows how rules of a share of sites are written") from None
    if set(rules) != {"rule"}:
        raise InputError(f"{name} holds no [[rule]], or something beside it; docs/fleet.md shows how they are written")
    for rule in rules["rule"]:
        for share in (rule.at_most_percent_of_readings, rule.at_least_percent_of_sites):
            if not 0 <= share <= 100:
                raise InputError(f"{name}: {rule.name}: {share:g} is no share in percent; write 0 to 100")
        if rule.side not in _SIDES:
            raise InputError(f"{name}: {rule.name}: side = {rule.side!r}; write one of {', '.join(_SIDES)}")
    return rules["rule"]


def share_answer(rule: ShareRule, frame: pandas.DataFrame, sites: int) -> ShareAnswer:
    """The rule over all `sites` that should report. It passes or fails only if sites left open cannot turn it."""
    rows = frame[(frame.table == rule.table) & (frame.rule == rule.rule) & (frame.kind == "limit")]
    rows = rows[rows.verdict != "not_applicable"]
    states: dict[str, set[str]] = {}
    for row in rows.itertuples():
        states.setdefault(str(row.site), set()).add(_state(rule, row))
    exceed = sum("exceeds" in held for held in states.values())
    keep = sum(held == {"keeps"} for held in states.values())
    outcome = prove(exceed, sites - keep, allowed(sites, _percent(rule.at_least_percent_of_sites)))
    verdict = {"pass": Verdict.PASS, "fail": Verdict.FAIL, "open": Verdict.INCONCLUSIVE}[outcome]
    return ShareAnswer(rule, verdict, sites, keep, exceed, sites - keep - exceed)


def _state(rule: ShareRule, row: Any) -> str:
    """One criterion of a site: refused readings show nothing; missing ones may lie on either side."""
    counts = [row.expected, row.missing, row.excluded, row.outside, row.below]
    if row.verdict == "refused" or any(count != count for count in counts[:4]):
        return "open"
    expected, missing, excluded, outside = (int(count) for count in counts[:4])
    if rule.side != "both" and outside:
        if counts[4] != counts[4]:
            return "open"
        outside = int(counts[4]) if rule.side == "below" else outside - int(counts[4])
    may = allowed(expected - excluded, 100 - _percent(rule.at_most_percent_of_readings))
    return {"pass": "keeps", "fail": "exceeds", "open": "open"}[prove(outside, outside + missing, may)]


def _percent(percent: float) -> Decimal:
    return Decimal(str(percent))
