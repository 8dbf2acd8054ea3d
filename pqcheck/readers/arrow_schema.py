"""Units that Parquet files carry per column: the Arrow schema stored in the footer, read without a second library.

The schema is a FlatBuffers table (Apache Arrow columnar format, Schema.fbs and Message.fbs); only names and metadata of
the top-level fields are looked at.
"""

from __future__ import annotations

import base64
import binascii
import struct

UNIT_KEYS = ("unit", "units")
_MESSAGE_HEADER, _SCHEMA_FIELDS, _FIELD_NAME, _FIELD_METADATA = 2, 1, 0, 6


def units_of(encoded: str) -> dict[str, str]:
    """Unit texts by column name, from the value of the footer key ``ARROW:schema``; empty when there is nothing."""
    try:
        data = base64.b64decode(encoded)
        if UNIT_KEYS[0].encode() not in data:
            return {}
        start = 8 if data[:4] == b"\xff\xff\xff\xff" else 4
        buffer = data[start:]
        schema = _child(buffer, _root(buffer), _MESSAGE_HEADER)
        found = {}
        for field in _vector(buffer, schema, _SCHEMA_FIELDS):
            for pair in _vector(buffer, field, _FIELD_METADATA):
                if _text(buffer, pair, 0) in UNIT_KEYS:
                    found[_text(buffer, field, _FIELD_NAME)] = _text(buffer, pair, 1)
        return found
    except (binascii.Error, struct.error, IndexError, UnicodeDecodeError):
        return {}


def _root(buffer: bytes) -> int:
    return int(struct.unpack_from("<I", buffer, 0)[0])


def _slot(buffer: bytes, table: int, number: int) -> int:
    """Where a field of a table stands; 0 when the table lacks it."""
    layout = table - struct.unpack_from("<i", buffer, table)[0]
    size = struct.unpack_from("<H", buffer, layout)[0]
    entry = 4 + 2 * number
    if entry >= size:
        return 0
    offset = struct.unpack_from("<H", buffer, layout + entry)[0]
    return table + int(offset) if offset else 0


def _child(buffer: bytes, table: int, number: int) -> int:
    slot = _slot(buffer, table, number)
    return slot + int(struct.unpack_from("<I", buffer, slot)[0]) if slot else 0


def _vector(buffer: bytes, table: int, number: int) -> list[int]:
    at = _child(buffer, table, number) if table else 0
    if not at:
        return []
    count = struct.unpack_from("<I", buffer, at)[0]
    places = [at + 4 + 4 * item for item in range(count)]
    return [place + int(struct.unpack_from("<I", buffer, place)[0]) for place in places]


def _text(buffer: bytes, table: int, number: int) -> str:
    at = _child(buffer, table, number)
    if not at:
        return ""
    length = struct.unpack_from("<I", buffer, at)[0]
    return buffer[at + 4 : at + 4 + length].decode("utf-8")
