"""The same work on many things in processes of this machine, a few of them at a time, results in order."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

_CHUNK = 8
_AHEAD = 3
"""Chunks handed out beyond what the processes work on, so that none waits and finished results do not pile up."""

_MOST_PROCESSES = 61
"""Windows waits for no more at once."""

Shared = TypeVar("Shared")
Item = TypeVar("Item")
Result = TypeVar("Result")


def cores() -> int:
    """How many processes work at once unless someone chooses otherwise."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(count, _MOST_PROCESSES)


def spread(
    work: Callable[[Shared, Item], Result], shared: Shared, items: Sequence[Item], processes: int
) -> Iterator[Result]:
    """``work(shared, item)`` for each item, in order. `work` is a function of a module; `shared` travels once.

    Raises `BrokenProcessPool` when a process is ended from outside; what was yielded before is whole.
    """
    if processes == 1 or len(items) < 2:
        for item in items:
            yield work(shared, item)
        return
    import multiprocessing
    from concurrent.futures import Future, ProcessPoolExecutor

    # Fresh processes: a fork of a process that has threads (the columnar reader's) can stand still for ever.
    fresh = multiprocessing.get_context("spawn")
    chunks = (items[first : first + _CHUNK] for first in range(0, len(items), _CHUNK))
    with ProcessPoolExecutor(processes, mp_context=fresh, initializer=_begin, initargs=(work, shared)) as pool:
        waiting: deque[Future[list[Any]]] = deque()
        try:
            for chunk in chunks:
                waiting.append(pool.submit(_in_worker, chunk))
                if len(waiting) >= processes + _AHEAD:
                    yield from waiting.popleft().result()
            while waiting:
                yield from waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


_job: tuple[Callable[[Any, Any], Any], Any] | None = None
"""Set once in each worker process, never in the calling one."""


def _begin(work: Callable[[Any, Any], Any], shared: Any) -> None:
    global _job
    _job = (work, shared)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A process whose parent was killed would wait for work for ever."""
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _in_worker(items: Sequence[Any]) -> list[Any]:
    assert _job is not None
    work, shared = _job
    return [work(shared, item) for item in items]
