"""The work on an existing Dask cluster: the workers read and judge, only results travel, this side keeps them.

The scheduler gets one task a site and period, a few ahead of the workers, so that memory here does not grow with the
fleet. A worker that is lost loses nothing: its tasks run again elsewhere.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pqcheck.fleet.judge_site import Outcome, Question, judge_site
from pqcheck.fleet.run_fleet import Asked, Engine
from pqcheck.model.errors import InputError, OutputError

_PATIENCE = "15 s"
"""How long a scheduler may take to answer."""

_AHEAD = 4
"""Tasks handed out for each thread of a worker."""

_RETRIES = 3
"""How often a task is tried again after its worker was lost."""


@contextlib.contextmanager
def on_cluster(address: str, tables: Sequence[str] | None) -> Iterator[Engine]:
    """An engine for `run_fleet` on the cluster whose scheduler is at `address` (``tcp://host:8786``).

    `tables` are the limit tables of the command line. Raises `InputError` when nothing answers there, there are no
    workers, or one of them would judge otherwise than this side: another version of pqcheck, other tables.
    """
    try:
        import distributed
    except ImportError:
        raise InputError("--scheduler needs Dask: install pqcheck-power[fleet] here and on the workers") from None
    log = logging.getLogger("distributed")
    level = log.level
    # What goes wrong is said in one sentence, not in the log of a library.
    log.setLevel(logging.CRITICAL)
    try:
        with _client(distributed, address) as client:
            _check_workers(client, address, tuple(tables or ()))

            def engine(question: Question, asked: Sequence[Asked]) -> Iterator[Outcome]:
                return _judged(distributed, client, address, question, asked)

            yield engine
    finally:
        log.setLevel(level)


@contextlib.contextmanager
def _client(distributed: Any, address: str) -> Iterator[Any]:
    try:
        client = distributed.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(
            f"no Dask scheduler answers at {address}; start one with `dask scheduler`, and workers with `dask worker "
            "ADDRESS --nthreads 1`, or leave --scheduler out to use the cores of this machine"
        ) from error
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=2)


def environment(tables: Sequence[str]) -> dict[str, str]:
    """What a process judges with: version, and checksums of the shipped tables and those of the command line."""
    import hashlib

    from pqcheck.limit_tables import load_table
    from pqcheck.limit_tables.load_limit_table import limits_folder, table_ids
    from pqcheck.version import __version__

    shipped = hashlib.sha256(b"".join((limits_folder() / f"{name}.json").read_bytes() for name in table_ids()))
    own = {f"the limit table {name}": load_table(name).sha256 for name in tables if name.endswith(".json")}
    return {"the version of pqcheck": __version__, "the shipped limit tables": shipped.hexdigest(), **own}


def _check_workers(client: Any, address: str, tables: tuple[str, ...]) -> None:
    if not client.scheduler_info(n_workers=-1)["workers"]:
        raise InputError(
            f"the scheduler at {address} has no workers; start some with `dask worker {address} --nthreads 1`"
        )
    here = environment(tables)
    answers: Mapping[str, Any] = client.run(environment, tables, on_error="return")
    for worker, there in sorted(answers.items()):
        if not isinstance(there, dict):
            cause = " ".join(f"{type(there).__name__}: {there}".split())[:200]
            raise InputError(
                f"the worker {worker} cannot run pqcheck ({cause}); install the same version there, and let it reach "
                "the same files"
            )
        differs = [name for name in here if here[name] != there.get(name)]
        if differs:
            name = differs[0]
            raise InputError(
                f"{name} differs on the worker {worker} ({there.get(name, '-')[:16]} there, {here[name][:16]} here); "
                "install the same on both"
            )


def _judged(
    distributed: Any, client: Any, address: str, question: Question, asked: Sequence[Asked]
) -> Iterator[Outcome]:
    threads = sum(int(worker["nthreads"]) for worker in client.scheduler_info(n_workers=-1)["workers"].values())
    waiting = iter(asked)
    done = distributed.as_completed(loop=client.loop)

    def hand_out(count: int) -> None:
        for _, each in zip(range(count), waiting, strict=False):
            # Not pure: what lies in the files may have changed since the same was asked before.
            done.add(client.submit(judge_site, question, each, pure=False, retries=_RETRIES))

    try:
        hand_out(_AHEAD * max(1, threads))
        for future in done:
            yield future.result()
            future.release()
            hand_out(1)
    except (OSError, distributed.CancelledError, distributed.scheduler.KilledWorker, TimeoutError) as error:
        raise OutputError(
            f"the cluster at {address} was lost while it worked ({type(error).__name__}); results written so far are "
            "whole; run the same again to go on"
        ) from error
