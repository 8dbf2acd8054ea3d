from typing_extensions import Buffer

VERSION: int

def lay(
    data: Buffer,
    pages: Buffer,
    unpacked: list[Buffer | None],
    columns: Buffer,
    offsets: Buffer,
    out: Buffer,
    ends: Buffer,
    first: int,
    last: int,
    /,
) -> tuple[int, int]: ...
