"""For pytest: a fixture that asserts, and the day that counts for waivers, given on the command line.

Installed with the package; the fixture is there without an import::

    def test_filter(pqcheck_passes):
        pqcheck_passes(simulate(), "site/weak-grid.toml", margin=5)

``pytest --pqcheck-as-of 2031-04-01`` hands in the day; nothing asks the clock.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pqcheck.model.findings import Findings

_OPTION = "--pqcheck-as-of"


def pytest_addoption(parser: pytest.Parser) -> None:
    """The day that counts."""
    group = parser.getgroup("pqcheck", "power quality of designs")
    group.addoption(_OPTION, metavar="DATE", default=None, type=_day, help="the day that counts for waivers and tables")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise pytest.UsageError(f"{_OPTION} {text!r} is not a date; write one such as 2031-03-04") from None


@pytest.fixture(scope="session")
def pqcheck_as_of(request: pytest.FixtureRequest) -> date | None:
    """The day given with ``--pqcheck-as-of``; None without one."""
    day: date | None = request.config.getoption(_OPTION)
    return day


@pytest.fixture
def pqcheck_passes(pqcheck_as_of: date | None) -> Callable[..., Findings]:
    """`pqcheck.testing.assert_passes`, with the day of the command line where none is given."""
    from pqcheck.testing import assert_passes

    def passes(recording: Any, site: Any, tables: Any = None, **options: Any) -> Findings:
        __tracebackhide__ = True
        return assert_passes(recording, site, tables, **{"as_of": pqcheck_as_of, **options})

    return passes
