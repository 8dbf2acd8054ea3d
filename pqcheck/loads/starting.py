"""Starts of new loads: the voltage at the switchboard and at the load for a moment, and the flicker of their number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from pqcheck.loads.channels import mean_channel, phases_of, values_in
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.study_values import Start
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.model.recording import Recording
from pqcheck.physics.flicker import pst_of_steps
from pqcheck.site.site_values import Site

TEN_MINUTES_AN_HOUR = 6
LOW_VOLTAGE_LAMP = 150.0
"""Up to this nominal voltage to neutral the curve of the 120 V lamp holds, above it that of the 230 V lamp."""


def starts(
    loads: Sequence[NewLoad], site: Site, source: SupplyImpedance | None, lowest: Mapping[str, float]
) -> list[Start]:
    """Voltage at the start of each load that declares a start-up multiple, from the lowest recorded voltage, on the
    phase that falls most, through the largest impedance that the supply may have.

    `lowest` is the smallest line-to-neutral voltage by phase. The starting current counts as constant current; without
    a starting power factor it is taken in line with the drop, the most it can be.
    """
    if source is None:
        return []
    results = []
    for load in loads:
        if load.start_multiple is None:
            continue
        started = [_start(load, phase, site, source.strictest, lowest) for phase in load.phases]
        results.append(max(started, key=lambda start: (start.drop_percent, -start.lowest)))
    return results


def _start(load: NewLoad, phase: str, site: Site, source: SupplyImpedance, lowest: Mapping[str, float]) -> Start:
    """The start as one phase of the load sees it; pieces that do not start at once run already."""
    line = load.line_current(site.supply)
    together = line if load.at_once is None else line * min(load.at_once / load.pieces, 1.0)
    current, factor = together * (load.start_multiple or 1.0), load.start_power_factor
    nominal = float(site.supply.line_to_neutral or 0)
    before = lowest.get(phase, nominal)
    # A load between two phases has twice the impedance and the voltage between them.
    loops = 2.0 if len(load.phases) == 2 else 1.0
    between = loops if len(phases_of(site.supply)) == 2 else 1.0 if loops == 1 else math.sqrt(3)
    voltage = before * between
    path = loops * complex(source.resistance, source.reactance)
    if len(load.phases) == 1:
        path += source.neutral_impedance(1)
    conductor = loops * load.conductor
    if len(load.phases) == 1:
        # Out and back.
        conductor *= 2
    known = source.angle_known

    def after(ohms: complex, amperes: float, power_factor: float | None) -> float:
        if power_factor is None or not known:
            return max(voltage - abs(ohms) * amperes, 0.0)
        return abs(voltage - ohms * amperes * complex(power_factor, -math.sin(math.acos(power_factor))))

    lowest_then = after(path, current, factor)
    change = 100 * (voltage - lowest_then) / (nominal * between)
    pst = None
    if load.starts_per_hour is not None:
        # Down at the start and up again, in the ten minutes with most of them.
        changes = 2 * max(1, math.ceil(load.starts_per_hour / TEN_MINUTES_AN_HOUR))
        lamp = 120 if nominal <= LOW_VOLTAGE_LAMP else 230
        pst = float(pst_of_steps(change * load.start_shape, changes / 10, lamp))
    running = None if not load.conductor else 100 * (1 - after(conductor, line, load.power_factor) / voltage)
    return Start(
        load.name, current, factor, 100 * (voltage - lowest_then) / voltage, lowest_then, phase, change,
        None if pst is None or math.isnan(pst) else pst,
        None if not load.conductor else after(path + conductor, current, factor), running,
    )  # fmt: skip


def lowest_voltages(recording: Recording, site: Site) -> dict[str, float]:
    """The smallest recorded voltage to neutral that is no interruption, by phase."""
    lowest: dict[str, float] = {}
    floor = 0.5 * float(site.supply.line_to_neutral or 0)
    for stream in recording.streams:
        for phase in phases_of(site.supply):
            channel = mean_channel(stream, "voltage", f"{phase}n")
            if channel is None or phase in lowest:
                continue
            volts = (values_in(block.values, channel, "V") for block in stream.blocks((channel,)))
            low = min((float(np.min(values, where=values > floor, initial=np.inf)) for values in volts), default=np.inf)
            if np.isfinite(low):
                lowest[phase] = low
    return lowest
