"""The check of the clamps: its question, its thresholds and what it refuses."""

from __future__ import annotations

from pqcheck.vet.check_definition import (
    CHOSEN,
    CURRENTS,
    POWERS,
    PRACTICE,
    REGISTERS,
    UNBALANCE,
    Check,
    Refusal,
    Threshold,
    thresholds,
)

SIGNIFICANT_PERCENT = Threshold(
    15, "% of the 95th percentile", CHOSEN,
    "Intervals with less load per phase are not looked at: their angles are noise, capacitors or magnetising current."
)
LEGS_STAND = Threshold(0.4, "1", CHOSEN,
                       "Lowest over highest voltage to neutral below which a lead is off; a high leg makes 0.58.")
LINES_STAND = Threshold(0.7, "1", CHOSEN, "The same of the voltages between lines.")
FEWEST_POINTS = Threshold(8, "1", CHOSEN, "Points with load needed to judge the clamps.")
MOST_POINTS = Threshold(2000, "1", CHOSEN, "Points looked at; more change nothing.")
PLAUSIBLE_LOW = Threshold(-40, "degrees", CHOSEN,
                          "Angles of a phase that a right connection explains (lagging positive), lower edge.")
PLAUSIBLE_HIGH = Threshold(70, "degrees", CHOSEN, "The same, upper edge: power factor 0.34.")
PLAUSIBLE_SPREAD = Threshold(
    90, "degrees", CHOSEN,
    "Largest difference between phases that a right connection explains; a resistive load between two phases makes 60."
)
ORDINARY_LOW = Threshold(-15, "degrees", PRACTICE, "Angles of ordinary loads, lower edge: power factor 0.97 leading.")
ORDINARY_HIGH = Threshold(45, "degrees", PRACTICE, "The same, upper edge: power factor 0.71 lagging.")
LOAD_ANGLES = Threshold((-32, 65), "degrees", PRACTICE,
                        "Angles that loads have at all: power factor 0.85 leading to 0.42 lagging.")
EDGE = Threshold(8, "degrees", CHOSEN, "How far beyond them a wiring is still named beside another of as few mistakes.")
LOADS_APART = Threshold(
    75, "degrees", CHOSEN,
    "How far the angles of the phases may be apart under a wiring; single-phase loads between lines make 60."
)
LOADS_ALIKE = Threshold(40, "degrees", CHOSEN, "Up to here they are alike, and a wiring may be proposed.")
SLACK = Threshold(15, "degrees", CHOSEN, "Slack for noise when counting the intervals that a wiring explains.")
STEADY_SHARE = Threshold(0.95, "1", CHOSEN, "Share (by load) from which a state counts as permanent.")
HELD_SHARE = Threshold(0.9, "1", CHOSEN, "Share of the load that a wiring must explain to be named.")
NOISY_JUMP = Threshold(40, "degrees", CHOSEN,
                       "Median jump of the angle from point to point beyond which nothing is said.")
FORWARD_ANGLE = Threshold(
    98, "degrees", CHOSEN,
    "Up to here a phase may still import: a capacitor or an unloaded transformer alone stands at 90."
)
CONSTANT_LOAD = Threshold(
    0.1, "1", CHOSEN, "Relative variation of the load below which a constant reactive part cannot be told from a fault."
)
FEED_IN_SHARE = Threshold(0.05, "1", CHOSEN,
                          "Share of the load in which all phases import, from which a wiring with feed-in is seen.")
BACKFLOW_SHARE = Threshold(0.02, "1", CHOSEN,
                           "Share of loaded points with negative active power up to which nothing flows back.")
BACKGROUND_SCATTER = Threshold(0.5, "1", CHOSEN,
                               "Relative variation of Q over that of the load below which Q counts as constant.")
ALIKE_SPREAD = Threshold(40, "degrees", CHOSEN,
                         "Capacitors and magnetising current turn all phases alike, within this.")
DROP_FEWEST = Threshold(40, "1", CHOSEN, "Changes needed to ask the voltage drops.")
DROP_NEGATIVE = Threshold(
    0.5, "1", CHOSEN, "How far a resistance may seem negative beside the reactance, by coupling through the neutral."
)
DROP_NEGATIVE_DELTA = Threshold(
    0.1, "1", CHOSEN, "How far resistance or reactance may seem negative beside the other where there is no neutral."
)
DROP_EXPLAINED = Threshold(0.3, "1", CHOSEN, "Share of the voltage changes that the right wiring must explain.")
DROP_CLEAR = Threshold(0.2, "1", CHOSEN, "By how much more than any other wiring.")
DROP_COLLINEAR = Threshold(0.05, "1", CHOSEN,
                           "Directions of P and Q that hardly vary beside the main one are left out of the fit.")
BACKGROUND_SHARE = Threshold(0.5, "1", CHOSEN, "Share of Q that does not follow P from which it counts as background.")
MOST_MISTAKES = Threshold(1, "1", CHOSEN, "A wiring of more mistakes is named and never proposed.")
STEADY_ANGLE = Threshold(
    25, "degrees", CHOSEN,
    "Middle 80 % of an angle over time; one that moves more has a constant reactive part, and nothing is proposed."
)
FULL_SHARE = Threshold(
    0.6, "1", "derived: unequal loads leave 0.87 of it, unequal angles little less",
    "Total apparent power over V x I below which a clamp is doubted where only totals were recorded."
)
STEP_POINTS = Threshold(20, "1", CHOSEN, "Points after which a change counts as lasting.")
NEGATIVE_RATIO = Threshold(0.2, "1", CHOSEN, "P/(V I) below minus this is power against the arrow.")
HEALTHY_RATIO = Threshold(0.3, "1", CHOSEN, "P/(V I) of every phase from which nothing is doubted when Q is missing.")
RATIO_SCATTER = Threshold(0.2, "1", CHOSEN, "Scatter of P/(V I) up to which a wiring can be named.")
RATIO_MISFIT = Threshold(0.12, "1", CHOSEN, "Largest deviation of P/(V I) from that of a wiring.")
RESPONSE_FEWEST = Threshold(40, "1", CHOSEN, "Changes needed to see which current pulls which voltage.")
RESPONSE_CONDITION = Threshold(60, "1", CHOSEN,
                               "Condition number of the current changes beyond which they cannot be told apart.")
RESPONSE_CLEAR = Threshold(6, "standard errors", CHOSEN,
                           "How clearly the own voltage must answer more than the others.")
RESPONSE_OTHERS = Threshold(0.3, "1", CHOSEN,
                            "Share of the own answer beyond which the other voltages must not fall too.")
TOTAL_ZERO = Threshold(0.12, "1", "derived: swapped clamps give zero on a balanced load",
                       "Vector power over V x I below which two clamps are swapped.")
TOTAL_MOST = Threshold(1.15, "1", PRACTICE, "Vector power over V x I above which a ratio or unit is wrong.")
TOTAL_STEADY = Threshold(0.15, "1", CHOSEN, "Relative width of a small share that is a ratio and no swap.")
TOTAL_WITHIN = Threshold(
    0.1, "1", "derived: one reversed clamp of a balanced load leaves one third",
    "Distance from one third (one reversed clamp of three) that counts; half of it from 0.577 (two elements)."
)

WRONG_ANGLES = (
    Refusal(("active_power", "reactive_power", "power_factor", "displacement_power_factor"), "power",
            "Sign and angle of the power of these phases are wrong; voltage, current magnitude and distortion are "
            "not."),
    Refusal(POWERS, "total", "The totals contain these phases."),
    Refusal(REGISTERS, "total", "Registers add up the wrong powers."),
)
"""What falls with the angles of the powers."""

WRONG_NAMES = Refusal(CURRENTS, "same", "The currents stand under each other's names.")

CHECK = Check(
    name="polarity",
    question="Are the clamps on the right conductors, with the arrow to the load?",
    looks_at="Active and reactive power of every phase where there is load.",
    how="A wrong clamp turns the angle of the power of its phase by a multiple of 60 degrees, and no two of the 47 "
        "possible faults turn all three angles alike (table in docs/method/soundness.md); two crossed voltage leads "
        "turn them the other way than two swapped clamps. Angles that no right connection explains are held against "
        "all of them, fewest mistakes first; a correction is proposed only where no other wiring of as few mistakes "
        "leaves angles that loads have. Constant capacitors or magnetising current, export from "
        "declared generation, sites that really lead, and noise are told apart where the physics allows; where it does "
        "not, the pair is named and nothing is refused. Where the voltages answer clearly to their own or to another "
        "current, that settles it.",
    example="Shown: clamp b reversed (power angles in degrees: a 27, b -153, c 25).",
    codes={
        "reversed-current": "A clamp is reversed",
        "swapped-currents": "Two clamps are swapped",
        "rotated-currents": "The set of clamps is rotated",
        "leads-crossed": "Two voltage leads are crossed",
        "wiring-ambiguous": "Two explanations",
        "wiring-unclear": "Unusual angles",
        "sign-changes": "Power flows both ways",
        "export": "Export, as declared",
        "reactive-background": "Constant reactive part",
        "channels-crossed": "Voltages answer to other currents",
        "corrected": "Right after signed corrections",
        "own-phase": "Voltages answer to their own currents",
        "load-too-small": "Too little load to see",
        "totals-only": "Only totals were recorded",
    },
    refuses={
        **dict.fromkeys(("reversed-current", "wiring-ambiguous", "wiring-unclear", "sign-changes", "channels-crossed"),
                        WRONG_ANGLES),
        **dict.fromkeys(("swapped-currents", "rotated-currents"), (*WRONG_ANGLES, WRONG_NAMES)),
        "leads-crossed": (*WRONG_ANGLES, Refusal(UNBALANCE, "all", "Sequence components swap with the order.")),
    },
    thresholds=thresholds(globals()),
)
