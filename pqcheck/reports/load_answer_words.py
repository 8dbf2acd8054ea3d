"""Wording of the answer of a load study: conditions, alternatives, spans of inputs."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.loads.answer import Answer
from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import VariantRow
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_words import Table

ANSWER_WORDS = {Verdict.PASS: "MAY GO IN", Verdict.FAIL: "MAY NOT GO IN", Verdict.INCONCLUSIVE: "NOT SHOWN"}


def answer_lines(answer: Answer) -> Iterator[str]:
    """Conditions and what is not known, one sentence each."""
    for words in answer.conditions:
        yield f"Condition: {words}."
    for words in answer.unknown:
        yield f"Not known: {words}."


def variant_table(study: LoadStudy) -> Table:
    """One row for each alternative."""
    heads = ["alternative", "answer", "fail", "open", "tightest", "at worst", "what would have to be true"]
    return heads, [
        [
            row.name, ANSWER_WORDS[Verdict(row.verdict)], str(row.failing), str(row.open), row.decides,
            left_words(row), row.needed or "-",
        ]
        for row in study.variants
    ]  # fmt: skip


def band_sentences(study: LoadStudy) -> Iterator[str]:
    """What the span of each input does, and the one to pin down first."""
    for place, row in enumerate(study.band):
        does = "makes no further bound fail"
        if row.turned:
            does = f"makes {row.turned} more bound{'' if row.turned == 1 else 's'} fail"
        left = "" if row.margin_percent is None else f", the tightest with {row.margin_percent:.3g} % of the limit left"
        first = "Pin down first: " if place == 0 and row.turned else ""
        yield f"{first}{row.input} ({row.at}) {does}{left}."


def resonance_table(study: LoadStudy) -> Table:
    """One row for each step of a bank and end of the span, sharpest first."""
    return ["capacitors", "short-circuit current", "resonance at order", "worst order", "amplified", "impedance"], [
        [
            row.banks, row.supply, f"{row.order:.2f}", str(row.worst_order), f"{row.amplification:.3g} times",
            f"{row.impedance:.4g} ohm",
        ]
        for row in study.resonances
    ]  # fmt: skip


def transformer_sentence(study: LoadStudy) -> str:
    """The smallest standard transformer that holds, and why the smaller one does not."""
    choice = study.transformer
    if choice is None:
        return ""
    small = "".join(f" {reason}." for reason in choice.too_small)
    if choice.size_va is None:
        return f"Transformer: no standard size considered here holds.{small}"
    size = f"{choice.size_va / 1000:g} kVA"
    if choice.k_factor is None:
        rating = "no orders were recorded, so no K rating can be given"
    elif choice.k_rating is None:
        rating = f"K-factor {choice.k_factor:.2f}, beyond the standard K ratings"
    else:
        rating = f"K rating {choice.k_rating} (K-factor {choice.k_factor:.2f} of the worst winding at worst)"
    proven = "" if choice.proven else " The record does not show the largest demand, so a larger one may be needed."
    return f"Transformer: {size} is the smallest standard size that holds, {rating}.{small}{proven}"


def left_words(row: VariantRow) -> str:
    """What the bound of the tightest criterion leaves."""
    if row.margin_percent is None:
        return "without a margin"
    side = "left" if row.margin_percent >= 0 else "beyond the limit"
    return f"{abs(row.margin_percent):.3g} % {side} at worst"
