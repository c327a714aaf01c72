"""A bad joint, or resistance that has grown in the run."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="series-resistance",
    priors={"array-dead": 0.1, "yield-shortfall": 0.1, "loop-resistance": 0.5},
    expects={
        "volts_share": (0.97, 0.04),
        "trickle": (0.025, 0.015),
        "below_need": (0.0, 0.15),
        "by_volts": (0.9, 0.3),
        "covered": (0.0, 0.25),
        "heavy_minus_light": (0.8, 0.5),
        "cable_share": (0.9, 0.3),
        "growth": (1.0, 0.9),
    },
    next_check={
        "array-dead": (
            "Full volts and no current: a joint that passes volts to a meter may pass no current. Read the volts while "
            "the controller tries to draw; where they collapse, the joint lies before. Array wires are live in any "
            "light: open the DC isolator or cover the modules before parting a plug."
        ),
        "yield-shortfall": (
            "Meter from the module end to the controller at more than 3 A, then halve the run. Array wires are "
            "live in any light: open the DC isolator or cover the modules before parting a plug."
        ),
        "loop-resistance": (
            "With more than 3 A flowing, read the volts lost across each joint, the reachable and wet ones first:"
            " plug, lever, screw. A joint that is warm to the hand is the one. Array wires are live in any light:"
            " open the DC isolator or cover the modules before parting a plug. An arc does not go out by itself."
        ),
    },
)
