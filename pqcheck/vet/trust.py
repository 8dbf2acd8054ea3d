"""What an unsound channel still supports. Judging takes back verdicts that rest on it; nothing here judges."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from pqcheck.model.verdict import Verdict


class Trust(Struct, frozen=True):
    """A doubt about part of the recording, as data.

    For the `quantities` and `phases` (empty = all phases) from `start_us` to `end_us` (half-open UTC microseconds,
    None = open to that side) nothing may be concluded, or, with `allows` = "lower bound", the values may prove a fail
    but never a pass. `code` is the reason code, `text` the sentence with the numbers, `advice` what would settle it.
    A fail already proven by trusted values or by lower bounds stays. `orders` narrows the doubt to single harmonic
    orders (empty = the whole quantity), `readings` to minimum or maximum columns (empty = all). `verdict` is what a
    verdict that rests on it becomes: refused, or inconclusive where only the question is open.
    """

    quantities: tuple[str, ...]
    phases: tuple[str | None, ...]
    start_us: int | None
    end_us: int | None
    allows: Literal["nothing", "lower bound"]
    code: str
    text: str
    advice: str
    orders: tuple[int, ...] = ()
    verdict: Verdict = Verdict.REFUSED
    readings: tuple[str, ...] = ()
    recorded_us: int | None = None
    """Interval that the values really are of, where rules of its multiples may rest on them."""

    def concerns(
        self, quantity: str, phase: str | None, order: int | None = None, reading: str = "mean"
    ) -> bool:
        """Whether the doubt reaches this quantity, phase, order (None = the quantity as a whole) and reading."""
        if self.readings and reading not in self.readings:
            return False
        if quantity not in self.quantities or (self.phases and phase not in self.phases):
            return False
        return not self.orders or order in self.orders

    def overlaps(self, start_us: int, end_us: int) -> bool:
        """Whether the doubt reaches into the half-open span."""
        after = self.end_us is None or start_us < self.end_us
        before = self.start_us is None or self.start_us < end_us
        return after and before
