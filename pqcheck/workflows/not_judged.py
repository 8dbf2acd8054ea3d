"""A recording that cannot be judged at all, as a finding of its own: it says why and judges nothing."""

from __future__ import annotations

from pqcheck.model.findings import Finding, Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.model.verdict import Verdict

_RULES = {
    "unreadable": ("readable", "{name} can be read"),
    "doubled": ("named-once", "{name} is named once"),
    "no-recording": ("present", "{name} has a recording"),
}
"""By reason code: the id of what was asked of the recording, and its title."""


def not_judged(code: str, why: str, name: str) -> Finding:
    """A refused finding of kind recording; `code` is one of unreadable, doubled, no-recording, `why` its sentence."""
    rule, title = _RULES[code]
    text, advice = sentence(code, sentence=why)
    return Finding(
        kind="recording",
        table="recording",
        rule=rule,
        clause="",
        title=title.format(name=name),
        quantity=None,
        phase=None,
        order=None,
        verdict=Verdict.REFUSED,
        reason=Reason(code, text, advice),
    )
