"""Which row of a table of published volts belongs to a supply."""

from __future__ import annotations

from decimal import Decimal
from typing import Protocol

from pqcheck.limit_tables import LimitTable


class NominalSupply(Protocol):
    """What is asked of a supply; `pqcheck.site.site_values.Supply` has it. Voltages in volts."""

    @property
    def designation(self) -> str:
        """The nominal as declared."""

    @property
    def connection(self) -> str:
        """The connection of the service."""

    @property
    def line_to_line(self) -> Decimal | None:
        """Nominal voltage between lines."""

    @property
    def line_to_neutral(self) -> Decimal | None:
        """Nominal voltage from line to neutral."""


def nominal_row(table: LimitTable, supply: NominalSupply) -> str | None:
    """The designation of the row that governs this supply, or None when the table lists no such nominal.

    A row governs when it lists the connection and its nominal equals the declared one: line to line, or line to
    neutral where the row or the supply has no line-to-line voltage. So 480 V with ``wye`` finds 480Y/277 V and with
    ``delta`` 480 V. The line-to-neutral partner is not compared when the line-to-line voltages agree: tables round it.
    """
    for designation, row in table.nominals.items():
        if supply.connection not in row.connections:
            continue
        if row.line_to_line is not None and supply.line_to_line is not None:
            if row.line_to_line == supply.line_to_line:
                return designation
        elif row.line_to_neutral is not None and row.line_to_neutral == supply.line_to_neutral:
            return designation
    return None


def nearest_nominal(table: LimitTable, supply: NominalSupply) -> str:
    """The designation of the listed nominal closest in voltage; rows of the same connection are preferred.

    Raises ValueError for a table that lists no nominals.
    """

    def distance(designation: str) -> tuple[bool, Decimal]:
        row = table.nominals[designation]
        for listed, declared in (
            (row.line_to_line, supply.line_to_line),
            (row.line_to_neutral, supply.line_to_neutral),
            (row.line_to_line or row.line_to_neutral, supply.line_to_line or supply.line_to_neutral),
        ):
            if listed is not None and declared is not None:
                return supply.connection not in row.connections, abs(listed - declared)
        return True, Decimal(0)

    return min(table.nominals, key=distance)
