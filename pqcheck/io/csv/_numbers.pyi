from typing import Any

from typing_extensions import Buffer

VERSION: int

def use_wide(choice: bool, /) -> bool: ...
def lines(data: Buffer, first: int, starts: Buffer, ends: Buffer, numbers: Buffer, /) -> tuple[int, int]: ...
def parse(
    data: bytes,
    rows: int,
    targets: Buffer,
    out: list[Any],
    moves: Buffer,
    extremes: Buffer,
    delimiter: int,
    decimal: int,
    fives: Buffer,
    blanks: tuple[bytes, ...],
    /,
) -> int: ...
