"""The feeder and its solutions: magnitudes per phase and order at the secondary of a transformer.

Invented plant: 12.47 kV supply of 200 MVA, transformer 500 kVA 12.47 kV / 480Y/277 V, a linear three-phase load, a
drive, single-phase loads on two phases, and (in the second solution) a new six-pulse bridge and a new single-phase
load. Solved with the harmonic mode of opendssdirect.py, a general power-flow engine.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

ORDERS = (1, 3, 5, 7, 9, 11, 13, 17, 19, 23, 25)
PHASES = ("a", "b", "c")
MVA_SHORT, X_OVER_R_SUPPLY = 200.0, 8.0
KVA, PERCENT_R, PERCENT_X = 500.0, 1.1, 5.5
LINE_V = 480.0
BASE_HZ = 60.0

BRIDGE = {5: 20.0, 7: 14.285714, 11: 9.090909, 13: 7.692308, 17: 5.882353, 19: 5.263158, 23: 4.347826, 25: 4.0}
"""Ideal six-pulse bridge, 100/h: cos t - cos 5t / 5 + cos 7t / 7 - cos 11t / 11 + ..."""
BRIDGE_ANGLES = {5: 180.0, 7: 0.0, 11: 180.0, 13: 0.0, 17: 180.0, 19: 0.0, 23: 180.0, 25: 0.0}
DRIVE = {5: 28.0, 7: 12.0, 11: 6.0, 13: 4.0, 17: 3.0, 19: 2.5, 23: 1.5, 25: 1.2}
"""The drive that is there; its angles lie 25 to 120 degrees from those of the bridge."""
DRIVE_ANGLES = {5: 155.0, 7: 40.0, 11: 240.0, 13: 95.0, 17: 290.0, 19: 100.0, 23: 65.0, 25: 120.0}
SINGLE = {3: 18.0, 5: 9.0, 7: 4.0, 9: 2.0}
SINGLE_ANGLES = {3: 180.0, 5: 0.0, 7: 180.0, 9: 0.0}

NEW_BRIDGE_KW, NEW_SINGLE_KW = 90.0, 8.0


@dataclass(frozen=True)
class Solution:
    """Volts and amperes by (phase, order), and powers by phase, one value for each level of the load."""

    volts: dict[tuple[str, int], NDArray[np.float64]]
    amperes: dict[tuple[str, int], NDArray[np.float64]]
    active: dict[str, NDArray[np.float64]]
    reactive: dict[str, NDArray[np.float64]]
    lines: dict[str, NDArray[np.float64]]
    negative: NDArray[np.float64]


def source_impedance() -> complex:
    """Impedance of one phase at the secondary: supply referred to it, and transformer."""
    supply = LINE_V**2 / (MVA_SHORT * 1e6)
    resistance = supply / np.sqrt(1 + X_OVER_R_SUPPLY**2)
    base = LINE_V**2 / (KVA * 1e3)
    return complex(resistance + PERCENT_R / 100 * base, resistance * X_OVER_R_SUPPLY + PERCENT_X / 100 * base)


def levels(count: int) -> NDArray[np.float64]:
    """A day of load, as shares of the full one."""
    hour = np.arange(count) * 24 / count
    return np.asarray(0.6 + 0.3 * np.sin((hour - 7) * np.pi / 12) + 0.05 * np.sin(hour * np.pi / 3))


def solve(shares: Sequence[float] | NDArray[np.float64], *, new: bool, load_admittance: bool) -> Solution:
    """Solve every level, with the new loads or without, with the loads' own admittance at harmonics or without."""
    import opendssdirect as dss

    # The engine keeps the voltages of the power flow in a file; it must not lie about in the tree.
    with tempfile.TemporaryDirectory() as folder:
        dss.Basic.AllowChangeDir(False)
        dss.Basic.DataPath(folder)
        return _solved(dss, shares, new=new, load_admittance=load_admittance)


def _solved(dss: Any, shares: Sequence[float] | NDArray[np.float64], *, new: bool, load_admittance: bool) -> Solution:
    _circuit(dss, new=new)
    command = dss.Text.Command
    rows = []
    for share in shares:
        command("set mode=snapshot")
        command(f"set loadmult={share}")
        command("solve")
        if not dss.Solution.Converged():
            raise RuntimeError(f"no power flow at {share}")
        dss.Circuit.SetActiveElement("Line.meter")
        power = np.array(dss.CktElement.Powers()[:6]).reshape(3, 2) * 1e3
        command(f"set neglectloady={'no' if load_admittance else 'yes'}")
        command(f"set harmonics=({' '.join(map(str, ORDERS))})")
        command("set mode=harmonics")
        command("solve")
        dss.Monitors.Name("m")
        values = np.array([dss.Monitors.Channel(number) for number in range(1, dss.Monitors.NumChannels() + 1)])
        orders = np.round(np.array(dss.Monitors.dblFreq()) / BASE_HZ).astype(int)
        rows.append((orders, values, power))
    return _collected(rows)


def _circuit(dss: Any, *, new: bool) -> None:
    command = dss.Text.Command
    supply = MVA_SHORT * 1e6
    current = supply / (np.sqrt(3) * 12470)
    for line in (
        "clear",
        "set defaultbasefrequency=60",
        f"new circuit.plant basekv=12.47 pu=1.0 angle=30 isc3={current:.6f} isc1={current:.6f} "
        f"x1r1={X_OVER_R_SUPPLY} x0r0={X_OVER_R_SUPPLY} bus1=supply spectrum=linear",
        *(_spectrum(name, *parts) for name, parts in {
            "bridge": (BRIDGE, BRIDGE_ANGLES), "drive": (DRIVE, DRIVE_ANGLES), "single": (SINGLE, SINGLE_ANGLES),
        }.items()),
        "new transformer.main phases=3 windings=2 xhl=5.5 %noloadloss=0 %imag=0 ppm_antifloat=0 "
        f"wdg=1 bus=supply conn=delta kv=12.47 kva={KVA} %r={PERCENT_R / 2} "
        f"wdg=2 bus=secondary.1.2.3.0 conn=wye kv=0.48 kva={KVA} %r={PERCENT_R / 2}",
        "new line.meter bus1=secondary bus2=board phases=3 r1=1e-6 x1=1e-6 r0=1e-6 x0=1e-6 c1=0 c0=0 length=1",
        _load("linear", "board.1.2.3", 3, 0.48, 140, 0.92, "linear"),
        _load("drive", "board.1.2.3", 3, 0.48, 60, 0.95, "drive"),
        _load("singlea", "board.1", 1, 0.2771281, 18, 0.95, "single"),
        _load("singleb", "board.2", 1, 0.2771281, 10, 0.95, "single"),
        *((
            # The new loads run at full size all day: the multiplier of the levels is taken out for them.
            _load("newbridge", "board.1.2.3", 3, 0.48, NEW_BRIDGE_KW, 0.95, "bridge", fixed=True),
            _load("newsingle", "board.3", 1, 0.2771281, NEW_SINGLE_KW, 0.95, "single", fixed=True),
        ) if new else ()),
        "new monitor.m element=line.meter terminal=1 mode=0",
        "set tolerance=1e-9",
        "set maxiterations=100",
        "set voltagebases=(12.47 0.48)",
        "calcvoltagebases",
    ):  # fmt: skip
        command(line)


def _spectrum(name: str, percent: dict[int, float], angles: dict[int, float]) -> str:
    orders = [1, *percent]
    return (
        f"new spectrum.{name} numharm={len(orders)} harmonic=({' '.join(map(str, orders))}) "
        f"%mag=(100 {' '.join(str(percent[one]) for one in percent)}) "
        f"angle=(0 {' '.join(str(angles[one]) for one in percent)})"
    )


def _load(
    name: str, bus: str, phases: int, kv: float, kw: float, factor: float, spectrum: str, *, fixed: bool = False
) -> str:
    status = " status=fixed" if fixed else ""
    return (
        f"new load.{name} bus1={bus} phases={phases} conn=wye kv={kv} kw={kw} pf={factor} model=1 vminpu=0.6 "
        f"spectrum={spectrum}{status}"
    )


def _collected(rows: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]]) -> Solution:
    """Levels stacked: phasors of every order at every level, then magnitudes."""
    orders = [int(one) for one in rows[0][0]]
    values = np.array([each for _, each, _ in rows])
    powers = np.array([power for _, _, power in rows])

    def phasors(first: int) -> NDArray[np.complex128]:
        return np.array([
            values[:, first + 2 * n] * np.exp(1j * np.deg2rad(values[:, first + 2 * n + 1])) for n in range(3)
        ])  # fmt: skip

    volts, amperes = phasors(0), phasors(_CURRENT)
    lines = {
        pair: np.sqrt(np.square(np.abs(volts[one] - volts[other])).sum(axis=1))
        for pair, (one, other) in {"ab": (0, 1), "bc": (1, 2), "ca": (2, 0)}.items()
    }
    a, b, c = volts[:, :, orders.index(1)]
    turn = np.exp(2j * np.pi / 3)
    positive, negative = (a + turn * b + turn**2 * c) / 3, (a + turn**2 * b + turn * c) / 3
    return Solution(
        {(phase, order): np.abs(volts[n, :, k]) for n, phase in enumerate(PHASES) for k, order in enumerate(orders)},
        {(phase, order): np.abs(amperes[n, :, k]) for n, phase in enumerate(PHASES) for k, order in enumerate(orders)},
        {phase: powers[:, n, 0] for n, phase in enumerate(PHASES)},
        {phase: powers[:, n, 1] for n, phase in enumerate(PHASES)},
        lines,
        100 * np.abs(negative) / np.abs(positive),
    )


_CURRENT = 6
"""Channel of the first current: three voltages with their angles come before it."""
