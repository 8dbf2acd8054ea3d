"""How every site of a store stands: complies, fails, or could not be judged; how far beyond its limits, and by what."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from pqcheck.fleet.judge_site import Notes
from pqcheck.fleet.store import Store
from pqcheck.model.verdict import Verdict, roll_up

if TYPE_CHECKING:
    import pandas

COMPLIES, FAILS, OPEN = "complies", "fails", "could not be judged"

_COLUMNS = (
    "site", "feeder", "transformer", "recording", "kind", "table", "rule", "title", "quantity", "phase", "order",
    "period_start", "period_end", "verdict", "reason", "interval_s", "value", "unit", "low", "high", "margin_percent",
    "expected", "missing", "excluded", "outside", "below",
)  # fmt: skip


class Standing(Struct, frozen=True):
    """One site. `beyond_percent` is how far the driving reading lies beyond its limit, in percent of the limit,
    `hours` how long that criterion was outside, `severity` their product over which sites are ranked.

    `why` are the reason codes of what keeps a site from being judged, commonest first. `news` is how it stood before
    the last run, where that was otherwise.
    """

    site: str
    feeder: str
    transformer: str
    standing: str
    danger: bool = False
    criterion: str = ""
    value: float | None = None
    unit: str = ""
    beyond_percent: float | None = None
    hours: float | None = None
    severity: float = 0.0
    why: tuple[str, ...] = ()
    news: str | None = None


class Group(Struct, frozen=True):
    """Sites fed by one feeder or transformer."""

    name: str
    sites: int
    complies: int
    fails: int
    open: int
    danger: int
    severity: float


def findings_frame(store: Store) -> pandas.DataFrame:
    """The findings that verdicts are made of: limits, danger signs, and why a site could not be judged."""
    import pyarrow.compute
    import pyarrow.dataset

    from pqcheck.fleet.findings_table import schema

    paths = [str(path) for path in sorted(store.findings.glob("[!.]*.parquet"))]
    data = pyarrow.dataset.dataset(paths, schema=schema(), format="parquet")
    kind, reason = pyarrow.compute.field("kind"), pyarrow.compute.field("reason")
    asked = kind.isin(["limit", "safety"]) | reason.isin(["unreadable", "doubled", "no-recording"])
    frame: pandas.DataFrame = data.to_table(columns=list(_COLUMNS), filter=asked).to_pandas()
    return frame


def standing_of(verdict: Verdict) -> str:
    """A roll-up in the words of a fleet."""
    if verdict is Verdict.FAIL:
        return FAILS
    return COMPLIES if verdict in (Verdict.PASS, Verdict.WAIVED) else OPEN


def standings(
    frame: pandas.DataFrame, notes: Mapping[str, Notes], before: Mapping[str, tuple[str, str]] | None
) -> list[Standing]:
    """Every site, worst first: danger signs, then fails by severity, then what could not be judged, then the rest."""
    by_site: dict[str, list[str]] = defaultdict(list)
    for name, each in notes.items():
        by_site[each.site].append(name)
    was = _before(before)
    driving, reasons, places = _driving(frame), _reasons(frame), _places(frame)
    made = []
    for site, names in by_site.items():
        standing = standing_of(roll_up(Verdict(notes[name].verdict) for name in names))
        feeder, transformer = places.get(site, ("", ""))
        news = None
        if was is not None and was.get(site) != standing:
            news = was.get(site, "not there")
        danger = any(notes[name].danger for name in names)
        why = reasons.get(site, ()) if standing == OPEN else ()
        driver: dict[str, Any] = driving.get(site, {}) if standing == FAILS else {}
        made.append(Standing(site, feeder, transformer, standing, danger, why=why, news=news, **driver))
    rank = {FAILS: 0, OPEN: 1, COMPLIES: 2}
    return sorted(made, key=lambda each: (not each.danger, rank[each.standing], -each.severity, each.site))


def _before(before: Mapping[str, tuple[str, str]] | None) -> dict[str, str] | None:
    if before is None:
        return None
    verdicts: dict[str, list[Verdict]] = defaultdict(list)
    for site, verdict in before.values():
        verdicts[site].append(Verdict(verdict))
    return {site: standing_of(roll_up(each)) for site, each in verdicts.items()}


def _driving(frame: pandas.DataFrame) -> dict[str, dict[str, Any]]:
    """By site, the failed criterion with the largest product of how far and how long."""
    failed = frame[(frame.kind == "limit") & (frame.verdict == "fail")].copy()
    failed["beyond"] = (-failed.margin_percent).clip(lower=0)
    failed["hours"] = failed.outside * failed.interval_s / 3600
    failed["severity"] = (failed.beyond * failed.hours).fillna(0.0)
    failed = failed.sort_values(["severity", "table", "rule", "phase", "order"], ascending=[False, *[True] * 4])
    rows: list[dict[str, Any]] = failed.drop_duplicates("site").to_dict("records")  # type: ignore[assignment]
    return {
        row["site"]: {
            "criterion": criterion_name(row["quantity"], row["phase"], row["order"], row["table"], row["rule"]),
            "value": _number(row["value"]), "unit": row["unit"] or "", "beyond_percent": _number(row["beyond"]),
            "hours": _number(row["hours"]), "severity": float(row["severity"]),
        }
        for row in rows
    }  # fmt: skip


def criterion_name(quantity: str | None, phase: str | None, order: float | None, table: str, rule: str) -> str:
    """``voltage_harmonic.an.h5, en50160-2010-lv harmonics-week-95``; what does not exist may also be NaN or empty."""
    parts = [quantity if isinstance(quantity, str) else "-"]
    parts += [phase] if isinstance(phase, str) and phase else []
    parts += [f"h{int(order)}"] if order is not None and order == order and order >= 0 else []
    return f"{'.'.join(parts)}, {table} {rule}"


def _number(value: float | None) -> float | None:
    return None if value is None or value != value else float(value)


def _reasons(frame: pandas.DataFrame) -> dict[str, tuple[str, ...]]:
    open_rows = frame.verdict.isin(["refused", "inconclusive"])
    # Where no rule governs the place, why not is the reason.
    left = frame[(open_rows | ~frame.site.isin(frame[open_rows].site)) & frame.reason.notna()]
    counted: dict[str, Counter[str]] = defaultdict(Counter)
    for site, reason in zip(left.site, left.reason, strict=True):
        counted[site][reason] += 1
    return {
        site: tuple(code for code, _ in sorted(codes.items(), key=lambda item: (-item[1], item[0])))
        for site, codes in counted.items()
    }


def _places(frame: pandas.DataFrame) -> dict[str, tuple[str, str]]:
    """Feeder and transformer of a site: where it was fed from last."""
    last = frame.sort_values("period_start", na_position="first", kind="stable").drop_duplicates("site", keep="last")
    texts = last[["feeder", "transformer"]].fillna("")
    return dict(zip(last.site, zip(texts.feeder, texts.transformer, strict=True), strict=True))


def groups(sites: Iterable[Standing], by: str) -> list[Group]:
    """Sites by ``feeder`` or ``transformer``, the one with the largest share of failing sites first."""
    members: dict[str, list[Standing]] = defaultdict(list)
    for each in sites:
        name = getattr(each, by)
        if name:
            members[name].append(each)
    made = [_group(name, held) for name, held in members.items()]
    return sorted(made, key=lambda group: (-group.danger, -group.fails / group.sites, -group.severity, group.name))


def _group(name: str, held: Sequence[Standing]) -> Group:
    count = Counter(each.standing for each in held)
    return Group(
        name, len(held), count[COMPLIES], count[FAILS], count[OPEN], sum(each.danger for each in held),
        sum(each.severity for each in held),
    )  # fmt: skip
