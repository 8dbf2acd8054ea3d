from typing_extensions import Buffer

VERSION: int

def footer(
    data: Buffer, /
) -> tuple[
    int, list[tuple[bytes, int, int, int, int, int, int]], list[tuple[int, bytes]], list[tuple[bytes, bytes]]
]: ...
def pages(data: Buffer, spans: Buffer, first: int, last: int, out: Buffer, /) -> int: ...
