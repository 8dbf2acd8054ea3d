from typing_extensions import Buffer

VERSION: int

_Pass = tuple[Buffer, bool, Buffer | None, Buffer | None, float, int, int, Buffer]

def look(passes: list[_Pass], /) -> list[tuple[int, float, int]]: ...
def add_squares(
    members: Buffer, single: bool, factor: Buffer | None, mask: Buffer | None, by: float, totals: Buffer, /
) -> None: ...
def same_holes(members: Buffer, single: bool, mask: Buffer, /) -> bool: ...
