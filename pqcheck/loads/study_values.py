"""What a load study finds: frozen values in A, W, VA, var, Wh; instants as UTC microseconds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct, field

from pqcheck.model.findings import Reason


class Peak(Struct, frozen=True):
    """A largest mean and the half-open window it is the mean of, UTC microseconds."""

    value: float
    start_us: int
    end_us: int


class Maximum(Struct, frozen=True):
    """Largest demand of one quantity over one interval.

    `bounds` are given where the recording is coarser than the interval, or does not divide it: lower and upper bound of
    the largest mean over any such window. `upper` of a sliding maximum of readings as long as the interval.
    """

    quantity: str
    phase: str | None
    unit: str
    interval_s: float
    block: Peak | None = None
    sliding: Peak | None = None
    bounds: tuple[float, float] | None = None

    @property
    def largest(self) -> Peak | None:
        """The sliding maximum where there is one, else that of clock blocks."""
        return self.sliding or self.block


class Energy(Struct, frozen=True):
    """Energy of the recording. `hours` were seen; a register is the last minus the first reading."""

    import_wh: float | None = None
    export_wh: float | None = None
    reactive_varh: float | None = None
    hours: float = 0.0
    register_import_wh: float | None = None
    register_export_wh: float | None = None
    register_reactive_varh: float | None = None


class CurrentUnbalance(Struct, frozen=True):
    """Largest deviation of the phase currents from their mean, in percent of the mean."""

    at_peak: float
    """At the demand interval with the largest mean current."""
    at_peak_us: int
    high_load: float
    """The largest among the intervals with at least 80 % of that current."""


class ProfileHour(Struct, frozen=True):
    """One hour of one weekday of the profile; weekday 0 is Monday."""

    weekday: int
    hour: int
    mean: float
    largest: float
    count: int


class Seen(Struct, frozen=True):
    """How completely a series was recorded: intervals outside exclusions, those without a value, mere lower bounds."""

    quantity: str
    phase: str | None
    expected: int
    missing: int
    bounded: int
    steady: float | None = None
    """The one value that all of many readings have, A or VA."""


class Demand(Struct, frozen=True):
    """The demand study of one recording."""

    interval_s: float
    maxima: tuple[Maximum, ...]
    earliest: Mapping[str, float]
    """Mean current of the first demand interval, by phase: the loading when the recording began."""
    load_factor: float | None
    load_factor_of: str
    energy: Energy
    power_factor: float | None
    curve: tuple[tuple[float, float], ...]
    """Load duration curve: percent of time, demand that is reached or exceeded for it."""
    curve_of: str
    curve_unit: str
    profile: tuple[ProfileHour, ...]
    unbalance: CurrentUnbalance | None
    blocks: Mapping[str, Any]
    """Demand interval by demand interval: quantity (and phase) to float64 array; `blocks_start_us` is the first."""
    blocks_start_us: int
    longest_run_s: float
    """Longest span of current readings without a gap."""
    recorded_s: float
    """Time with current readings."""
    expected_s: float
    basis: tuple[str, ...] = ()
    """Sentences: how each quantity was formed."""
    exports: bool = False
    seen: tuple[Seen, ...] = ()
    extremes_only: tuple[str, ...] = ()
    """Currents of which only minimum or maximum columns were recorded."""

    def maximum(self, quantity: str, phase: str | None = None, interval_s: float | None = None) -> Maximum | None:
        """The maximum of a quantity over an interval (the study's own unless given)."""
        wanted = self.interval_s if interval_s is None else interval_s
        for maximum in self.maxima:
            if maximum.quantity == quantity and maximum.phase == phase and maximum.interval_s == wanted:
                return maximum
        return None

    def currents(self) -> dict[str, Maximum]:
        """The current maximum of every phase recorded, over the study's own interval; the neutral is not a phase."""
        return {
            maximum.phase: maximum
            for maximum in self.maxima
            if maximum.quantity == "current"
            and maximum.phase in ("a", "b", "c")
            and maximum.interval_s == self.interval_s
        }


class Capacity(Struct, frozen=True):
    """One rating against the largest demand, now and with the new load. `unit` A or VA.

    What feeds in is left out of `now`, `then` and what is spare; `with_feed_in` has it. Where the record leaves the
    demand open, `now` and `then` are the most it can be and `at_least` the least.
    """

    rating: str
    title: str
    phase: str | None
    unit: str
    limit: float
    now: float
    now_at_us: int
    then: float | None = None
    then_at_us: int | None = None
    at_least: float | None = None
    """The least of `then` (without new load: of `now`), where it is known between bounds only."""
    then_bounds: tuple[float, float] | None = None
    """Most with phase angles and the reaction of present loads unknown; the same with everything running at once."""
    with_feed_in: float | None = None
    """Largest demand while what feeds in runs, exported current included."""
    spare_va: float | None = None
    """The spare amperes as apparent power of that phase at nominal voltage."""
    note: str = ""
    winding: float | None = None
    """`now` as the line current that would load a delta winding as much, where the transformer may be one."""
    expected_limit: float | None = None
    """The limit with the spectrum that is expected, where `limit` is that of the spectrum at worst."""
    now_least: float | None = None
    """The least of `now`, where it is known between bounds only."""
    exported: float = 0.0
    """Nominal amperes of new feed-in, which flow out while nothing else runs."""
    doubt: Reason | None = None
    """Why the record does not show the largest demand; what is spare is then at most that."""
    direction: Reason | None = None
    """Why the angle of the current is not to be trusted: the bound takes no relief from it."""

    @property
    def spare(self) -> float:
        """What the rating leaves above the most the demand can be, A or VA; negative where it is exceeded."""
        most = self.now if self.then is None else max(self.now, self.then)
        strict = most if self.then_bounds is None else self.then_bounds[0]
        return self.limit - max(most, strict, self.with_feed_in or 0.0, self.winding or 0.0)


class CriterionRow(Struct, frozen=True):
    """One criterion, as measured and as predicted."""

    key: str
    table: str
    rule: str
    title: str
    channel: str
    period: str
    unit: str
    measured: float | None
    measured_verdict: str
    predicted: float | None
    predicted_verdict: str
    limit: str
    arithmetic: float | None = None
    arithmetic_verdict: str = ""
    no_diversity: float | None = None
    no_diversity_verdict: str = ""


class Room(Struct, frozen=True):
    """How much of the declared addition a criterion bears. `share` 1 is the addition as declared."""

    key: str
    title: str
    channel: str
    share: float
    apparent_va: float
    about: bool = False
    """Interpolated, not narrowed down: other criteria fail earlier."""
    at_least: bool = False
    """The criterion still held at the largest addition tried."""
    physics: bool = False
    """Beyond this the supply cannot deliver the power."""
    help: str = ""
    open: bool = False
    """What holds there is not proven: the criterion is open on the record, so the room may be smaller."""


class Growth(Struct, frozen=True):
    """One current criterion under the declared demand current and under one grown by the new load."""

    title: str
    channel: str
    unit: str
    measured: str
    declared: str
    grown: str
    value: float | None
    value_grown: float | None
    limit: str
    limit_grown: str
    break_even: str = ""
    """For which demand currents the prediction passes, as judging says it."""


class Resonance(Struct, frozen=True):
    """Banks and a supply in resonance: at which order, and the order of rectifiers that is amplified most by it."""

    banks: str
    supply: str
    order: float
    worst_order: int
    amplification: float
    """Current towards the supply over that of a load, and volts over those without the banks."""
    impedance: float
    """Of a phase at the worst order, ohm."""


class BandRow(Struct, frozen=True):
    """One input that is known as a span only: where it was tried, the bounds it makes fail, the least they leave."""

    input: str
    at: str
    turned: int
    margin_percent: float | None


class VariantRow(Struct, frozen=True):
    """The answer for one alternative: its verdict, the criterion that decides, what it has left at worst."""

    name: str
    verdict: str
    failing: int
    open: int
    decides: str
    """The tightest criterion: the first that fails, else the first that is open, else the one with the least left."""
    margin_percent: float | None
    """What the bound leaves of the limit there; negative beyond it."""
    needed: str
    """What would have to be true for it to pass; empty where it does."""


class Loading(Struct, frozen=True):
    """Harmonic loading of one winding of a transformer, from the spectrum of its high-load intervals."""

    when: str
    loss_factor: float
    stray_factor: float
    k_factor: float | None
    intervals: int
    threshold: float
    """High load: intervals with at least this current, in A."""
    phase: str
    missing_orders: tuple[int, ...]
    derated_va: float | None
    share: float | None
    basis: str


class Start(Struct, frozen=True):
    """What a start does to the voltage for a moment."""

    name: str
    current: float
    power_factor: float | None
    drop_percent: float
    lowest: float
    phase: str
    change_percent: float = 0.0
    """The relative voltage change d, percent of the nominal voltage."""
    pst: float | None = None
    """Short-term flicker of the declared number of starts, by the curve of Pst = 1."""
    lowest_at_load: float | None = None
    """At the end of the declared conductor, V."""
    running_drop_percent: float | None = None
    """Drop in the conductor while the load runs."""


class Motor(Struct, frozen=True):
    """Derating of motors for voltage unbalance."""

    when: str
    unbalance: float
    unbalance_at_us: int
    factor: float | None
    basis: str


class SpectrumBeforeAfter(Struct, frozen=True):
    """Mean-square spectrum of the high-load intervals: order to percent of nominal, or amperes, before and after."""

    quantity: str
    phase: str
    unit: str
    before: Mapping[int, float] = field(default_factory=dict)
    after: Mapping[int, float] = field(default_factory=dict)
