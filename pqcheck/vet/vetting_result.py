"""The result of vetting a recording on its own."""

from __future__ import annotations

from msgspec import Struct

from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict, roll_up
from pqcheck.site.site_values import Correction
from pqcheck.vet.outcome import Proposal


class Examined(Struct, frozen=True):
    """What vetting says about a recording, with the corrections declared and those proposed.

    `not_read` is the sentence about what the question needs and was not read, empty where nothing is missing.
    """

    findings: Findings
    proposals: tuple[Proposal, ...]
    corrections: tuple[Correction, ...]
    not_read: str = ""

    @property
    def exit_status(self) -> ExitStatus:
        """0 sound, 3 something refused or open, 1 a danger sign."""
        signs = any(finding.kind == "safety" for finding in self.findings.findings)
        checked = [Verdict.FAIL if signs else Verdict.PASS, *(finding.verdict for finding in self.open_ + self.refused)]
        if self.not_read:
            checked.append(Verdict.INCONCLUSIVE)
        return exit_status(roll_up(checked))

    @property
    def refused(self) -> tuple[Finding, ...]:
        """Checks that found something that cannot be trusted."""
        return self._of(Verdict.REFUSED)

    @property
    def open_(self) -> tuple[Finding, ...]:
        """Checks that leave a question open."""
        return self._of(Verdict.INCONCLUSIVE)

    @property
    def notes(self) -> tuple[Finding, ...]:
        """Checks that passed and have something to say."""
        return tuple(finding for finding in self._of(Verdict.PASS) if finding.reason is not None)

    def _of(self, verdict: Verdict) -> tuple[Finding, ...]:
        recorded = (finding for finding in self.findings.findings if finding.kind == "recording")
        return tuple(finding for finding in recorded if finding.verdict is verdict)
