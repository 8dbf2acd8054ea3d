"""What neighbours tell about each other: all low under one transformer, one alone, legs apart. Hints, never verdicts.

The trade's usual reasoning (common practice): what all customers of a transformer share lies in it or above; what one
of them has alone lies in its service or behind it; two legs that move apart are how an open neutral looks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from pqcheck.fleet.standings import OPEN, Standing

if TYPE_CHECKING:
    import pandas

_APART = 1.0
"""Distance between the legs of a service, in half widths of the band: on a band of 10 % either side 10 % of nominal."""


_MOVED = 0.3
"""What each of two such legs is away from the middle at least: a leg at nominal beside a low one is not high."""

_LEVELS = (("feeder", "regulator, tap or load of the feeder"), ("transformer", "transformer or its tap"))
"""What sites share, the wider first, and where to look when all of them do."""


LEGS_APART = "legs apart"


class PeerSign(Struct, frozen=True):
    """A pattern among neighbours; `where` is a site, a transformer or a feeder."""

    pattern: str
    where: str
    sites: tuple[str, ...]
    text: str


def peer_signs(frame: pandas.DataFrame, sites: Sequence[Standing]) -> list[PeerSign]:
    """Patterns in the voltages judged, the dangerous ones first, then by the number of sites concerned."""
    voltage = _levels(frame)
    apart = sorted(_legs_apart(voltage), key=lambda sign: sign.sites)
    named = {sign.where for sign in apart}
    alone = [sign for sign in _alone(voltage) if sign.where not in named]
    shared = sorted([*_together(voltage), *_open_together(sites), *alone], key=lambda sign: -len(sign.sites))
    return [*apart, *shared]


def _levels(frame: pandas.DataFrame) -> pandas.DataFrame:
    """Voltage findings on bands with two sides, `level` in half widths from the middle: -1 and 1 are the limits."""
    rows = frame[(frame.kind == "limit") & (frame.quantity == "voltage") & frame.verdict.isin(["pass", "fail"])]
    rows = rows[rows.value.notna() & rows.low.notna() & rows.high.notna() & (rows.high > rows.low)].copy()
    rows["level"] = (rows.value - (rows.low + rows.high) / 2) / ((rows.high - rows.low) / 2)
    return rows


def _legs_apart(rows: pandas.DataFrame) -> Iterator[PeerSign]:
    """Sites where one leg lies high while another lies low under one rule and period, and one of them fails."""
    legs = rows[rows.phase.isin(["an", "bn", "cn"])].assign(failing=rows.verdict == "fail")
    keys = ["site", "table", "rule", "period_start"]
    spread = legs.groupby(keys, dropna=False).agg(
        lowest=("level", "min"), highest=("level", "max"), failing=("failing", "any")
    )
    apart = spread[
        (spread.lowest <= -_MOVED) & (spread.highest >= _MOVED) & (spread.highest - spread.lowest >= _APART)
        & spread.failing
    ]
    for site in sorted(set(apart.index.get_level_values("site"))):
        yield PeerSign(
            LEGS_APART, site, (site,),
            "One leg is high while another is low, as with an open or loose neutral, which can burn equipment and "
            "endanger people: have qualified people look at once.",
        )  # fmt: skip


def _sides(rows: pandas.DataFrame) -> pandas.DataFrame:
    """By site with a judged voltage: whether it fails on the low and on the high side, and where it is fed from."""
    failing = rows.verdict == "fail"
    marked = rows.assign(low_side=failing & (rows.level < 0), high_side=failing & (rows.level > 0))
    last = marked.sort_values("period_start", kind="stable").groupby("site")
    sides = last.agg(
        low_side=("low_side", "any"), high_side=("high_side", "any"), feeder=("feeder", "last"),
        transformer=("transformer", "last"),
    )  # fmt: skip
    return sides.reset_index()


def _together(rows: pandas.DataFrame) -> Iterator[PeerSign]:
    """Transformers and feeders under which every judged site fails on the same side; the wider cause stands alone."""
    sides = _sides(rows)
    explained: set[tuple[str, str]] = set()
    for level, advice in _LEVELS:
        for name, held in sides[sides[level].notna()].groupby(level):
            if len(held) < 2 or (level == "feeder" and held.transformer.nunique() < 2):
                continue
            for side, word in (("low_side", "low"), ("high_side", "high")):
                if not held[side].all() or set(zip(held.site, [word] * len(held), strict=True)) <= explained:
                    continue
                explained |= set(zip(held.site, [word] * len(held), strict=True))
                yield PeerSign(
                    f"all {word} under one {level}", str(name), tuple(held.site),
                    f"All {len(held)} sites judged are {word}: look at the {advice} before any single service.",
                )  # fmt: skip


def _open_together(sites: Sequence[Standing]) -> Iterator[PeerSign]:
    """Feeders and transformers of which no site could be judged, all for one reason; the wider one stands alone."""
    explained: set[str] = set()
    for level, _ in _LEVELS:
        held: dict[str, list[Standing]] = defaultdict(list)
        for each in sites:
            held[getattr(each, level)].append(each)
        for name, members in sorted(held.items()):
            reasons = {each.why[0] if each.standing == OPEN and each.why else "" for each in members}
            if len(members) < 2 or len(reasons) > 1 or "" in reasons or not name or members[0].site in explained:
                continue
            explained |= {each.site for each in members}
            yield PeerSign(
                f"none judged under one {level}", name, tuple(each.site for each in members),
                f"All {len(members)} sites could not be judged for one reason, {min(reasons)}: look for what they "
                "share (what is declared, how it was recorded, or the supply itself).",
            )  # fmt: skip


def _alone(rows: pandas.DataFrame) -> Iterator[PeerSign]:
    """The only site of a transformer that fails while at least two others pass."""
    sides = _sides(rows)
    sides["fails"] = sides.low_side | sides.high_side
    for name, held in sides[sides.transformer.notna()].groupby("transformer"):
        failing = held[held.fails]
        if len(failing) == 1 and len(held) >= 3:
            site = str(failing.site.iloc[0])
            word = "low" if bool(failing.low_side.iloc[0]) else "high"
            yield PeerSign(
                "one alone", site, (site,),
                f"It is {word} while the {len(held) - 1} other sites under {name} pass: look at its service, its "
                "connections and its own load.",
            )  # fmt: skip
