"""A fleet on a Dask cluster of two worker processes: the bytes of a local run, whoever is killed meanwhile."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from pqcheck.cli import main
from pqcheck.fleet.cluster import on_cluster
from pqcheck.fleet.judge_site import Outcome, Question
from pqcheck.fleet.run_fleet import Asked, run_fleet
from pqcheck.model.errors import InputError
from pqcheck.model.exit_status import ExitStatus
from tests.fleet_registry import contents, fleet, write_registry
from tests.test_fleet_run import here

distributed = pytest.importorskip("distributed", reason="needs the extra fleet")

pytestmark = pytest.mark.filterwarnings("ignore")


def cluster_of(workers: int) -> Any:
    return distributed.LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    )


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with cluster_of(2) as made:
        yield made


@pytest.fixture(scope="module")
def fleet_of_40(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    folder = tmp_path_factory.mktemp("fleet")
    rows = fleet(folder, 40)
    rows.append({**rows[0], "site": "gone", "recording": "data/none.csv"})
    rows.append({**rows[5], "site": "doubled"})
    registry = write_registry(folder / "registry.csv", rows)
    run_fleet(registry, folder / "local", engine=here)
    return registry, contents(folder / "local")


def test_a_cluster_gives_the_bytes_of_a_local_run(
    cluster: Any, fleet_of_40: tuple[Path, dict[str, bytes]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    registry, whole = fleet_of_40
    command = ["fleet", str(registry), "--out", str(tmp_path / "results"), "--scheduler", cluster.scheduler_address]
    assert main(command) == ExitStatus.FAILED
    assert "42 sites and periods judged now" in capsys.readouterr().out
    assert contents(tmp_path / "results") == whole
    assert main(command) == ExitStatus.FAILED
    assert "0 sites and periods judged now, 42 unchanged" in capsys.readouterr().out


def test_a_killed_worker_loses_nothing(
    cluster: Any, fleet_of_40: tuple[Path, dict[str, bytes]], tmp_path: Path
) -> None:
    registry, whole = fleet_of_40
    killed = []
    with on_cluster(cluster.scheduler_address, None) as plain:

        def engine(question: Question, asked: Sequence[Asked]) -> Iterator[Outcome]:
            for number, outcome in enumerate(plain(question, asked)):
                if number == 5:
                    victim = next(iter(cluster.workers.values()))
                    os.kill(victim.pid, signal.SIGKILL)
                    killed.append(victim.pid)
                yield outcome

        run_fleet(registry, tmp_path / "results", engine=engine)
    assert killed
    assert contents(tmp_path / "results") == whole


def test_a_killed_client_goes_on(cluster: Any, fleet_of_40: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    registry, whole = fleet_of_40
    results = tmp_path / "results"
    command = ["fleet", str(registry), "--out", str(results), "--scheduler", cluster.scheduler_address]
    process = subprocess.Popen([sys.executable, "-m", "pqcheck", *command], stdout=subprocess.DEVNULL)
    while process.poll() is None and len(list(results.glob("findings/[!.]*"))) < 5:
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert 5 <= len(list(results.glob("findings/[!.]*"))) < 42
    assert main(command) == ExitStatus.FAILED
    assert contents(results) == whole


def test_a_worker_that_would_judge_otherwise_stops_the_run(
    cluster: Any, fleet_of_40: tuple[Path, dict[str, bytes]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr("pqcheck.version.__version__", "0.0.1")
    command = ["fleet", str(fleet_of_40[0]), "--out", str(tmp_path / "out"), "--scheduler", cluster.scheduler_address]
    assert main(command) == ExitStatus.COULD_NOT_RUN
    said = capsys.readouterr().err
    assert "the version of pqcheck differs on the worker" in said
    assert said.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_no_scheduler_and_no_workers_are_said_before_anything(
    fleet_of_40: tuple[Path, dict[str, bytes]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr("pqcheck.fleet.cluster._PATIENCE", "1 s")
    command = ["fleet", str(fleet_of_40[0]), "--out", str(tmp_path / "out"), "--scheduler"]
    for address in ("tcp://127.0.0.1:1", "no address at all", "ftp://127.0.0.1:8786"):
        assert main([*command, address]) == ExitStatus.COULD_NOT_RUN
        said = capsys.readouterr().err
        assert "no Dask scheduler answers" in said
        assert "`dask scheduler`" in said
        assert said.count("\n") == 1
    with cluster_of(0) as empty, pytest.raises(InputError, match="has no workers"), on_cluster(
        empty.scheduler_address, None
    ):
        pass
    assert not (tmp_path / "out").exists()
