"""Checks in threads, in an event loop and in processes started each way give what one check alone gives."""

from __future__ import annotations

import asyncio
import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pytest

from pqcheck import check
from tests.test_each import SITE, write_week


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str, str]:
    """A CSV file, the same as Parquet, and the site file."""
    pandas = pytest.importorskip("pandas")
    write_week(tmp_path / "week.csv", 60)
    pandas.read_csv(tmp_path / "week.csv").to_parquet(tmp_path / "week.parquet", row_group_size=200)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return str(tmp_path / "week.csv"), str(tmp_path / "week.parquet"), str(tmp_path / "site.toml")


def judged(recording: str, site: str) -> str:
    return check(recording, site).to_json()


def test_eight_threads(files: tuple[str, str, str]) -> None:
    csv, parquet, site = files
    alone = {name: judged(name, site) for name in (csv, parquet)}
    with ThreadPoolExecutor(8) as pool:
        together = [(name, pool.submit(judged, name, site)) for name in (csv, parquet) * 8]
        assert all(result.result() == alone[name] for name, result in together)


def test_an_event_loop(files: tuple[str, str, str]) -> None:
    csv, parquet, site = files

    async def all_of_them() -> list[str]:
        inside = judged(csv, site)
        beside = await asyncio.gather(*(asyncio.to_thread(judged, name, site) for name in (csv, parquet) * 4))
        return [inside, *beside]

    results = asyncio.run(all_of_them())
    expected = [judged(name, site) for name in (csv, *(csv, parquet) * 4)]
    assert results == expected


@pytest.mark.parametrize("start", multiprocessing.get_all_start_methods())
@pytest.mark.filterwarnings("ignore:.*use of fork.*:DeprecationWarning")
def test_processes_after_a_check_in_their_parent(start: str, files: tuple[str, str, str]) -> None:
    csv, parquet, site = files
    alone = [judged(name, site) for name in (csv, parquet)]
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context(start)) as pool:
        assert list(pool.map(judged, (csv, parquet) * 2, [site] * 4)) == alone * 2
