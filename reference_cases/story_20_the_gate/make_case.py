"""A simulated spectrum of a changed filter: percentages to order 25, and a column of amperes that are peak values."""

from __future__ import annotations

SHARES = {1: 100.0, 5: 4.2, 7: 10.4, 11: 3.1, 13: 2.2, 17: 1.1, 19: 0.9, 23: 0.6, 25: 0.5}
PEAK = 600 * 2**0.5 / 100


def rows(header: str, *columns: dict[int, float]) -> str:
    """One row per order."""
    lines = [",".join([str(order), *(f"{column[order]:.7g}" for column in columns)]) for order in range(1, 26)]
    return "\n".join([f"order,{header}", *lines]) + "\n"


percent = {order: SHARES.get(order, 0.1) for order in range(1, 26)}
amperes = {order: round(value * PEAK, 3) for order, value in percent.items()}
FILES = {
    "spectrum.csv": rows("current_harmonic [% of fundamental],current_harmonic [A]", percent, amperes),
    "amperes_only.csv": rows("current_harmonic [A]", amperes),
    "kiloamperes.csv": rows("current_harmonic [A rms]", {order: value * 6 / 1000 for order, value in percent.items()}),
}
