"""For tests of designs: one assertion that fails with the findings, worst first.

Works with any test runner and imports none. For pytest there is a fixture, `pqcheck_passes` (`pqcheck.pytest_plugin`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Findings
from pqcheck.waivers.apply_waivers import Waiver

if TYPE_CHECKING:
    from pqcheck.workflows.run_gate import GateResult

MOST = 10
"""Findings listed in the message; the rest is counted."""


def assert_passes(
    recording: Any,
    site: Any,
    tables: Any = None,
    *,
    margin: Decimal | float | int | None = None,
    quantities: Iterable[str] | None = None,
    waivers: str | Path | Sequence[Waiver] | None = None,
    as_of: date | None = None,
    most: int = MOST,
) -> Findings:
    """Assert that everything asked is judged and passes (or is waived), with `margin` percent to spare.

    `recording` is whatever `pqcheck.check` takes: files, a `Recording`, arrays by header, a pandas table; `site` and
    `tables` likewise. Returns the findings. Raises `AssertionError` with the findings that fail or could not be judged,
    worst first and at most `most` of them; `PqcheckError` when it could not run at all.
    """
    __tracebackhide__ = True
    from pqcheck.workflows.run_gate import gate

    result = gate(recording, site, tables, margin=margin, quantities=quantities, waivers=waivers, as_of=as_of)
    if result.exit_status is not ExitStatus.PASSED:
        raise AssertionError(_message(result, most))
    return result.results[0]


def _message(result: GateResult, most: int) -> str:
    from pqcheck.reports.gate_text import answer_and_lines

    head, lines = answer_and_lines(result)
    more = [f"  {len(lines) - most} more"] if len(lines) > most else []
    return "\n".join([head, *(f"  {line}" for line in lines[:most]), *more])
