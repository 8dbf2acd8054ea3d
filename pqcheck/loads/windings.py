"""What line currents say about the windings of a delta: of one transformer, or of a bank of units that may be unequal.

Vectors of the line currents and the split of a closed delta are not recorded, so that most of it are bounds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pqcheck.loads.channels import PAIRS
from pqcheck.loads.study_values import Demand
from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.site.site_values import Site


def winding_load(demand: Demand, phase: str, most: float) -> float:
    """The largest load of the windings that meet in a line, were they a delta, as the line current with that load.

    Three wires carry no sum, so the magnitudes are sides of a triangle: a winding carries |Ia - Ib| / 3, and
    |Ia - Ib|^2 = 2 Ia^2 + 2 Ib^2 - Ic^2, of root mean squares as well. `most` is the largest line current.
    """
    names = {each: f"current.{each}" for each in "abc"}
    if len({len(demand.blocks.get(name, ())) for name in names.values()}) > 1 or names[phase] not in demand.blocks:
        return most
    squares = {each: np.square(demand.blocks[name]) for each, name in names.items() if name in demand.blocks}
    whole = np.sum(list(squares.values()), axis=0)
    pairs = [2 * whole - 3 * squares[other] for other in "abc" if other != phase]
    largest = float(np.sqrt(np.nanmax(pairs, initial=0.0) / 3))
    # Blocks on the clock stand for the windows of the largest demand.
    own = float(np.sqrt(np.nanmax(squares[phase], initial=0.0)))
    return most * max(largest / own, 1.0) if own else most


def winding_share(site: Site) -> float:
    """What a line may carry of the rated line current so that no winding of three alike is overloaded.

    In a high-leg delta a load on the neutral loads half a winding with all of its current; a winding has 1/sqrt(3) of
    the line current.
    """
    return 1 / math.sqrt(3) if site.supply.connection == "high-leg-delta" else 1.0


def rated_units(site: Site) -> dict[str, float]:
    """Rated amperes of each declared unit of a bank, by the lines it lies between; two are an open delta.

    Raises `SiteError` for units where there is no delta, and for a bank without the unit that has the neutral.
    """
    declared: Mapping[str, object] = site.ratings.get("transformer_units", {})
    if not declared:
        return {}
    if site.supply.connection not in ("delta", "high-leg-delta"):
        raise SiteError(
            f"[ratings] transformer_units are those of a bank in delta, and connection is {site.supply.connection!r}; "
            "correct the connection, or leave the key away"
        )
    tapped = _tapped(site)
    if len(declared) < 2 or (tapped and tapped not in declared):
        lacking = f"{tapped!r}, which has the neutral" if tapped and tapped not in declared else "a second unit"
        raise SiteError(f"[ratings] transformer_units lacks {lacking}; a bank in delta has two units or three")
    return {pair: float(str(rated)) / float(site.supply.line_to_line or 1) for pair, rated in declared.items()}


def _tapped(site: Site) -> str:
    """The unit with the neutral in its middle: the one that does not end on the high leg."""
    if site.supply.connection != "high-leg-delta":
        return ""
    return next((pair for pair, ends in PAIRS.items() if site.supply.high_leg not in ends), "")


def units_at(site: Site, phase: str) -> dict[str, float]:
    """Rated amperes of the declared units that end on a line."""
    return {pair: rated for pair, rated in rated_units(site).items() if phase in PAIRS[pair]}


def load_of_units(site: Site, phase: str, lines: Mapping[str, float], limit: float) -> float:
    """The most that the units that end on a line carry, as amperes against `limit`.

    `lines` are the largest currents of the lines, and of the neutral where it was recorded.
    """
    return max(limit * most_in_unit(pair, lines, site) / rated for pair, rated in units_at(site, phase).items())


def most_in_unit(pair: str, lines: Mapping[str, float], site: Site) -> float:
    """The most that a unit, of the one with the neutral either half, carries with these line currents, A.

    Node equations (Jab - Jca = Ia and so on) and the mesh closed over the impedances of the units, X/R alike, give each
    winding current as a mean over units of what it is with the whole impedance of the mesh in that unit, weighted by
    impedances. A unit that is not there has all of it; three of one rating a third each; of other ratings the largest
    of the three counts, whatever the impedances are.
    """
    units = rated_units(site)
    missing = [each for each in PAIRS if each not in units]
    if missing or len(set(units.values())) > 1:
        weights = [{each: float(each == where) for each in PAIRS} for where in missing or PAIRS]
    else:
        weights = [dict.fromkeys(PAIRS, 1 / 3)]
    return max(_most_of(sum_, lines) for shares in weights for sum_ in _currents_in(pair, shares, _tapped(site)))


def _currents_in(pair: str, shares: Mapping[str, float], tapped: str) -> list[dict[str, float]]:
    """The currents of a winding (of both halves of the tapped one) as sums over line currents: their coefficients."""
    if not tapped:
        first, other = PAIRS[pair]
        after, before = (next(each for each in PAIRS if each != pair and end in each) for end in (other, first))
        return [{first: shares[before], other: -shares[after]}]
    end, start = PAIRS[tapped]
    (high,) = set("abc") - {start, end}
    up, down = (next(each for each in PAIRS if {high, leg} == set(each)) for leg in (start, end))
    half = shares[tapped] / 2
    into = {start: half, high: -half - shares[down], end: -half}
    out = {**into, high: 1 + into[high]}
    if pair != tapped:
        return [into if pair == up else out]
    return [{**into, start: into[start] - 1}, {**out, end: out[end] + 1}]


def _most_of(coefficients: Mapping[str, float], lines: Mapping[str, float]) -> float:
    """The most that a sum over line currents of unknown angles is.

    All lines and the neutral add up to none, so that one number may be taken off all coefficients; the best is one of
    them. Without a recorded neutral that of the neutral has to stay none.
    """
    full = {**dict.fromkeys(lines, 0.0), **coefficients}
    offsets = set(full.values()) if "n" in lines else {0.0}
    return min(sum(abs(full[line] - offset) * lines[line] for line in lines) for offset in offsets)


def undeclared_units(site: Site) -> Reason | None:
    """Why no winding of a high-leg delta is compared: it may be open or unequal; None where its units are declared."""
    if site.supply.connection != "high-leg-delta" or rated_units(site):
        return None
    return Reason("bank-not-declared", *sentence("bank-not-declared"))
