"""What people hold in memory as columns by header, and each column as numbers, cells or stamps.

Mappings of arrays or lists, tables of pandas, polars and pyarrow, structured arrays of numpy. A masked, null or missing
value of any of them is an unobserved interval. None of these libraries is imported here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from pqcheck.model.clock import parse_iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Values

_NOTHING = ("NoneType", "NAType", "NaTType", "MaskedConstant")
"""Names of the types whose only value says that there is none."""


def is_table(value: Any) -> bool:
    """Whether a value holds columns."""
    structured = getattr(getattr(value, "dtype", None), "names", None)
    return isinstance(value, Mapping) or hasattr(type(value), "columns") or bool(structured)


def columns_of(table: Any) -> dict[str, Any]:
    """The columns of a table by header, as they are."""
    if hasattr(table, "collect"):
        table = table.collect()
    if isinstance(table, Mapping):
        names = list(table)
    elif hasattr(table, "column_names"):
        names = list(table.column_names)
    elif hasattr(table, "columns"):
        names = list(table.columns)
    else:
        names = list(table.dtype.names)
    columns = {str(name): table[name] for name in names}
    if len(columns) != len(names):
        raise InputError("the table has two columns of one name; give every column a name of its own")
    return columns


def numbers_of(column: Any, header: str, name: str) -> Values:
    """A column as contiguous float32 (as it is) or float64; NaN where there is no value.

    Raises `InputError` for values that are not numbers; `header` and `name` say where.
    """
    try:
        if hasattr(column, "na_value") or hasattr(getattr(column, "dtype", None), "na_value"):
            array = column.to_numpy(dtype=np.float64, na_value=np.nan)
        else:
            array = _array(column)
        if isinstance(array, np.ma.MaskedArray):
            array = np.ma.filled(array if array.dtype == np.float32 else array.astype(np.float64), np.nan)
        if array.dtype == object:
            array = np.array([np.nan if _is_nothing(value) else float(value) for value in array.ravel()]).reshape(
                array.shape
            )
        if array.dtype.kind not in "biufUS":
            raise TypeError(array.dtype)
        return np.ascontiguousarray(array if array.dtype == np.float32 else array.astype(np.float64))
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"column {header!r} of {name} holds values that are not numbers") from None


def cells_of(column: Any) -> list[Any]:
    """A column as plain values, None where there is none."""
    for method in ("to_pylist", "to_list", "tolist"):
        if hasattr(column, method):
            column = getattr(column, method)()
            break
    return [None if _is_nothing(value) else value for value in column]


def instants_of(times: Any) -> tuple[Any, bool]:
    """Stamps as microseconds since 1970-01-01 UTC, and whether they are local times; InputError for what is none."""
    zoned = _zone(times) is not None
    array = _array(times)
    if array.ndim != 1 or not array.size:
        raise InputError("times must be a list with one stamp per value")
    if isinstance(array, np.ma.MaskedArray):
        if np.ma.getmaskarray(array).any():
            raise InputError("a time is missing; every value needs a stamp")
        array = np.asarray(array)
    if np.issubdtype(array.dtype, np.datetime64):
        if np.isnat(array).any():
            raise InputError("a time is missing; every value needs a stamp")
        return array.astype("datetime64[us]").astype(np.int64), not zoned
    if np.issubdtype(array.dtype, np.integer):
        return array.astype(np.int64), False
    values, offsets = np.zeros(array.size, np.int64), set()
    for at, stamp in enumerate(array.tolist()):
        try:
            values[at], with_offset = parse_iso(stamp if isinstance(stamp, str) else stamp.isoformat())
        except (AttributeError, TypeError, ValueError):
            raise InputError(f"time number {at + 1} is {stamp!r}, which is no ISO 8601 stamp") from None
        offsets.add(with_offset)
    if len(offsets) > 1:
        raise InputError("some times carry an offset and some do not; write all of them one way")
    return values, offsets == {False}


def _zone(times: Any) -> Any:
    """The zone of a column of instants, which its values in UTC no longer show; None without one."""
    kind = getattr(times, "dtype", None) if hasattr(times, "dtype") else getattr(times, "type", None)
    return next((zone for name in ("tz", "time_zone") if (zone := getattr(kind, name, None)) is not None), None)


def _array(column: Any) -> Any:
    if isinstance(column, np.ndarray):
        return column
    if _zone(column) is not None:
        # pandas keeps instants with a zone as objects, one by one.
        accessor = getattr(column, "dt", column)
        if hasattr(accessor, "tz_convert"):
            column = accessor.tz_convert("UTC")
            return getattr(column, "dt", column).tz_localize(None).to_numpy()
    if not hasattr(column, "__array__") and not isinstance(column, (list, tuple)):
        try:
            column = list(column)
        except TypeError:
            raise InputError(f"a column is a {type(column).__name__}; give an array or a list") from None
    if isinstance(column, (list, tuple)) and any(_is_nothing(value) for value in column):
        return np.array(column, dtype=object)
    try:
        return np.asarray(column)
    except ValueError:
        return np.array(column, dtype=object)


def _is_nothing(value: Any) -> bool:
    return type(value).__name__ in _NOTHING
