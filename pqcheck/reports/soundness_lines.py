"""What speaks against a recording, said once for the channels that share it."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import first_few
from pqcheck.model.verdict import Verdict


class SharedRemark(Struct, frozen=True):
    """One remark on the recording, and the channels it is about."""

    verdict: Verdict
    text: str
    advice: str
    channels: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The channels and what is said of them."""
        about = first_few(list(dict.fromkeys(channel for channel in self.channels if channel)))
        return f"{about}: {self.text}" if about else self.text


def shared_remarks(findings: Iterable[Finding]) -> list[SharedRemark]:
    """Remarks in their order; many channels share one fate: a hole in the file is said once, with those it touches."""
    folded: dict[tuple[Verdict, str], tuple[list[str], str]] = {}
    for finding in findings:
        text = finding.reason.text if finding.reason is not None else finding.title
        channel = "" if finding.channel == "-" or ":" in finding.channel else finding.channel.removesuffix(".mean")
        for prefix in (f"{channel}.mean: ", f"{channel}: "):
            text = text.removeprefix(prefix) if channel else text
        advice = finding.reason.advice if finding.reason is not None else ""
        folded.setdefault((finding.verdict, text), ([], advice))[0].append(channel)
    return [
        SharedRemark(verdict, text, advice, tuple(channels)) for (verdict, text), (channels, advice) in folded.items()
    ]
