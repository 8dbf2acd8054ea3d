"""Columns of a spectrum to rms amplitudes of one operating point, with what was concluded and what was not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from msgspec import Struct, field

from pqcheck.io.spectra.spectrum_columns import SpectrumColumn
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, RowSpan
from pqcheck.site.scenario import fundamental_current, judged_site
from pqcheck.site.site_values import Site, Supply

AGREE_PERCENT = Decimal(2)
"""Amperes and percentages of one spectrum are rounded separately; beyond this they are not the same spectrum."""
_ROUNDING = Decimal("0.1")
"""Percent of the fundamental that two columns may differ by as well: one of them is rounded to a decimal or so."""
_COMPARED_FROM = Decimal(1)
"""Percent of the fundamental below which that rounding hides a factor."""

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
    """Order 1 in A or V rms by quantity and phase, of those that hold amplitudes in A, V or percent of the nominal
    voltage; None where unknown."""
    unscaled: frozenset[tuple[str, str]] = frozenset()
    """Quantities and phases with percentages that nothing in the table tells from fractions."""


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
    unscaled: set[tuple[str, str]] = set()
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
        if reading.rests_on_order_1:
            ones[quantity, phase] = reading.order_1
            if reading.unscaled:
                unscaled.add((quantity, phase))
        doubts += reading.doubts
        words |= reading.words
    return Point(name, amplitudes, rows, tuple(doubts), words, ones, frozenset(unscaled))


def _share(cells: Mapping[int, Amplitude], base: Decimal) -> dict[int, Amplitude]:
    """Percentages as amplitudes, in the unit of what they refer to."""
    return {order: Amplitude(cell.value * base / 100, cell.row) for order, cell in cells.items()}


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
        self.order_1: Decimal | None = None
        """In A or V rms: as written, or what percentages were turned with."""
        self._unscaled: set[int] = set()
        # Nothing is divided by what cannot be.
        self._nominal = judged_site(site).supply.nominal(phase) or None

    @property
    def rests_on_order_1(self) -> bool:
        """Whether there are amplitudes in A or V, or in percent of a nominal that is known."""
        units = {unit for _, unit, _ in self.amplitudes.values()}
        return bool(units & {"A", "V"}) or ("% of nominal" in units and self._nominal is not None)

    @property
    def unscaled(self) -> bool:
        """Whether amplitudes come from percentages that may as well be fractions."""
        return bool(self._unscaled)

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
        volts = {} if nominal is None or self._nominal is None else _share(nominal[1], self._nominal)
        if percent is not None:
            self._from_percent(*percent, {**volts, **rms})
        if nominal is not None:
            self._from_nominal(*nominal, rms)
        if rms:
            self._take(rms, absolute[0][0].unit)
        if 1 in rms:
            self.order_1 = rms[1].value
        for column, _ in silent:
            self._silent(column)

    def _unit_word(self, column: SpectrumColumn) -> str:
        return "amperes" if column.unit == "A" else "volts"

    def _take(self, cells: Mapping[int, Amplitude], unit: str, *, scaled: bool = True) -> None:
        """`scaled` says that percentages are told from fractions, by their own order 1 or amplitudes beside them."""
        for order, cell in cells.items():
            self.amplitudes[order] = (cell.value, unit, cell.row)
            self._unscaled.discard(order)
            if not scaled and cell.value:
                self._unscaled.add(order)

    def _base(self, written: Mapping[int, Amplitude]) -> tuple[Decimal | None, str]:
        """What percentages refer to, in A or V rms."""
        if 1 in written:
            return written[1].value, "order 1 of the same table"
        if self.quantity == "voltage_harmonic":
            declared = self.site.scenario.get("fundamental_voltage")
            return declared, "the fundamental declared in [scenario]"
        if self.fundamental is not None:
            return self.fundamental, "the fundamental in the same table"
        return fundamental_current(self.site)

    def _from_nominal(
        self, column: SpectrumColumn, cells: Mapping[int, Amplitude], rms: Mapping[int, Amplitude]
    ) -> None:
        """Percent of the nominal voltage."""
        self.words[column.number] = "percent of the nominal voltage"
        scaled = self._agree(cells, rms, self._nominal) or 1 in cells
        self._take({order: cell for order, cell in cells.items() if order > 1}, "% of nominal", scaled=scaled)
        if self._nominal is not None:
            self.order_1 = _share(cells, self._nominal)[1].value if 1 in cells else None

    def _from_percent(
        self, column: SpectrumColumn, cells: Mapping[int, Amplitude], written: Mapping[int, Amplitude]
    ) -> None:
        """Percent of the fundamental; `written` is what other columns say, in A or V rms."""
        if 1 in cells and abs(cells[1].value - 100) > AGREE_PERCENT:
            raise InputError(
                f"{self._where}: order 1 is {cells[1].value.normalize():f} %, so the percentages do not refer to the "
                "fundamental; give percent of the fundamental"
            )
        base, how = self._base(written)
        harmonics = {order: cell for order, cell in cells.items() if order > 1}
        if base is None:
            self.words[column.number] = "percent of the fundamental, which is not declared"
            self._take(harmonics, "%")
            return
        unit = "A" if self.quantity == "current_harmonic" else "V"
        self.words[column.number] = f"percent of the fundamental, turned into {unit} with {base:f} {unit} ({how})"
        scaled = self._agree(harmonics, written, base) or 1 in cells
        self._take(_share(harmonics, base), unit, scaled=scaled)
        self.order_1 = base
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

    def _agree(self, percent: Mapping[int, Amplitude], written: Mapping[int, Amplitude], base: Decimal | None) -> bool:
        """Both columns must be one spectrum, order by order; whether there was anything to compare.

        A peak labelled rms shows here as 1.414.
        """
        if not base:
            return False
        unit = "A" if self.quantity == "current_harmonic" else "V"
        turned = _share(percent, base)
        apart: dict[int, Decimal] = {}
        compared = False
        for order in sorted({*turned} & {*written}):
            first, second = written[order].value, turned[order].value
            larger = max(first, second)
            compared |= larger * 100 >= _COMPARED_FROM * base
            beyond = abs(first - second) - (larger * AGREE_PERCENT + base * _ROUNDING) / 100
            if beyond > 0:
                apart[order] = beyond
        if apart:
            order = max(apart, key=apart.__getitem__)
            first, second = written[order].value, turned[order].value
            factor, hint = "", ""
            if first and second:
                factor = f", a factor of {float(max(first / second, second / first)):.4g}"
                if abs(first / second / Decimal(2).sqrt() - 1) * 100 <= AGREE_PERCENT:
                    hint = ", as if peak values were labelled rms"
            raise InputError(
                f"{self._where}: two columns contradict each other: order {order} is {float(first):.6g} {unit} in one "
                f"and {float(second):.6g} {unit} ({float(percent[order].value):.6g} % of {float(base):.6g} {unit}) in "
                f"the other{factor}{hint}; correct the header, the numbers or what is declared, or remove one of them"
            )
        return compared

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
