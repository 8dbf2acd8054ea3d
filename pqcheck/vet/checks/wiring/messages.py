"""The sentences about clamps: a fault, an ambiguous pair, power that flows both ways, too little to say."""

from __future__ import annotations

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.checks.wiring.angles import Signature
from pqcheck.vet.checks.wiring.card import CHECK
from pqcheck.vet.kept_runs import Array, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Proposal, Subject
from pqcheck.vet.time_base import PHASES, Grid

MOST_RIVALS = 3
"""Other wirings named."""


def _degrees(middles: Array | None) -> str:
    if middles is None or middles.size != 3:
        return ""
    listed = ", ".join(f"{phase} {angle:.0f}" for phase, angle in zip(PHASES, middles, strict=True))
    return f" (power angles in degrees: {listed})"


def code_of(signature: Signature) -> str:
    """The reason code of a wiring fault."""
    if signature.crossed:
        return "leads-crossed"
    if signature.moved:
        return "swapped-currents" if len(signature.moved) == 2 else "rotated-currents"
    return "reversed-current"


def affected(signature: Signature) -> tuple[str, ...]:
    """Phases whose power is wrong."""
    return tuple(sorted({*signature.moved, *signature.backwards, *signature.crossed}))


def proposals(signature: Signature, why: str) -> tuple[Proposal, ...]:
    """Corrections that undo the fault, in the order in which they must be applied."""
    fixes: list[Proposal] = []
    if signature.crossed:
        return ()
    place = list(signature.source)
    for number, phase in enumerate(PHASES):
        if place[number] != phase:
            other = place.index(phase)
            fixes.append(Proposal("swap-currents", {"phases": (phase, PHASES[other])}, why))
            place[number], place[other] = place[other], place[number]
    # After the swaps a channel is named by its conductor; the arrow stays with the clamp.
    for channel in signature.backwards:
        conductor = signature.source[PHASES.index(channel)]
        fixes.append(Proposal("reverse-current", {"phase": conductor}, why))
    return tuple(fixes)


def _why(signature: Signature, rivals: tuple[Signature, ...]) -> str:
    others = f"; the numbers also fit: {'; '.join(rival.words() for rival in rivals[:MOST_RIVALS])}" if rivals else ""
    return signature.words() + others


def fault(
    signature: Signature,
    grid: Grid,
    *,
    likelihood: str,
    middles: Array | None,
    span: Extent | None = None,
    rivals: tuple[Signature, ...] = (),
    alternative: str = "",
    because: str = "",
    certain: bool = True,
) -> Outcome:
    """A wiring that no right connection explains: refused for the powers of the phases concerned."""
    phases = affected(signature)
    when = "" if span is None else " for part of the recording"
    text = f"{likelihood.capitalize()}: {signature.words()}{when}{_degrees(middles)}"
    if because:
        text += f"; {because}"
    if rivals:
        text += "; the numbers also fit: " + "; ".join(rival.words() for rival in rivals[:MOST_RIVALS])
    if alternative:
        text += f". Alternative: {alternative}"
    if signature.crossed:
        text += ". Exchange the two leads, or their columns"
    if len(signature.moved) == 3:
        text += ". Rotated voltage leads look the same"
    name = phases[0] if len(phases) == 1 else None
    return Outcome(
        CHECK, Verdict.REFUSED, f"current.{name}" if name else "current", "current", name,
        code=code_of(signature), text=text + ".",
        advice="Check the arrow and the phase of every clamp and lead on site or on the photos; then declare the "
               "correction with reason and author, or measure again.",
        likelihood=likelihood, spans=(span,) if span else (),
        subjects=(Subject("current", phases, start_us=span.start_us if span else None,
                          end_us=span.end_us if span and span.end_us < grid.end_us else None),),
        proposals=() if span or not certain else proposals(signature, _why(signature, rivals)),
        more={"offset." + phase: offset for phase, offset in zip(PHASES, signature.offsets, strict=True)},
    )


def ambiguous(
    signature: Signature, middles: Array | None, innocent: str, code: str = "wiring-ambiguous"
) -> Outcome:
    """Two explanations that the numbers cannot tell apart; both are named and no verdict is refused."""
    return Outcome(
        CHECK, Verdict.INCONCLUSIVE, "current", "current", code=code,
        text=f"Ambiguous{_degrees(middles)}: {innocent}, or {signature.words()}; the numbers alone cannot tell.",
        advice="Check the arrow and the phase of every clamp, compare kW with a handheld reading or the revenue meter, "
               "and declare generation if there is any.",
        subjects=(Subject("current", PHASES),),
        more={"offset." + phase: offset for phase, offset in zip(PHASES, signature.offsets, strict=True)},
    )


def reactive_background(middles: Array) -> Outcome:
    """Unusual angles that a constant reactive part explains: a note."""
    mean = float(middles.mean())
    side = "leading" if mean < 0 else "lagging"
    return Outcome(
        CHECK, Verdict.PASS, "current", "current", code="reactive-background",
        text=f"The power stands at about {abs(mean):.0f} degrees {side} because of a constant reactive part "
             "(capacitors or magnetising current); nothing speaks against the wiring.",
        advice="Nothing to do; keep the photos of arrows and phases.",
    )


def export_seen(share: float, phase: str | None = None) -> Outcome:
    """Power flows back part of the time and generation is declared: nothing to doubt."""
    name = f"current.{phase}" if phase else "current"
    return Outcome(
        CHECK, Verdict.PASS, name, "current", phase, code="export",
        text=f"Power flows back into the supply for part of the time (import in {100 * share:.0f} % by weight), as "
             "the declared generation explains.", advice="Nothing to do.",
    )


def mixed(active: Array, generation: bool, grid: Grid, points: Array, phase: str | None = None) -> Outcome:
    """Angles that change with time in a way no single wiring explains."""
    name = f"current.{phase}" if phase else "current"
    back = np.asarray((active < 0).any(axis=0))
    share = float(back.mean())
    if generation:
        return export_seen(1 - share, phase)
    if share < 0.05:
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "current", phase, code="wiring-unclear",
            text="The power angles of the phases are unusual and change with the load; no single wiring fault explains "
                 "them, nor does an ordinary load.",
            advice="Compare kW and power factor of every phase with a handheld reading.",
            subjects=(Subject("current", PHASES if phase is None else (phase,)),),
        )
    starts, lengths = starts_and_lengths(back)
    spans = tuple(
        Extent(grid.time(int(points[start])), grid.time(int(points[start + length - 1])) + grid.step_us, length)
        for start, length in zip(starts[:50].tolist(), lengths[:50].tolist(), strict=True)
    )
    return Outcome(
        CHECK, Verdict.INCONCLUSIVE, name, "current", phase, code="sign-changes",
        text=f"Active power is negative for {100 * share:.0f} % of the loaded time and positive for the rest: energy "
             "really flows back, or a clamp was turned; no generation is declared.",
        advice="Declare [generation] if there is any; otherwise check the arrows.", spans=spans,
        subjects=(Subject("current", PHASES if phase is None else (phase,)),),
    )


def too_little(phases: tuple[str, ...], noisy: bool = False) -> Outcome:
    """Not enough current to see anything."""
    return Outcome(
        CHECK, Verdict.INCONCLUSIVE if noisy else Verdict.NOT_APPLICABLE, "current", "current", code="load-too-small",
        text="The power angles jump at random: the clamps see too little current for them." if noisy else
             f"Too few intervals with load on {', '.join(phases)} to check the clamps.",
        advice="Look again when there is load, or use a smaller range.",
    )


def too_short(points: int) -> Outcome:
    """Powers were recorded, but in too few rows: nothing is sound that was not looked at."""
    return Outcome(
        CHECK, Verdict.INCONCLUSIVE, "current", "current", code="too-short-to-tell",
        text=f"Too short to tell: clamps not checked, {points} row{'s' if points != 1 else ''} with powers are too "
             f"few.",
        advice="Record rows of at most 1 min at hook-up and look again after ten minutes with load.",
    )
