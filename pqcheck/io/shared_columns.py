"""Files of one recorder have the same columns: what is equal in them is held once, and looked at once."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from pqcheck.io.decoder import Table
from pqcheck.io.timeline.stamps_of_rows import NO_TIMES


class SharedColumns:
    """Shares headers, channels and what else is known of columns between tables that have the same."""

    def __init__(self) -> None:
        """Nothing was seen so far."""
        self._seen: dict[tuple[str, ...], list[Table]] = {}

    def of(self, table: Table) -> Table:
        """The table, with the columns of an earlier one where they are equal in everything."""
        earlier = self._seen.setdefault(table.headers, [])
        other = next((each for each in earlier if _same(each, table)), None)
        if other is None:
            earlier.append(replace(table, stamps=NO_TIMES))
            return table
        return replace(
            table, headers=other.headers, channels=other.channels, unknown=other.unknown, narrow=other.narrow,
            grounds=other.grounds,
        )


def _same(one: Table, other: Table) -> bool:
    return (
        one.channels == other.channels and one.unknown == other.unknown and one.narrow == other.narrow
        and one.grounds == other.grounds
    )


def one_of_each(tables: Sequence[Table]) -> list[Table]:
    """The first of the tables that share their channels, for what depends on nothing else."""
    found = {id(table.channels): table for table in reversed(tables)}
    return list(reversed(found.values()))
