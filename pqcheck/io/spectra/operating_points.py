"""Columns of a spectrum to rms amplitudes of one operating point, with what was concluded and what was not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from msgspec import Struct, field

from pqcheck.io.spectra.spectrum_columns import SpectrumColumn
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, RowSpan
from pqcheck.site.scenario import fundamental_current
from pqcheck.site.site_values import Site, Supply

AGREE_PERCENT = Decimal(2)
"""Amperes and percentages of one spectrum are rounded separately; beyond this they are not the same spectrum."""
_COMPARED_FROM = Decimal(1)
"""Percent of the fundamental below which rounding alone can exceed that."""

_ALL = (("a", "b", "c"), ("an", "bn", "cn"))
_BY_CONNECTION = {
    "single-phase": (("a",), ("an",)), "split-phase": (("a", "b"), ("an", "bn")),
    "delta": (("a", "b", "c"), ("ab", "bc", "ca")),
}  # fmt: skip


class Amplitude(Struct, frozen=True):
    """One amplitude as written, in A, V or percent, and its row."""

    value: Decimal
    row: int


class Doubt(Struct, frozen=True):
    """A column that was not used because it does not say whether it is rms or peak."""

    operating_point: str
    column: str
    quantity: str
    phase: str
    unit: str


class Point(Struct, frozen=True):
    """One operating point: rms amplitudes by channel, where each stands, and how the columns were read."""

    name: str
    amplitudes: Mapping[Channel, Decimal]
    rows: Mapping[Channel, RowSpan]
    doubts: tuple[Doubt, ...] = ()
    words: Mapping[int, str] = field(default_factory=dict)
    fundamentals: Mapping[tuple[str, str], Decimal | None] = field(default_factory=dict)
    """Order 1 in A or V rms by quantity and phase, of those that hold amplitudes in A or V; None where unknown."""


Columns = Mapping[tuple[SpectrumColumn, str | None], Mapping[int, Amplitude]]


def amplitudes_of(name: str, columns: Columns, file: str, site: Site) -> Point:
    """The operating point that some columns hold.

    Raises `InputError` when rms or peak is undeclared and no other column answers, when amperes and percentages
    contradict each other, and when a column without phase stands beside nothing that says it holds for all.
    """
    amplitudes: dict[Channel, Decimal] = {}
    rows: dict[Channel, RowSpan] = {}
    doubts: list[Doubt] = []
    words: dict[int, str] = {}
    ones: dict[tuple[str, str], Decimal | None] = {}
    fundamentals = [cells[1] for (column, _), cells in columns.items() if column.role == "fundamental"]
    spread: dict[tuple[str, str], list[tuple[SpectrumColumn, Mapping[int, Amplitude]]]] = {}
    for (column, phase), cells in columns.items():
        if column.role != "value":
            words[column.number] = "fundamental current, amperes rms, what percentages refer to"
            continue
        for each in [phase] if phase is not None else _all_phases(column, file, site):
            spread.setdefault((column.quantity, each), []).append((column, cells))
    for (quantity, phase), parts in sorted(spread.items()):
        reading = _Reading(quantity, phase, name, file, site, fundamentals[0].value if fundamentals else None)
        reading.read(parts)
        for order, (value, unit, row) in reading.amplitudes.items():
            channel = Channel(quantity, phase, order, None, "mean", unit)
            amplitudes[channel] = value
            rows[channel] = RowSpan(file, row, row)
        if reading.absolute:
            ones[quantity, phase] = reading.order_1
        doubts += reading.doubts
        words |= reading.words
    return Point(name, amplitudes, rows, tuple(doubts), words, ones)


def _all_phases(column: SpectrumColumn, file: str, site: Site) -> tuple[str, ...]:
    supply: Supply = site.supply
    currents, voltages = _BY_CONNECTION.get(supply.connection, _ALL)
    phases = currents if column.quantity == "current_harmonic" else voltages
    if len(phases) > 1 and not site.scenario.get("balanced"):
        raise InputError(
            f"{file}: column {column.header!r} names no phase; write it, as in {column.quantity}.{phases[0]}, or "
            "declare balanced = true under [scenario] if it stands for all phases"
        )
    return phases


class _Reading:
    """One quantity and phase of one operating point."""

    def __init__(
        self, quantity: str, phase: str, point: str, file: str, site: Site, fundamental: Decimal | None
    ) -> None:
        self.quantity, self.phase, self.point, self.file, self.site = quantity, phase, point, file, site
        self.fundamental = fundamental
        self.amplitudes: dict[int, tuple[Decimal, str, int]] = {}
        self.doubts: list[Doubt] = []
        self.words: dict[int, str] = {}
        self._base_of_percent: Decimal | None = None

    @property
    def absolute(self) -> bool:
        """Whether there are amplitudes in A or V."""
        return any(unit in ("A", "V") for _, unit, _ in self.amplitudes.values())

    @property
    def order_1(self) -> Decimal | None:
        """Order 1 in A or V rms: as written, or what percentages were turned with."""
        value, unit, _ = self.amplitudes.get(1, (None, "", 0))
        return value if unit in ("A", "V") else self._base_of_percent

    @property
    def _where(self) -> str:
        at = f" of operating point {self.point!r}" if self.point else ""
        return f"{self.file}: {self.quantity}.{self.phase}{at}"

    def read(self, parts: Sequence[tuple[SpectrumColumn, Mapping[int, Amplitude]]]) -> None:
        """Fill `amplitudes` (order to amplitude, unit, row), `doubts` and `words`."""
        absolute = [(column, cells) for column, cells in parts if column.unit in ("A", "V") and column.kind]
        silent = [(column, cells) for column, cells in parts if column.unit in ("A", "V") and not column.kind]
        percent = next(((column, cells) for column, cells in parts if column.unit == "%"), None)
        nominal = next(((column, cells) for column, cells in parts if column.unit == "% of nominal"), None)
        rms = {}
        for column, cells in absolute:
            root = Decimal(2).sqrt() if column.kind == "peak" else Decimal(1)
            rms = {order: Amplitude(cell.value / root, cell.row) for order, cell in cells.items()}
            turned = ", peak values divided by the square root of 2" if column.kind == "peak" else ""
            self.words[column.number] = f"{self._unit_word(column)} rms{turned}"
        self._not_peak(rms)
        if percent is not None:
            self._from_percent(*percent, rms)
        if nominal is not None:
            column, cells = nominal
            self.words[column.number] = "percent of the nominal voltage"
            self._take({order: cell for order, cell in cells.items() if order > 1}, "% of nominal")
        if rms:
            self._take(rms, absolute[0][0].unit)
        for column, _ in silent:
            self._silent(column)

    def _unit_word(self, column: SpectrumColumn) -> str:
        return "amperes" if column.unit == "A" else "volts"

    def _take(self, cells: Mapping[int, Amplitude], unit: str) -> None:
        for order, cell in cells.items():
            self.amplitudes[order] = (cell.value, unit, cell.row)

    def _base(self, rms: Mapping[int, Amplitude]) -> tuple[Decimal | None, str]:
        """What percentages refer to, in A or V rms."""
        if 1 in rms:
            return rms[1].value, "order 1 of the same table"
        if self.quantity == "voltage_harmonic":
            declared = self.site.scenario.get("fundamental_voltage")
            return declared, "the fundamental declared in [scenario]"
        if self.fundamental is not None:
            return self.fundamental, "the fundamental in the same table"
        return fundamental_current(self.site)

    def _from_percent(
        self, column: SpectrumColumn, cells: Mapping[int, Amplitude], rms: Mapping[int, Amplitude]
    ) -> None:
        if 1 in cells and abs(cells[1].value - 100) > AGREE_PERCENT:
            raise InputError(
                f"{self._where}: order 1 is {cells[1].value.normalize():f} %, so the percentages do not refer to the "
                "fundamental; give percent of the fundamental"
            )
        base, how = self._base(rms)
        self._base_of_percent = base
        harmonics = {order: cell for order, cell in cells.items() if order > 1}
        if base is None:
            self.words[column.number] = "percent of the fundamental, which is not declared"
            self._take(harmonics, "%")
            return
        unit = "A" if self.quantity == "current_harmonic" else "V"
        self.words[column.number] = f"percent of the fundamental, turned into {unit} with {base:f} {unit} ({how})"
        self._agree(harmonics, rms, base)
        self._take({order: Amplitude(cell.value * base / 100, cell.row) for order, cell in harmonics.items()}, unit)
        if 1 in cells:
            self._take({1: Amplitude(base, cells[1].row)}, unit)

    def _not_peak(self, rms: Mapping[int, Amplitude]) -> None:
        """Order 1 may differ from the declared fundamental, which is that of one load; 1.414 times it is a peak."""
        key = "fundamental_current" if self.quantity == "current_harmonic" else "fundamental_voltage"
        declared = self.site.scenario.get(key)
        if 1 not in rms or declared is None:
            return
        if abs(rms[1].value / declared / Decimal(2).sqrt() - 1) * 100 <= AGREE_PERCENT:
            raise InputError(
                f"{self._where}: order 1 is {rms[1].value:.6g}, 1.414 times the declared fundamental of {declared:f}, "
                f"as if the amplitudes were peak values labelled rms; correct the header or {key}"
            )

    def _agree(self, percent: Mapping[int, Amplitude], rms: Mapping[int, Amplitude], base: Decimal) -> None:
        """Both columns must be one spectrum: a peak labelled rms shows here as 1.414."""
        shared = [
            order for order in sorted(percent) if order in rms and percent[order].value >= _COMPARED_FROM
        ]
        if not base:
            return
        ratios = sorted(rms[order].value / (percent[order].value * base / 100) for order in shared)
        if not ratios:
            return
        middle = ratios[len(ratios) // 2]
        if abs(middle - 1) * 100 > AGREE_PERCENT:
            root = Decimal(2).sqrt()
            peak = abs(middle / root - 1) * 100 <= AGREE_PERCENT
            hint = ", as if they were peak values labelled rms" if peak else ""
            raise InputError(
                f"{self._where}: the amplitudes are {middle:.3f} times what the percentages give with a fundamental of "
                f"{base:f}{hint}; correct the header or the declared fundamental"
            )

    def _silent(self, column: SpectrumColumn) -> None:
        """A column of amplitudes that may be rms or peak."""
        if any(unit in ("A", "V", "% of nominal") and order > 1 for order, (_, unit, _) in self.amplitudes.items()):
            self.doubts.append(Doubt(self.point, column.header, self.quantity, self.phase, column.unit))
            self.words[column.number] = "not used: nothing says whether it is rms or peak"
            return
        raise InputError(
            f"{self.file}: column {column.header!r} does not say whether its amplitudes are rms or peak, which differ "
            f'by 1.414; write [{column.unit} rms] or [{column.unit} peak], or amplitudes = "peak" under [scenario]'
        )
