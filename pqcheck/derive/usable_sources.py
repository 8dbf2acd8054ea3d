"""Which of the ways to obtain a quantity can serve a rule interval, best first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.derive.sources import SeriesSource


def usable(sources: Iterable[SeriesSource], rule_interval_us: int, also_us: Sequence[int] = ()) -> list[SeriesSource]:
    """Sources whose interval is the rule's, divides it, or is one of the intervals judged as recorded; best first.

    Exact before indicative before lower bound; then the interval recorded as the rule asks; then the coarsest.
    """
    strength = {"exact": 0, "indicative": 1, "lower bound": 2, "upper bound": 3}

    def suits(source: SeriesSource) -> bool:
        if source.interval_us == rule_interval_us or source.interval_us in also_us:
            return source.mean != "cubic"
        return (
            source.interval_us < rule_interval_us
            and rule_interval_us % source.interval_us == 0
            and (source.mean != "none")
        )

    chosen = [source for source in sources if suits(source)]
    chosen.sort(
        key=lambda source: (
            strength[source.exactness],
            source.interval_us != rule_interval_us,
            source.interval_us > rule_interval_us,
            -source.interval_us,
            source.stream,
        )
    )
    return chosen
