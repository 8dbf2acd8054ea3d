"""What the periods in a store tell over time: month by month, criteria that drift, before and after a date."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from pqcheck.fleet.standings import FAILS, OPEN, criterion_name, standing_of
from pqcheck.model.errors import InputError
from pqcheck.model.verdict import Verdict, roll_up

if TYPE_CHECKING:
    import pandas

_MOST_DRIFTS = 50


class Month(Struct, frozen=True):
    """Periods that began in a month (UTC): sites judged, and those of them that fail; the median margin of criteria."""

    month: str
    sites: int
    fails: int
    median_margin_percent: float | None


class Drift(Struct, frozen=True):
    """A criterion of a site whose margin shrank from its first to its last month, in percent of the limit."""

    site: str
    criterion: str
    first: str
    last: str
    margin_first: float
    margin_last: float


class BeforeAndAfter(Struct, frozen=True):
    """Sites judged on both sides of a moment, by how they stood; what lies across it or on one side is only counted."""

    moment: str
    both: int
    fails_before: int
    fails_after: int
    newly_failing: tuple[str, ...]
    mended: tuple[str, ...]
    open_on_a_side: int
    periods_across: int
    on_one_side: int


def _judged(frame: pandas.DataFrame) -> pandas.DataFrame:
    rows = frame[(frame.kind == "limit") & (frame.verdict != "not_applicable") & frame.period_start.notna()]
    return rows.assign(month=rows.period_start.dt.strftime("%Y-%m"))


def months(frame: pandas.DataFrame) -> list[Month]:
    """Every month in which a period began."""
    rows = _judged(frame)
    made = []
    for month, held in rows.groupby("month"):
        failing = held[held.verdict == "fail"].site.nunique()
        margin = held.margin_percent.median()
        made.append(Month(str(month), held.site.nunique(), failing, None if margin != margin else float(margin)))
    return made


def drifts(frame: pandas.DataFrame) -> list[Drift]:
    """Criteria whose margin shrank most, from the mean of the first month to that of the last; at most fifty."""
    rows = _judged(frame)
    rows = rows[rows.margin_percent.notna()].fillna({"phase": "", "order": -1})
    keys = ["site", "quantity", "phase", "order", "table", "rule"]
    means = rows.groupby([*keys, "month"]).agg(margin_percent=("margin_percent", "mean")).reset_index()
    means = means.sort_values("month")
    ends = means.groupby(keys).agg(
        first=("month", "first"), last=("month", "last"), before=("margin_percent", "first"),
        after=("margin_percent", "last"),
    )  # fmt: skip
    ends = ends[(ends["first"] != ends["last"]) & (ends.after < ends.before)].reset_index()
    ends["lost"] = ends.before - ends.after
    ends = ends.sort_values(["lost", *keys], ascending=[False, *[True] * len(keys)]).head(_MOST_DRIFTS)
    held: list[dict[str, Any]] = ends.to_dict("records")  # type: ignore[assignment]
    return [
        Drift(
            row["site"],
            criterion_name(row["quantity"], row["phase"], row["order"], row["table"], row["rule"]),
            row["first"], row["last"], float(row["before"]), float(row["after"]),
        )
        for row in held
    ]  # fmt: skip


def moment_of(text: str) -> datetime:
    """A day or moment, in UTC unless an offset is written. Raises `InputError`."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no date; write one such as 2031-03-10 or 2031-03-10T14:00:00+01:00") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def before_and_after(frame: pandas.DataFrame, moment: datetime) -> BeforeAndAfter:
    """How sites stood in periods that ended by `moment`, and in those that began then or later."""
    rows = _judged(frame)
    before, after = rows[rows.period_end <= moment], rows[rows.period_start >= moment]
    across = rows[(rows.period_start < moment) & (rows.period_end > moment)]
    stood, stands = (
        {str(site): standing_of(roll_up(map(Verdict, held.verdict))) for site, held in part.groupby("site")}
        for part in (before, after)
    )
    both = sorted(stood.keys() & stands.keys())
    return BeforeAndAfter(
        moment=moment.isoformat(),
        both=len(both),
        fails_before=sum(stood[site] == FAILS for site in both),
        fails_after=sum(stands[site] == FAILS for site in both),
        newly_failing=tuple(site for site in both if stands[site] == FAILS and stood[site] != FAILS),
        # What could not be judged afterwards is not shown to be mended.
        mended=tuple(site for site in both if stood[site] == FAILS and stands[site] not in (FAILS, OPEN)),
        open_on_a_side=sum(OPEN in (stood[site], stands[site]) for site in both),
        periods_across=int(across[["site", "period_start", "period_end"]].drop_duplicates().shape[0]),
        on_one_side=len(stood.keys() ^ stands.keys()),
    )
