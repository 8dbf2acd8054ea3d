"""How much of the declared addition still passes: bisection on the record, every criterion at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct

from pqcheck.findings import Finding, Verdict
from pqcheck.limit_tables import LimitTable
from pqcheck.loads.addition import Collapse
from pqcheck.loads.capacity import TITLES, capacities
from pqcheck.loads.demand import demand_of
from pqcheck.loads.held import held
from pqcheck.loads.predict import Place, place, verdicts
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.values import Capacity, Demand, Room
from pqcheck.recording import Recording
from pqcheck.site.model import Site

LARGEST, SMALLEST = 64.0, 1 / 64
"""Shares of the declared addition between which the answer is sought."""
CLOSE, CLOSE_LARGE = 1.005, 1.02
"""The two ends of a bracket are this close in ratio when the search ends, the second for large records."""
LARGE = 2_000_000
"""A record with more intervals than this is large: one criterion is narrowed down, and less closely."""
MOST_RUNS = 30
REFINED, WATCHED = 3, 12
"""Criteria whose share is narrowed down, and those judged meanwhile; the share of others is interpolated."""
SUPPLY = "supply"


class Criterion(Struct, frozen=True):
    """One rule (and order), all phases and periods together: it holds while all of them hold."""

    key: str
    title: str
    quantity: str
    order: int | None


class _Bracket(Struct):
    holds_at: float = 0.0
    fails_at: float | None = None
    margin: float = 0.0
    """Margin where it holds; with that where it fails, `loss`, the crossing is interpolated."""
    loss: float = 0.0
    channel: str = "-"
    physics: bool = False

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

    def take(self, size: float, margin: float, channel: str) -> None:
        """What a trial showed."""
        if margin >= 0:
            if (self.fails_at is None or size < self.fails_at) and size >= self.holds_at:
                self.holds_at, self.margin = size, margin
        elif self.fails_at is None or size < self.fails_at:
            self.fails_at, self.loss, self.channel, self.physics = size, margin, channel, False


class Search:
    """The search for one site; `tables` may be empty, ratings then decide alone."""

    def __init__(
        self,
        tables: Sequence[LimitTable],
        recording: Recording,
        site: Site,
        added: Added,
        demand: Demand,
        quantities: Sequence[str] = (),
    ) -> None:
        self.tables, self.recording, self.site, self.added = tables, recording, site, added
        self.demand, self.quantities = demand, quantities
        self.rated = bool(capacities(site, demand, None))
        self.criteria: dict[str, Criterion] = {}
        self.brackets: dict[str, _Bracket] = {}
        self.places: dict[str, set[Place]] = {}
        self.watched: frozenset[Place] | None = None
        self.tried: set[float] = set()
        self.collapse_at: float | None = None
        large = sum(stream.axis.count for stream in recording.streams) > LARGE
        self.ratio, self.refined = (CLOSE_LARGE, 1) if large else (CLOSE, REFINED)

    def run(self) -> list[Room]:
        """Rooms, the tightest first. Criteria that the measured record misses already have none."""
        for key, (margin, _) in self._margins(0.0).items():
            if margin >= 0:
                self.brackets[key] = _Bracket(margin=margin)
        if not self.brackets:
            return []
        self._watch(self.brackets)
        self._scan()
        self._narrow()
        size = sum(load.rms_va for load in self.added.loads)
        rooms = [self._room(key, bracket, size) for key, bracket in self.brackets.items()]
        if self.collapse_at is not None:
            most = max((one for one in self.tried if one < self.collapse_at), default=0.0)
            rooms.append(Room(SUPPLY, "What the supply can deliver", "-", most, most * size, about=True, physics=True))
        return sorted(rooms, key=lambda one: (one.share, one.at_least, one.key))

    def _watch(self, keys: Iterable[str]) -> None:
        self.watched = frozenset(one for key in keys for one in self.places.get(key, ()))

    def _scan(self) -> None:
        """Doublings up and halvings down from the declared size until something fails and something holds."""
        size = 1.0
        while size <= LARGEST:
            self._try(size)
            if self.collapse_at is not None or all(one.fails_at is not None for one in self.brackets.values()):
                break
            # Once something fails, only what fails at the next doublings is of interest.
            if size >= 8 and any(one.fails_at is not None for one in self.brackets.values()):
                break
            size *= 2
        size = 0.5
        while size >= SMALLEST and any(one.fails_at is not None and not one.holds_at for one in self.brackets.values()):
            self._try(size)
            size /= 2

    def _narrow(self) -> None:
        """Bisect the criteria that fail first, and only these."""
        for _ in range(MOST_RUNS):
            ordered = sorted(self.brackets, key=lambda key: (self.brackets[key].estimate, key))[:WATCHED]
            wide = next(
                (self.brackets[key] for key in ordered[: self.refined] if not self.brackets[key].close(self.ratio)),
                None,
            )
            if wide is None:
                return
            self._watch(ordered)
            assert wide.fails_at is not None
            low, high = wide.holds_at, wide.fails_at
            self._try((low * high) ** 0.5 if low else high / 2, ordered)

    def _try(self, size: float, keys: Sequence[str] | None = None) -> None:
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
        for key in self.brackets if keys is None else keys:
            if key in margins:
                self.brackets[key].take(size, *margins[key])

    def _margins(self, size: float) -> dict[str, tuple[float, str]]:
        """Smallest margin of each criterion with the addition `size` times as large, and whose it is."""
        added = self.added.scaled(size)
        # Worked out once and kept: it is judged, and its demand is studied.
        with_new = held(with_addition(self.recording, self.site, added))
        found: dict[str, tuple[float, str]] = {}

        def note(criterion: Criterion, margin: float, channel: str) -> None:
            self.criteria.setdefault(criterion.key, criterion)
            if criterion.key not in found or margin < found[criterion.key][0]:
                found[criterion.key] = (margin, channel)

        judged = verdicts(
            self.tables, self.recording, self.site, added, self.quantities, self.watched, with_new=with_new
        )
        for one in judged:
            margin = margin_of(one)
            if one.kind != "limit" or margin is None:
                continue
            order = "" if one.order is None else f"/h{one.order}"
            key = f"{one.table}/{one.rule}/{one.quantity}{order}"
            self.places.setdefault(key, set()).add(place(one))
            title = f"{one.table} {one.rule}" + (f", order {one.order}" if one.order else "")
            note(Criterion(key, title, one.quantity or "", one.order), margin, one.channel)
        for entry in self._ratings(with_new, size):
            value = entry.now if entry.then is None else entry.then
            quantity = "current" if entry.unit == "A" else "apparent_power"
            criterion = Criterion(f"ratings/{entry.rating}", TITLES[entry.rating], "rating", None)
            note(criterion, (entry.limit - value) / entry.limit, f"{quantity}.{entry.phase or 'total'}")
        return found

    def _ratings(self, with_new: Recording, size: float) -> list[Capacity]:
        if not self.rated:
            return []
        then = None
        if size:
            then = demand_of(with_new, self.site, round(self.demand.interval_s * 1e6), others=False)
        return capacities(self.site, self.demand, then)

    def _room(self, key: str, bracket: _Bracket, size: float) -> Room:
        criterion = self.criteria[key]
        open_end = bracket.fails_at is None
        share = bracket.holds_at if open_end or bracket.close(self.ratio) else bracket.estimate
        about = not open_end and not bracket.close(self.ratio)
        help_ = _help(criterion, share) if share < 1 and not open_end else ""
        return Room(
            key, criterion.title, bracket.channel, share, share * size,
            about=about, at_least=open_end, physics=bracket.physics, help=help_,
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


_HELPS: Mapping[str, str] = {
    "current_harmonic": "order {order} of the new load about {less} lower (a reactor, a filter, a higher pulse number)",
    "current_tdd": "harmonics of the new load about {less} lower (a reactor, a filter, a higher pulse number)",
    "current_thd": "harmonics of the new load about {less} lower (a reactor, a filter, a higher pulse number)",
    "voltage_harmonic": "order {order} of the new load, or the impedance of the supply at it, about {less} lower",
    "voltage_thd": "harmonics of the new load, or the impedance of the supply, about {less} lower",
    "voltage": "the addition, or the impedance of the supply, about {less} smaller",
    "rating": "about {less} of the addition moved to other hours or limited by load management, or a larger rating",
}


def _help(criterion: Criterion, share: float) -> str:
    """Order of magnitude of what would help; not a design."""
    less = f"{100 * (1 - share):.0f} %"
    if "unbalance" in criterion.quantity:
        return f"the single-phase part spread over the phases, or about {less} smaller"
    text = _HELPS.get(criterion.quantity, "about {less} less of the addition")
    return text.format(less=less, order=criterion.order)
