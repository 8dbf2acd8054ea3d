from typing import Any

from typing_extensions import Buffer

VERSION: int

def use_wide(choice: bool, /) -> bool: ...
def lay(
    data: Buffer,
    pages: Buffer,
    unpacked: list[Any],
    columns: Buffer,
    targets: list[Any],
    moves: Buffer,
    ends: Buffer,
    far: float,
    /,
) -> tuple[int, int]: ...
