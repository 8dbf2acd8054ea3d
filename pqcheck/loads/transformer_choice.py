"""The smallest standard transformer, and K rating, that holds at worst, and why a smaller one does not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from pqcheck.loads.channels import phases_of, voltage_sum
from pqcheck.loads.equipment import HighLoad
from pqcheck.loads.study_values import Capacity
from pqcheck.loads.windings import rated_units, winding_share
from pqcheck.physics.transformer import k_factor
from pqcheck.site.site_values import Site

K_RATINGS = (1, 4, 9, 13, 20, 30, 40, 50)
"""Standard K ratings; 4, 13, 20 and 30 by two public sources, the series by one."""
_SIZES_60 = (15, 30, 45, 75, 112.5, 150, 225, 300, 500, 750, 1000, 1500, 2000, 2500)
_SIZES_50 = (50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500)
_SIZES_SINGLE = (10, 15, 25, 37.5, 50, 75, 100, 167, 250)
"""Rated powers in kVA as commonly sold: three-phase at 60 Hz and 50 Hz, single-phase (common practice, memory)."""


class TransformerChoice(Struct, frozen=True):
    """The smallest size that holds, in VA (None: none of the standard ones), its K rating, and the reasons."""

    size_va: float | None
    k_factor: float | None
    """Of the worst winding at worst, on the rated current of that size; None without recorded orders."""
    k_rating: int | None
    too_small: tuple[str, ...]
    """The next smaller size and why it does not hold."""
    proven: bool
    """The record shows the largest demand; else a larger one may be needed."""


def choose_transformer(
    site: Site, capacity: Sequence[Capacity], spectra: Mapping[str, HighLoad]
) -> TransformerChoice | None:
    """The choice from the capacities of the declared transformer; None where none is declared, for a bank of
    declared units, and where nothing was recorded.

    `spectra` are those of the high-load intervals by phase with the new loads at worst.
    """
    entries = [entry for entry in capacity if entry.rating == "transformer"]
    if not entries or rated_units(site):
        # The units of a bank are chosen each for itself.
        return None
    phases = phases_of(site.supply)
    sizes = _SIZES_SINGLE if len(phases) < 3 else _SIZES_60 if float(site.supply.frequency or 0) > 55 else _SIZES_50
    volts = voltage_sum(phases, site.supply)
    why: tuple[str, ...] = ()
    proven = all(entry.doubt is None for entry in entries)
    for kva in sizes:
        size = kva * 1000.0
        line = size / volts
        amperes = line * winding_share(site)
        over = [
            (entry.limit - entry.spare, size if entry.phase is None else amperes, entry)
            for entry in entries
            if entry.limit - entry.spare > (size if entry.phase is None else amperes)
        ]
        if over:
            most, limit, entry = max(over, key=lambda each: each[0] / each[1])
            what = (
                f"all windings together {most / 1000:.4g} kVA" if entry.phase is None
                else f"winding {entry.phase} {most:.4g} A against {limit:.4g} A"
            )  # fmt: skip
            why = (f"{kva:g} kVA does not hold: at worst {what}",)
            continue
        factors = [
            float(k_factor(list(spectrum.currents.values()), list(spectrum.currents), line))
            for spectrum in spectra.values()
        ]
        worst = max(factors, default=None)
        rating = None if worst is None else next((k for k in K_RATINGS if k >= worst), None)
        return TransformerChoice(size, worst, rating, why, proven)
    return TransformerChoice(None, None, None, why, proven)
