"""How much of the declared addition still passes: bisection on the record, every criterion at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.loads.capacity import TITLES, Cases, capacities, rated_quantity
from pqcheck.loads.declared import feed_in_currents
from pqcheck.loads.growth import CURRENTS, grown_site
from pqcheck.loads.in_memory import in_memory
from pqcheck.loads.phasors import Collapse
from pqcheck.loads.predict import Place, place, verdicts, without_orders
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import Demand, Room
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

LARGEST, SMALLEST = 64.0, 1 / 64
"""Shares of the declared addition between which the answer is sought."""
CLOSE, CLOSE_LARGE = 1.005, 1.02
"""The two ends of a bracket are this close in ratio when the search ends, the second for large records."""
LARGE = 2_000_000
"""A record with more intervals than this is large: one criterion is narrowed down, and less closely."""
MOST_RUNS = 30
REFINED, WATCHED = 3, 12
"""Criteria whose share is narrowed down, and those judged meanwhile; the share of others is interpolated."""


class CriterionMargin(Struct, frozen=True):
    """The smallest margin of one rule (and order) over all phases and periods, as a share of the limit; whose it is."""

    share: float
    channel: str
    title: str
    help: str
    """A sentence that names the share by which something has to be less as ``{less}``."""
    shown: bool = True
    """The record proves it; else the valid readings alone have this margin."""


class Bracket(Struct):
    """Between which additions a criterion begins to fail."""

    holds_at: float = 0.0
    fails_at: float | None = None
    margin: float = 0.0
    """Margin where it holds; with that where it fails, `loss`, the crossing is interpolated."""
    loss: float = 0.0
    channel: str = "-"
    physics: bool = False
    """What fails is the supply: it cannot deliver so much."""
    open: bool = False
    """Where it holds, the record does not prove it."""

    def close(self, ratio: float) -> bool:
        """Whether both ends are known well enough."""
        return self.fails_at is None or self.fails_at <= ratio * max(self.holds_at, SMALLEST / 4)

    @property
    def estimate(self) -> float:
        """Where the margin vanishes, on a straight line between the two ends."""
        if self.fails_at is None:
            return float("inf")
        if self.physics or self.margin <= self.loss:
            return self.holds_at
        return self.holds_at + (self.fails_at - self.holds_at) * self.margin / (self.margin - self.loss)

    def take(self, size: float, margin: CriterionMargin) -> None:
        """What a trial showed."""
        if self.fails_at is not None and size >= self.fails_at:
            return
        if margin.share < 0:
            self.fails_at, self.loss, self.channel, self.physics = size, margin.share, margin.channel, False
        elif size >= self.holds_at:
            self.holds_at, self.margin, self.open = size, margin.share, not margin.shown


class Search:
    """The search for one site; `tables` may be empty, ratings then decide alone."""

    def __init__(
        self,
        tables: Sequence[LimitTable],
        recording: Recording,
        site: Site,
        cases: Sequence[Added],
        demand: Demand,
        quantities: Sequence[str] = (),
        others: Sequence[Finding] = (),
        doubts: Mapping[str, Reason] | None = None,
    ) -> None:
        self.others, self.doubts = others, doubts or {}
        """Findings about the recording, and why totals beside new capacitor banks are not known."""
        self.tables, self.recording, self.site, self.cases = tables, recording, site, cases
        self.demand, self.quantities = demand, quantities
        self.brackets: dict[str, Bracket] = {}
        self.margins: dict[str, CriterionMargin] = {}
        """Without any addition but capacitor banks."""
        self.places: dict[str, set[Place]] = {}
        self.watched: frozenset[Place] | None = None
        self.tried: set[float] = set()
        self.collapse_at: float | None = None
        large = sum(stream.axis.count for stream in recording.streams) > LARGE
        self.ratio, self.refined = (CLOSE_LARGE, 1) if large else (CLOSE, REFINED)

    def run(self, size: float) -> list[Room]:
        """A room for each criterion, `size` being that of the addition as declared, in VA.

        Criteria that the measured record misses already have none.
        """
        self.margins = self._margins(0.0)
        self.brackets = {
            key: Bracket(margin=margin.share, open=not margin.shown)
            for key, margin in self.margins.items()
            if margin.share >= 0
        }
        if not self.brackets:
            return []
        self._watch(self.brackets)
        self._scan()
        self._narrow()
        rooms = [self._room(key, bracket, size) for key, bracket in self.brackets.items()]
        if self.collapse_at is not None:
            most = max((tried for tried in self.tried if tried < self.collapse_at), default=0.0)
            title = "What the supply can deliver"
            rooms.append(Room("supply", title, "-", most, most * size, about=True, physics=True))
        return rooms

    def _watch(self, keys: Iterable[str]) -> None:
        self.watched = frozenset(place for key in keys for place in self.places.get(key, ()))

    def _scan(self) -> None:
        """Doublings up and halvings down from the declared size until something fails and something holds."""
        brackets = self.brackets.values()
        size = 1.0
        while size <= LARGEST:
            self._try(size, self.brackets)
            if self.collapse_at is not None or all(bracket.fails_at is not None for bracket in brackets):
                break
            # Once something fails, only what fails at the next doublings is of interest.
            if size >= 8 and any(bracket.fails_at is not None for bracket in brackets):
                break
            size *= 2
        size = 0.5
        while size >= SMALLEST and any(bracket.fails_at is not None and not bracket.holds_at for bracket in brackets):
            self._try(size, self.brackets)
            size /= 2

    def _narrow(self) -> None:
        """Bisect the criteria that fail first, and only these."""
        for _ in range(MOST_RUNS):
            tightest = sorted(self.brackets, key=lambda key: (self.brackets[key].estimate, key))[:WATCHED]
            candidates = [self.brackets[key] for key in tightest[: self.refined]]
            wide = next((bracket for bracket in candidates if not bracket.close(self.ratio)), None)
            if wide is None:
                return
            self._watch(tightest)
            assert wide.fails_at is not None
            low, high = wide.holds_at, wide.fails_at
            self._try((low * high) ** 0.5 if low else high / 2, tightest)

    def _try(self, size: float, keys: Iterable[str]) -> None:
        if size in self.tried:
            return
        self.tried.add(size)
        try:
            margins = self._margins(size)
        except Collapse:
            self.collapse_at = size if self.collapse_at is None else min(self.collapse_at, size)
            for bracket in self.brackets.values():
                if bracket.fails_at is None or bracket.fails_at > size:
                    bracket.fails_at, bracket.physics = size, True
            return
        for key in keys:
            if key in margins:
                self.brackets[key].take(size, margins[key])

    def _margins(self, size: float) -> dict[str, CriterionMargin]:
        """The least margin of each criterion over all cases, with the addition `size` times as large."""
        margins: dict[str, CriterionMargin] = {}
        for case in self.cases:
            self._take_margins(margins, case.scaled(size), size)
        return margins

    def _take_margins(self, margins: dict[str, CriterionMargin], added: Added, size: float) -> None:
        # Worked out once and kept: it is judged, and its demand is studied.
        with_new = in_memory(with_addition(self.recording, self.site, added))

        def note(key: str, margin: CriterionMargin) -> None:
            known = margins.get(key, margin)
            tighter = margin if margin.share < known.share else known
            # A criterion is proven where it is on every phase and in every period.
            margins[key] = replace(tighter, shown=margin.shown and known.shown)

        judged = verdicts(
            self.tables, self.recording, self.site, added, self.quantities, self.watched, with_new=with_new
        )
        for finding in without_orders([*judged, *self._under_grown_demand(added, with_new)], self.doubts):
            share = margin_of(finding)
            if finding.kind != "limit" or share is None:
                continue
            key = f"{finding.table}/{finding.rule}/{finding.quantity}" + (
                "" if finding.order is None else f"/h{finding.order}"
            )
            self.places.setdefault(key, set()).add(place(finding))
            title = f"{finding.table} {finding.rule}" + (f", order {finding.order}" if finding.order else "")
            shown = finding.verdict in (Verdict.PASS, Verdict.FAIL)
            helps = _help(finding.quantity or "", finding.order)
            note(key, CriterionMargin(share, finding.channel, title, helps, shown))
        now = capacities(self.site, self.demand, None, others=self.others)
        relieves = any(load.bank is not None for load in added.loads)
        if now and (size or relieves):
            then = demand_of(with_new, self.site, round(self.demand.interval_s * 1e6), others=False)
            exported = feed_in_currents(added.loads, self.site.supply)
            cases = Cases(then, (then,), relieves=relieves, feed_in=exported, doubts=self.doubts)
            now = capacities(self.site, self.demand, cases, others=self.others)
        for entry in now:
            channel = f"{rated_quantity(entry.unit)}.{entry.phase or 'total'}"
            share = entry.spare / entry.limit
            margin = CriterionMargin(share, channel, TITLES[entry.rating], _help("rating", None), entry.doubt is None)
            note(f"ratings/{entry.rating}", margin)

    def _under_grown_demand(self, added: Added, with_new: Recording) -> list[Finding]:
        """The current criteria under the demand current that the addition makes: it may lead to a stricter row."""
        larger, pcc = grown_site(self.site, added.loads), self.site.pcc
        asked = [quantity for quantity in CURRENTS if not self.quantities or quantity in self.quantities]
        if larger is None or pcc is None or pcc.maximum_demand_current is None or not asked:
            return []
        case = replace(added, recorded_demand=float(pcc.maximum_demand_current))
        if any(channel.quantity == "current_tdd" for _, channel in self.recording.channels()):
            with_new = with_addition(self.recording, larger, case)
        return verdicts(self.tables, self.recording, larger, case, asked, self.watched, with_new=with_new)

    def _room(self, key: str, bracket: Bracket, size: float) -> Room:
        known = bracket.close(self.ratio)
        open_end = bracket.fails_at is None
        share = bracket.holds_at if known else bracket.estimate
        # An order of magnitude of what would help; not a design.
        help_ = self.margins[key].help.format(less=f"{100 * (1 - share):.0f} %") if share < 1 and not open_end else ""
        return Room(
            key, self.margins[key].title, bracket.channel, share, share * size,
            about=not known, at_least=open_end, physics=bracket.physics, help=help_, open=bracket.open,
        )  # fmt: skip


def margin_of(finding: Finding) -> float | None:
    """Margin as a share of the limit; its sign is that of the verdict, or of the valid readings where it is open."""
    if finding.margin is None or finding.statistic is None or finding.statistic.value is None:
        return None
    percent = finding.margin.percent_of_limit
    size = abs((finding.margin.value if percent is None else percent) / 100)
    if finding.verdict in (Verdict.PASS, Verdict.FAIL):
        return size if finding.verdict is Verdict.PASS else -max(size, 1e-12)
    return size if finding.margin.value >= 0 else -size


_HARMONICS = "harmonics of the new load about {less} lower (a reactor, a filter, a higher pulse number)"
_HELPS: Mapping[str, str] = {
    "current_harmonic": "order {order} of the new load about {less} lower (a reactor, a filter, a higher pulse number)",
    "current_tdd": _HARMONICS,
    "current_thd": _HARMONICS,
    "voltage_harmonic": "order {order} of the new load, or the impedance of the supply at it, about {less} lower",
    "voltage_thd": "harmonics of the new load, or the impedance of the supply, about {less} lower",
    "voltage": "the addition, or the impedance of the supply, about {less} smaller",
    "rating": "about {less} of the addition moved to other hours or limited by load management, or a larger rating",
}


def _help(quantity: str, order: int | None) -> str:
    if "unbalance" in quantity:
        return "the single-phase part spread over the phases, or about {less} smaller"
    return _HELPS.get(quantity, "about {less} less of the addition").replace("{order}", str(order))
