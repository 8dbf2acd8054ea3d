"""Recordings that lie elsewhere, through fsspec: in memory, and on a local S3 server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pqcheck.fleet.run_fleet import run_fleet
from tests.fleet_registry import contents, fleet, rows_of, write_registry
from tests.test_fleet_run import here, reasons

fsspec = pytest.importorskip("fsspec", reason="needs the extra fleet")


@pytest.fixture
def local(tmp_path: Path) -> tuple[Path, list[dict[str, str]], dict[str, bytes]]:
    """Rows of a fleet beside their recordings, and the files of results that are the same wherever these lie."""
    rows = fleet(tmp_path)
    run_fleet(write_registry(tmp_path / "registry.csv", rows), tmp_path / "local", engine=here)
    return tmp_path, rows, checks(tmp_path / "local")


def checks(results: Path) -> dict[str, bytes]:
    return {name: data for name, data in contents(results).items() if name.startswith("checks/")}


def elsewhere(rows: list[dict[str, str]], start: str) -> list[dict[str, str]]:
    return [{**row, "recording": start + row["recording"].removeprefix("data/")} for row in rows]


def test_recordings_in_memory(local: tuple[Path, list[dict[str, str]], dict[str, bytes]]) -> None:
    folder, rows, whole = local
    memory = fsspec.filesystem("memory")
    for path in (folder / "data").iterdir():
        memory.pipe_file(f"/fleet/{path.name}", path.read_bytes())
    registry = write_registry(folder / "memory.csv", elsewhere(rows, "memory://fleet/"))
    assert run_fleet(registry, folder / "results", engine=here).judged == 4
    assert checks(folder / "results") == whole
    assert run_fleet(registry, folder / "results", engine=here).judged == 0
    data = (folder / "data" / "m0.csv").read_bytes()
    memory.pipe_file("/fleet/m0.csv", data.replace(b",230.1", b",231.1", 1))
    assert len(run_fleet(registry, folder / "results", engine=here).again) == 1

    rows = elsewhere(rows, "memory://fleet/")
    rows[0]["recording"] = "memory://fleet/m0*.csv"
    rows[1]["recording"] = "memory://fleet/none.csv"
    rows[2]["recording"] = "memory://fleet/none*.csv"
    rows[3]["recording"] = "nowhere://fleet/m3.csv"
    run_fleet(write_registry(folder / "memory.csv", rows), folder / "results", engine=here)
    assert reasons(folder / "results") == {"M-0001": "no-recording", "M-0002": "no-recording", "M-0003": "unreadable"}


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    pytest.importorskip("s3fs")
    server_of = pytest.importorskip("moto.server")
    server = server_of.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    for name, value in (("ENDPOINT_URL", f"http://{host}:{port}"), ("ACCESS_KEY_ID", "test"),
                        ("SECRET_ACCESS_KEY", "test"), ("DEFAULT_REGION", "us-east-1")):  # fmt: skip
        monkeypatch.setenv(f"AWS_{name}", value)
    system = fsspec.filesystem("s3", skip_instance_cache=True)
    system.mkdir("fleet")
    yield system
    fsspec.get_filesystem_class("s3").clear_instance_cache()
    server.stop()


@pytest.mark.filterwarnings("ignore")
def test_recordings_on_an_s3_server(
    local: tuple[Path, list[dict[str, str]], dict[str, bytes]], bucket: Any
) -> None:
    folder, rows, whole = local
    for path in (folder / "data").iterdir():
        bucket.pipe_file(f"fleet/week/{path.name}", path.read_bytes())
    away = elsewhere(rows, "s3://fleet/week/")
    away[1]["recording"] = "s3://fleet/week/m1*.csv"
    registry = write_registry(folder / "s3.csv", away)
    # In processes of their own, as a command does.
    assert run_fleet(registry, folder / "results").judged == 4
    assert checks(folder / "results") == whole
    away[2]["recording"] = "s3://fleet/week/none.csv"
    away[3]["recording"] = "s3://no-such-bucket/m3.csv"
    run_fleet(write_registry(folder / "s3.csv", away), folder / "results", engine=here)
    assert set(reasons(folder / "results")) == {"M-0002", "M-0003"}
    assert not rows_of(folder / "results").reason_text.astype("string").str.contains("Traceback").any()
