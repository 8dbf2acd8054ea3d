"""Nominal voltage and connection against the data. Nothing is ever switched: the proposal is spelled out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.site.model import Site
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median, nan_median, percentile
from pqcheck.vetting.outcome import Outcome, Subject
from pqcheck.vetting.thresholds import table, threshold

Array = NDArray[Any]

ROOT3 = 3**0.5


def standard_nominals() -> tuple[tuple[float, str, str], ...]:
    """Voltages of the standard series: volts, "line to line" or "line to neutral", and the designation to write."""
    rows = table()["nominal"]["series"]["value"]
    return tuple((float(row[0]), str(row[1]), str(row[2])) for row in rows)


def matches(middle: float, declared: float, kind: str) -> list[str]:
    """Other nominals or factors that explain a middle voltage [V], nearest first, as proposals in words.

    `declared` is the nominal of the channel [V], `kind` "line to line" or "line to neutral".
    """
    within = threshold("nominal", "match_percent") / 100
    found: list[tuple[float, int, str]] = []
    for volts, what, designation in standard_nominals():
        if abs(volts - declared) > 0.001 * declared and abs(middle / volts - 1) <= within:
            same = what == kind
            if same:
                words = f"the data match {volts:g} V {kind} (nominal {designation})"
            else:
                words = f"the columns may hold {what} voltages of {volts:g} V (nominal {designation}), not {kind}"
            found.append((abs(middle / volts - 1), 0 if same else 1, words))
    for factor, name in ((ROOT3, "the square root of "
                                 "3"), (1 / ROOT3, "1/square root of 3"), (2.0, "2"), (0.5, "one half")):
        gap = abs(middle / (factor * declared) - 1)
        if gap <= within:
            if name == "the square root of 3" and kind == "line to neutral":
                words = "the columns hold line-to-line voltages under line-to-neutral names (map them to ab, bc, ca)"
            elif name == "1/square root of 3" and kind == "line to line":
                words = "the columns hold line-to-neutral voltages under line-to-line names (map them to an, bn, cn)"
            else:
                words = f"the data are {name} times the declared nominal (ratio of a voltage transformer, or other " \
                        "leads)"
            found.append((gap, 2, words))
    return [words for _, _, words in sorted(found, key=lambda entry: (round(entry[0], 3), entry[1], entry[2]))]


def nominal_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """One outcome per voltage with a nominal: the middle value against it."""
    for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE):
        series = grid.get("voltage", phase)
        if series is None:
            continue
        name = f"voltage.{phase}.mean"
        if site.supply.connection == "high-leg-delta" and phase == f"{site.supply.high_leg or 'b'}n":
            yield Outcome("nominal", Verdict.NOT_APPLICABLE, name, "voltage", phase, code="high-leg",
                          text=f"{phase} is the high leg to neutral, about 1.73 times the other legs; it has no "
                               "nominal.",
                          advice="Nothing to do: line-to-line voltages and the two lighting legs are judged.")
            continue
        declared = site.supply.nominal(phase)
        if declared is None:
            yield Outcome("nominal", Verdict.NOT_APPLICABLE, name, "voltage", phase, code="no-input",
                          text=f"No nominal is declared for {phase}.", advice="Declare the line-to-line nominal.")
            continue
        yield _one(name, phase, series, float(declared), site)


def _one(name: str, phase: str, series: Array, nominal: float, site: Site) -> Outcome:
    alive = series[np.isfinite(series) & (series > 0.1 * nominal)]
    if not alive.size:
        return Outcome("nominal", Verdict.REFUSED, name, "voltage", phase, code="no-voltage", likelihood="shown",
                       text=f"{phase} never rises above 10 % of its nominal {nominal:g} V.",
                       advice="Check the voltage lead.", subjects=(Subject("voltage", (phase,)),))
    low, middle, high = (percentile(alive, percent) for percent in (5, 50, 95))
    ratio, spread = middle / nominal, (high - low) / middle
    said = f"{phase}: middle value {middle:.4g} V is {ratio:.3f} of the declared nominal {nominal:g} V"
    far = ratio < threshold("nominal", "low") or ratio > threshold("nominal", "high")
    kind = "line to neutral" if phase in LINE_TO_NEUTRAL else "line to line"
    found = matches(middle, nominal, kind) if far else []
    if not far:
        return Outcome("nominal", Verdict.PASS, name, "voltage", phase, value=middle, unit="V")
    if found and spread < threshold("nominal", "spread_percent") / 100 and not site.supply.nominal_basis:
        return Outcome(
            "nominal", Verdict.REFUSED, name, "voltage", phase, code="nominal-doubtful", likelihood="likely",
            text=f"{said}, with 90 % of the values within {100 * spread:.2g} %; " + "; or ".join(found[:2]) + ".",
            advice="Confirm the nominal voltage and the leads, correct nominal_voltage, connection or the column "
                   "mapping, and run again; or give nominal_basis if the declared value is certain.",
            subjects=(Subject("voltage", (phase,)),), value=middle, unit="V",
        )
    basis = f" The nominal is certain ({site.supply.nominal_basis})." if site.supply.nominal_basis else ""
    hint = f" Note that {found[0]}." if found else ""
    return Outcome(
        "nominal", Verdict.PASS, name, "voltage", phase, code="nominal-far", value=middle, unit="V",
        text=f"{said}; it is judged as it stands.{basis}{hint}",
        advice="If the declared nominal is wrong, correct it and run again.",
    )


def connection_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """The pattern of the voltages against the declared connection."""
    to_neutral = {phase: series for phase in LINE_TO_NEUTRAL if (series := grid.get("voltage", phase)) is not None}
    between = {phase: series for phase in LINE_TO_LINE if (series := grid.get("voltage", phase)) is not None}
    declared = site.supply.connection
    to_neutral, between = _living(to_neutral, between)
    if len(to_neutral) < 2 or (not between and len(to_neutral) < 3):
        yield Outcome("connection", Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                      text="Too few voltages to recognise the connection.",
                      advice="Record line-to-neutral and line-to-line voltages.")
        return
    found = recognised(to_neutral, between)
    if found is None and not between:
        # Three legs without a line between them: nothing contradicts the declaration.
        yield Outcome("connection", Verdict.PASS, "voltage", "voltage")
        return
    middle = {phase: nan_median(series) for phase, series in {**to_neutral, **between}.items()}
    listed = ", ".join(f"{phase} {value:.4g} V" for phase, value in middle.items())
    if found is None:
        yield Outcome("connection", Verdict.PASS, "voltage", "voltage", code="pattern-unknown",
                      text=f"The voltages ({listed}) fit no usual connection exactly.",
                      advice="Compare with a handheld reading between all conductors.")
        return
    words, accepts, high_leg = found
    line, neutral = site.supply.line_to_line, site.supply.line_to_neutral
    if declared == "split-phase" and accepts == ("wye",) and line and neutral and \
            abs(float(line / neutral) / ROOT3 - 1) < threshold("connection", "pattern_percent") / 100:
        # Two legs of a network service, declared with its own pair of nominals.
        accepts = ("wye", "split-phase")
    if declared in accepts and (not high_leg or (site.supply.high_leg or high_leg) == high_leg):
        yield Outcome("connection", Verdict.PASS, "voltage", "voltage")
        return
    proposal = f'connection = "{accepts[0]}"' if accepts else "no connection of pqcheck; check the leads"
    if high_leg:
        proposal += f', high_leg = "{high_leg}"'
    known = tuple(to_neutral) if accepts else tuple(middle)
    yield Outcome(
        "connection", Verdict.REFUSED, "voltage", "voltage", code="connection-doubtful", likelihood="likely",
        text=f"The site declares {declared}, but the voltages ({listed}) show {words}.",
        advice=f"Confirm the connection; the data would fit {proposal}.",
        subjects=(Subject("voltage", known),),
    )


def _living(to_neutral: dict[str, Array], between: dict[str, Array]) -> tuple[dict[str, Array], dict[str, Array]]:
    """Without legs that are dead most of the time, and without the lines that end on them."""
    middle = {phase: nan_median(series) for phase, series in to_neutral.items()}
    top = max(middle.values(), default=0.0)
    dead = {phase[0] for phase, value in middle.items() if value <= 0.2 * top}
    return (
        {phase: series for phase, series in to_neutral.items() if phase[0] not in dead},
        {phase: series for phase, series in between.items() if not dead & set(phase)},
    )


def recognised(to_neutral: dict[str, Array], between: dict[str, Array]) -> tuple[str, tuple[str, ...], str] | None:
    """Words, declared connections that fit (first = proposal) and the high leg; None when no pattern fits."""
    near = threshold("connection", "pattern_percent") / 100
    legs = {phase: nan_median(series) for phase, series in to_neutral.items()}
    if len(legs) == 3:
        ordered = sorted(legs, key=lambda phase: legs[phase])
        small = (legs[ordered[0]] + legs[ordered[1]]) / 2
        if abs(legs[ordered[1]] / max(legs[ordered[0]], 1e-9) - 1) < near and \
                abs(legs[ordered[2]] / max(small, 1e-9) / ROOT3 - 1) < near:
            leg = ordered[2][0]
            return f"a high-leg delta with the high leg on {leg}", ("high-leg-delta",), leg
    if not between:
        return None
    line = median([nan_median(series) for series in between.values()])
    ratio = line / float(np.mean(list(legs.values())))
    low, high = threshold("connection", "wye_low"), threshold("connection", "wye_high")
    if low <= ratio <= high:
        if len(legs) == 2:
            return (f"two legs of a wye service (line-to-line is {ratio:.3f} times line-to-neutral)", ("wye",), "")
        return f"a wye service (line-to-line is {ratio:.3f} times line-to-neutral)", ("wye",), ""
    if abs(ratio / 2 - 1) < near:
        return "a split-phase service (line-to-line is twice line-to-neutral)", ("split-phase",), ""
    if len(legs) == 3 or ratio < 1:
        return (f"line-to-line voltages {ratio:.3f} times the line-to-neutral ones, which no service has: a voltage "
                "lead or ratio is wrong", (), "")
    return None
