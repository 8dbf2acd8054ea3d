"""How much of the declared addition still passes: bisection on the record, every criterion at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pqcheck.findings import Finding, Verdict
from pqcheck.limit_tables import LimitTable
from pqcheck.loads.addition import Collapse
from pqcheck.loads.capacity import TITLES, capacities
from pqcheck.loads.demand import demand_of
from pqcheck.loads.predict import place, verdicts
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.values import Capacity, Demand, Room
from pqcheck.recording import Recording
from pqcheck.site.model import Site

LARGEST, SMALLEST = 64.0, 1 / 64
"""Shares of the declared addition between which the answer is sought."""
CLOSE = 1.005
"""The two ends of a bracket are this close in ratio when the search ends."""
MOST_RUNS = 36
REFINED = 4
"""Criteria whose share is narrowed down; those that bear more are known to a factor of two."""
SUPPLY = "supply"


@dataclass(frozen=True)
class Criterion:
    """Something that holds or does not at a size of the addition."""

    key: str
    title: str
    channel: str
    quantity: str
    order: int | None


@dataclass
class _Bracket:
    holds_at: float = 0.0
    fails_at: float | None = None
    physics: bool = False

    @property
    def open_(self) -> bool:
        return self.fails_at is not None and self.fails_at > CLOSE * max(self.holds_at, SMALLEST / 4)


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
        self.tried: dict[float, frozenset[str]] = {}
        self.collapse_at: float | None = None

    def run(self) -> list[Room]:
        """Rooms, the tightest first. Criteria that the measured record misses already have none."""
        for key in self._holding(0.0):
            self.brackets[key] = _Bracket()
        if not self.brackets:
            return []
        self._scan()
        self._narrow()
        size = sum(load.rms_va for load in self.added.loads)
        rooms = [self._room(key, bracket, size) for key, bracket in self.brackets.items()]
        if self.collapse_at is not None:
            bracket = _Bracket(max((s for s in self.tried if s < self.collapse_at), default=0.0), self.collapse_at)
            rooms.append(
                Room(
                    SUPPLY, "What the supply can deliver", "-", bracket.holds_at, bracket.holds_at * size, physics=True
                )
            )
        return sorted(rooms, key=lambda one: (one.share, one.at_least, one.key))

    def _scan(self) -> None:
        """Doublings up and halvings down from the declared size until something fails and something holds."""
        size = 1.0
        while size <= LARGEST:
            self._try(size)
            if self.collapse_at is not None or all(one.fails_at is not None for one in self.brackets.values()):
                break
            size *= 2
        size = 0.5
        while size >= SMALLEST and any(
            one.fails_at is not None and one.holds_at == 0 for one in self.brackets.values()
        ):
            self._try(size)
            size /= 2

    def _narrow(self) -> None:
        while len(self.tried) < MOST_RUNS:
            ordered = sorted(self.brackets.values(), key=lambda one: one.fails_at or float("inf"))
            wide = next((one for one in ordered[:REFINED] if one.open_), None)
            if wide is None:
                return
            assert wide.fails_at is not None
            low = wide.holds_at
            self._try((low * wide.fails_at) ** 0.5 if low else wide.fails_at / 2)

    def _try(self, size: float) -> None:
        if size in self.tried:
            return
        try:
            holding = self._holding(size)
        except Collapse:
            self.collapse_at = size if self.collapse_at is None else min(self.collapse_at, size)
            self.tried[size] = frozenset()
            for bracket in self.brackets.values():
                if bracket.fails_at is None or bracket.fails_at > size:
                    bracket.fails_at, bracket.physics = size, True
            return
        self.tried[size] = holding
        for key, bracket in self.brackets.items():
            if key in holding:
                if bracket.fails_at is None or size < bracket.fails_at:
                    bracket.holds_at = max(bracket.holds_at, size)
            elif bracket.fails_at is None or size < bracket.fails_at:
                bracket.fails_at, bracket.physics = size, False
                bracket.holds_at = min(bracket.holds_at, size)

    def _holding(self, size: float) -> frozenset[str]:
        """Keys of the criteria that hold with the addition `size` times as large."""
        added = self.added.scaled(size)
        found = set()
        for one in verdicts(self.tables, self.recording, self.site, added, self.quantities):
            if one.kind != "limit" or one.margin is None or not holds(one):
                continue
            key = "/".join("-" if part is None else str(part) for part in place(one))
            self.criteria.setdefault(
                key, Criterion(key, f"{one.table} {one.rule}", one.channel, one.quantity or "", one.order)
            )
            found.add(key)
        for entry in self._ratings(added, size):
            key = f"ratings/{entry.rating}/{entry.phase or 'total'}"
            quantity = "current" if entry.unit == "A" else "apparent_power"
            channel = f"{quantity}.{entry.phase or 'total'}"
            self.criteria.setdefault(key, Criterion(key, TITLES[entry.rating], channel, "rating", None))
            value = entry.now if entry.then is None else entry.then
            if value <= entry.limit:
                found.add(key)
        return frozenset(found)

    def _ratings(self, added: Added, size: float) -> list[Capacity]:
        if not self.rated:
            return []
        then = None
        if size:
            with_new = with_addition(self.recording, self.site, added)
            then = demand_of(with_new, self.site, round(self.demand.interval_s * 1e6))
        return capacities(self.site, self.demand, then)

    def _room(self, key: str, bracket: _Bracket, size: float) -> Room:
        criterion = self.criteria[key]
        share = bracket.holds_at
        return Room(
            key,
            criterion.title,
            criterion.channel,
            share,
            share * size,
            at_least=bracket.fails_at is None,
            physics=bracket.physics,
            help=_help(criterion, share) if share < 1 else "",
        )


def holds(finding: Finding) -> bool:
    """Whether the valid readings alone meet the criterion, whatever is missing."""
    if finding.verdict in (Verdict.PASS, Verdict.FAIL):
        return finding.verdict is Verdict.PASS
    return finding.margin is not None and finding.margin.value >= 0


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
