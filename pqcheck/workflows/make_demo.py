"""An invented recording with real trouble in it, its site file, and the findings.

Heron Wharf cold store does not exist. The numbers come from a small circuit: loads draw current by the hour, current
through the source impedance lowers and distorts the voltage, one capacitor step resonates near the 11th order. The
same bytes are made on every machine.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.io.write_files import write_text
from pqcheck.model.errors import OutputError
from pqcheck.model.findings import Findings

Array = NDArray[np.float64]

START = np.datetime64("2031-03-24T00:00", "m")
DAYS = 8.2
INTERVAL_MIN = 10
ORDERS = (*range(2, 26),)
PHASES = ("a", "b", "c")
_RESISTANCE = 0.085
_REACTANCE = 0.024
_RESONANT_GAIN = 3.4

SITE = """\
# Invented. Everything a person declares about the place; the rest is in the recording.
name = "Heron Wharf cold store, main switchboard"
time_zone = "Europe/Lisbon"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"

[recording]
stamp = "start"
interval = "10 min"

[instrument]
class = "A"

[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage", "negative_sequence_unbalance", "voltage_thd", "voltage_harmonic", "flicker_plt"]

[[reported]]
from = 2031-03-26T18:30:00
to = 2031-03-26T20:00:00
text = "Evaporator fans trip while the cold rooms defrost"
"""


class DemoFiles(Struct, frozen=True):
    """Where the demo was written."""

    recording: Path
    flicker: Path
    site: Path
    findings: Path


def write_demo(folder: str | Path) -> tuple[DemoFiles, Findings]:
    """Write the recording, the site file and the findings into `folder`, and return both.

    Files of these names that hold something else are not overwritten (`OutputError`).
    """
    from pqcheck.workflows.check_recording import check

    target = Path(folder)
    files = DemoFiles(target / "recording.csv", target / "flicker.csv", target / "site.toml", target / "findings.json")
    recording, flicker = recording_texts()
    made = {files.recording: recording, files.flicker: flicker, files.site: SITE}
    for path, text in made.items():
        if path.exists() and path.read_bytes() != text.encode():
            raise OutputError(f"{path} exists and holds something else; choose an empty folder for the demo")
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {target}: {error.strerror}; choose another place") from error
    for path, text in made.items():
        write_text(path, text)
    findings = check([files.recording, files.flicker], files.site)
    write_text(files.findings, findings.to_json())
    return files, findings


def recording_texts() -> tuple[str, str]:
    """The two files: 10-minute trends with a hole, and 2-hour flicker; stamps in UTC."""
    columns = _trend()
    count = len(columns["frequency [Hz]"])
    stamps = START + np.arange(count) * np.timedelta64(INTERVAL_MIN, "m")
    kept = np.ones(count, dtype=bool)
    # Thursday 02:20: the supply is off for 40 minutes (seen), then the recorder's battery gives up for 30 more.
    kept[_slot(3, 3) : _slot(3, 3, 30)] = False
    lines = ["time," + ",".join(columns)]
    texts = [[f"{value:.{_decimals(name)}f}" for value in column] for name, column in columns.items()]
    for row in np.flatnonzero(kept):
        lines.append(f"{stamps[row]}Z," + ",".join(text[row] for text in texts))
    return "\n".join(lines) + "\n", _flicker(columns)


def _slot(day: int, hour: int, minute: int = 0) -> int:
    return (day * 24 + hour) * 6 + minute // 10


def _decimals(name: str) -> int:
    return 3 if "frequency" in name or "%" in name else 1 if name.startswith("active") else 2


def _trend() -> dict[str, Array]:
    # The legacy generator is used because its stream is frozen: newer ones may change between numpy versions.
    random = np.random.RandomState(20310324)
    count = int(DAYS * 144)
    slot = np.arange(count)
    hour = (slot % 144) / 6.0
    day = slot // 144
    work = (day % 7 < 5) & (hour >= 7) & (hour < 18)
    compressors = 46 + 16 * np.sin(2 * np.pi * (hour - 9) / 24) + 6 * (random.rand(count) > 0.5)
    drives = np.where(work, 74 + 8 * np.sin(2 * np.pi * slot / 17), 9) + random.randn(count)
    # The defrost heaters of the new rooms hang on one phase: the trouble of this site.
    defrost = np.where((day % 7 < 5) & (hour >= 18) & (hour < 21.5), 214 + 4 * random.randn(count), 0)
    capacitors = (day % 7 < 5) & (hour >= 7.5) & (hour < 10)
    upstream = 229.4 - 2.2 * np.cos(2 * np.pi * (hour - 4) / 24) - np.where(work, 1.2, 0) + 0.25 * random.randn(count)
    real = {"a": compressors + drives, "b": compressors + drives * 0.97, "c": compressors + drives * 1.02 + defrost}
    reactive = np.where(capacitors, 0.12, 0.45) * compressors + 0.25 * drives
    columns: dict[str, Array] = {}
    phasors = {}
    for phase in PHASES:
        voltage = upstream - _RESISTANCE * real[phase] - _REACTANCE * reactive + 0.05 * random.randn(count)
        phasors[phase] = voltage
        columns[f"voltage.{phase}n [V]"] = voltage
    for phase in PHASES:
        columns[f"current.{phase} [A]"] = np.hypot(real[phase], reactive)
    squares = sum(real[p] ** 2 for p in PHASES) - sum(
        real[p] * real[q] for p, q in (("a", "b"), ("b", "c"), ("c", "a"))
    )
    columns["current.n [A]"] = np.sqrt(np.maximum(squares, 0)) + 0.12 * drives
    columns["frequency [Hz]"] = 50 + 0.012 * random.randn(count)
    columns["negative_sequence_unbalance [%]"] = _unbalance(phasors)
    spectra = {phase: _harmonics(random, drives, capacitors, phase) for phase in PHASES}
    for phase in PHASES:
        total = np.sqrt(sum(values**2 for values in spectra[phase].values()))
        columns[f"voltage_thd.{phase}n [%]"] = total
    for phase in PHASES:
        for order, values in spectra[phase].items():
            columns[f"voltage_harmonic.{phase}n.h{order} [%]"] = values
    for phase in PHASES:
        columns[f"active_power.{phase} [kW]"] = phasors[phase] * real[phase] / 1000
    dead = slice(_slot(3, 2, 20), _slot(3, 3))
    for name, column in columns.items():
        if not name.startswith("frequency"):
            column[dead] = 0.0
    columns["frequency [Hz]"][dead] = np.nan
    return columns


def _unbalance(voltages: dict[str, Array]) -> Array:
    """Negative over positive sequence of three phasors, in percent.

    Phase b lies 0.4 degrees off its place: no real supply is without some unbalance, and none of it shows in the
    magnitudes.
    """
    turn = np.exp(2j * np.pi / 3)
    off = {"b": np.exp(1j * np.radians(0.4))}
    a, b, c = (voltages[phase] * off.get(phase, 1) * turn ** (-number) for number, phase in enumerate(PHASES))
    return np.asarray(100 * np.abs(a + turn**2 * b + turn * c) / np.abs(a + turn * b + turn**2 * c))


def _harmonics(
    random: np.random.RandomState, drives: Array, capacitors: NDArray[np.bool_], phase: str
) -> dict[int, Array]:
    """Voltage orders in percent: drive current of a six-pulse front end (1/h) times h times the source reactance."""
    spectrum: dict[int, Array] = {}
    for order in ORDERS:
        if order % 6 in (1, 5):
            injected = drives / order * (1.9 if order < 8 else 1.0)
            values = 100 * injected * order * _REACTANCE / 230 + 0.9 * np.exp(-(order - 5) / 6)
            if order == 11:
                values = np.where(capacitors, values * _RESONANT_GAIN, values)
        elif order % 2:
            values = np.full(len(drives), 0.5 if order == 3 else 0.15)
        else:
            values = np.full(len(drives), 0.06)
        spectrum[order] = np.abs(values * (1 + 0.05 * random.randn(len(drives))))
    return spectrum


def _flicker(columns: dict[str, Array]) -> str:
    random = np.random.RandomState(11)
    names = [f"flicker_plt.{phase}n [1]" for phase in PHASES]
    lines = ["time," + ",".join(names)]
    blocks = int(DAYS * 12)
    for block in range(blocks):
        stamp = START + np.timedelta64(block * 120, "m")
        swing = [float(np.ptp(columns[f"voltage.{phase}n [V]"][block * 12 : block * 12 + 12])) for phase in PHASES]
        values = [0.22 + 0.012 * min(amplitude, 30) + 0.04 * random.rand() for amplitude in swing]
        texts = [f"{value:.3f}" for value in values]
        # Thursday 02:00 to 04:00 holds the interruption: the recorder gives no Plt for it.
        lines.append(f"{stamp}Z," + ",".join(texts if block != 3 * 12 + 1 else ["", "", ""]))
    return "\n".join(lines) + "\n"
