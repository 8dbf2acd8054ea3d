from typing_extensions import Buffer

VERSION: int

def select(
    members: Buffer, single: bool, factor: Buffer | None, mask: Buffer | None, sign: float, keep: int, out: Buffer, /
) -> tuple[int, float, int]: ...
def squares(
    members: Buffer, single: bool, factor: Buffer | None, mask: Buffer | None, group: int, out: Buffer, /
) -> None: ...
def add_squares(
    members: Buffer, single: bool, factor: Buffer | None, mask: Buffer | None, by: float, totals: Buffer, /
) -> None: ...
def same_holes(members: Buffer, single: bool, mask: Buffer, /) -> bool: ...
