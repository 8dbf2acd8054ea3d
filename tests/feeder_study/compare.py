"""The feeder without the new loads as a recording, what `pqcheck.loads` predicts from it, and the solution with them.

``python -m tests.feeder_study.compare`` writes the tables of docs/loads-study.md anew.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.declared import new_loads
from pqcheck.loads.harmonics import Law
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_impedance import source_of
from pqcheck.model.recording import Recording
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site
from tests.feeder_study import feeder
from tests.recordings import recording

COUNT = 144
PAGE = Path(__file__).resolve().parents[2] / "docs" / "loads-study.md"
LAWS: tuple[Law, ...] = ("summation", "arithmetic")


def study_site() -> Site:
    """What a consultant declares: supply impedance, and the two new loads."""
    z = feeder.source_impedance()
    return site_from(
        {
            "name": "study feeder",
            "supply": {"nominal_voltage": "480Y/277 V", "connection": "wye", "frequency": "60 Hz"},
            # Star point and board lie in one place: the neutral has no length.
            "source_impedance": {
                "resistance": f"{z.real:.9f} ohm", "reactance": f"{z.imag:.9f} ohm",
                "neutral_resistance": "0 ohm", "neutral_reactance": "0 ohm",
            },
            "new_load": [
                {
                    "name": "bridge", "active_power": f"{feeder.NEW_BRIDGE_KW} kW", "power_factor": 0.95,
                    "harmonics": {str(order): value for order, value in feeder.BRIDGE.items()},
                },
                {
                    "name": "single", "active_power": f"{feeder.NEW_SINGLE_KW} kW", "power_factor": 0.95,
                    "phases": ["c"],
                    "harmonics": {str(order): value for order, value in feeder.SINGLE.items()},
                },
            ],
        }
    )  # fmt: skip


def as_recording(solved: feeder.Solution) -> Recording:
    """The solution as an instrument would have recorded it: magnitudes, no angles."""
    columns: dict[str, NDArray[np.float64]] = {}
    for phase in feeder.PHASES:
        volts = [solved.volts[phase, order] for order in feeder.ORDERS]
        amperes = [solved.amperes[phase, order] for order in feeder.ORDERS]
        columns[f"voltage.{phase}n [V]"] = np.sqrt(np.square(volts).sum(axis=0))
        columns[f"current.{phase} [A]"] = np.sqrt(np.square(amperes).sum(axis=0))
        columns[f"active_power.{phase} [W]"] = solved.active[phase]
        columns[f"reactive_power.{phase} [var]"] = solved.reactive[phase]
        for order in feeder.ORDERS:
            columns[f"current_harmonic.{phase}.h{order} [A]"] = solved.amperes[phase, order]
            if order == 1:
                columns[f"voltage_harmonic.{phase}n.h1 [V]"] = solved.volts[phase, 1]
            else:
                share = 100 * solved.volts[phase, order] / solved.volts[phase, 1]
                columns[f"voltage_harmonic.{phase}n.h{order} [%]"] = share
    for pair, values in solved.lines.items():
        columns[f"voltage.{pair} [V]"] = values
    columns["negative_sequence_unbalance [%]"] = solved.negative
    return recording(columns)


def values_of(recorded: Recording) -> dict[str, NDArray[np.float64]]:
    """Every channel by name, the blocks joined."""
    parts: dict[str, list[NDArray[Any]]] = {}
    for block in recorded.streams[0].blocks(None):
        for channel, values in block.values.items():
            parts.setdefault(channel.base_name, []).append(values.copy())
    return {name: np.concatenate(arrays) for name, arrays in parts.items()}


@dataclass(frozen=True)
class Case:
    """One way to solve the feeder: the solution with the new loads, and the predictions by law."""

    load_admittance: bool
    before: dict[str, NDArray[np.float64]]
    solved: dict[str, NDArray[np.float64]]
    predicted: dict[Law, dict[str, NDArray[np.float64]]]


def case(*, load_admittance: bool, count: int = COUNT) -> Case:
    """Solve without and with, predict the second from the first."""
    shares = feeder.levels(count)
    before = as_recording(feeder.solve(shares, new=False, load_admittance=load_admittance))
    after = as_recording(feeder.solve(shares, new=True, load_admittance=load_admittance))
    site = study_site()
    source, loads = source_of(site, before), new_loads(site)
    predicted = {law: values_of(with_addition(before, site, Added(loads, source, law))) for law in LAWS}
    return Case(load_admittance, values_of(before), values_of(after), predicted)


def mean_square(values: NDArray[np.float64]) -> float:
    """Root mean square over the day."""
    return float(np.sqrt(np.square(values).mean()))


def table(one: Case) -> Iterator[str]:
    """Rows of the page: before, solved with, predicted by the summation law and arithmetically, and the differences."""
    yield "| quantity | without | solved with | predicted | difference | arithmetic | difference |"
    yield "|---|---|---|---|---|---|---|"
    for name, unit in shown():
        before, solved = mean_square(one.before[name]), mean_square(one.solved[name])
        summed, most = (mean_square(one.predicted[law][name]) for law in LAWS)
        yield (
            f"| `{name}` {unit} | {before:.4g} | {solved:.4g} | {summed:.4g} | {_difference(summed, solved, unit)} | "
            f"{most:.4g} | {_difference(most, solved, unit)} |"
        )


def _difference(value: float, solved: float, unit: str) -> str:
    if unit == "V" or (unit == "A" and solved > 50):
        return f"{100 * (value - solved) / solved:+.3f} %"
    return f"{value - solved:+.3f} {unit}"


def shown() -> Iterator[tuple[str, str]]:
    """Names and units of the rows: voltages, currents, unbalance, then each order of phases a and c."""
    for phase in feeder.PHASES:
        yield f"voltage.{phase}n", "V"
    for pair in ("ab", "bc", "ca"):
        yield f"voltage.{pair}", "V"
    for phase in feeder.PHASES:
        yield f"current.{phase}", "A"
    yield "negative_sequence_unbalance", "%"
    for phase in ("a", "c"):
        for order in feeder.ORDERS[1:]:
            yield f"voltage_harmonic.{phase}n.h{order}", "%"
        for order in feeder.ORDERS[1:]:
            yield f"current_harmonic.{phase}.h{order}", "A"


def written(text: str, cases: dict[str, Case]) -> str:
    """The page with its tables replaced."""
    for name, one in cases.items():
        lines = "\n".join(table(one))
        pattern = rf"(<!-- table {name} -->\n).*?(<!-- end {name} -->)"
        found = re.search(pattern, text, flags=re.DOTALL)
        if found is None:
            raise ValueError(f"the page has no place for the table {name}")
        text = f"{text[: found.start()]}{found[1]}{lines}\n{found[2]}{text[found.end() :]}"
    return text


def cases(count: int = COUNT) -> dict[str, Case]:
    """Both ways to solve the feeder."""
    return {
        "currents": case(load_admittance=False, count=count),
        "admittances": case(load_admittance=True, count=count),
    }


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), cases()), encoding="utf-8")
