"""Is the recording itself sound: findings about it, and `Trust` as data (docs/method/soundness.md)."""

from __future__ import annotations

from dataclasses import dataclass

from pqcheck.findings import Finding
from pqcheck.recording import Block, Recording
from pqcheck.site.model import Site
from pqcheck.vetting.trust import Trust

__all__ = ["Trust", "Vetted", "Vetting"]


@dataclass(frozen=True)
class Vetted:
    """What vetting found: findings of kind recording and safety, the doubts judging obeys, lines for people."""

    findings: tuple[Finding, ...]
    trust: tuple[Trust, ...]
    remarks: tuple[str, ...]


class Vetting:
    """Collects what the checks need during one pass over the data, then runs them.

    Call `feed` once per block, streams in any order, blocks of a stream in time order, values already corrected.
    """

    def __init__(self, recording: Recording, site: Site) -> None:
        self._recording = recording
        self._site = site

    def feed(self, stream_number: int, block: Block) -> None:
        """Take what is needed from a block; nothing of its arrays is kept."""

    def finish(self) -> Vetted:
        """Run the checks."""
        return Vetted((), (), ())
