"""A meter of volts or amps is off by a factor: its shunt, its scale, or one of two at the ends of a run."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="sensor-gain",
    priors={"loop-resistance": 0.06, "yield-excess": 0.2},
    expects={
        "growth": (0.0, 0.15),
        "intercept": (0.5, 0.3),
        "excess_alike": (0.0, 0.3),
        "sky_share": (0.0, 0.25),
        "second_share": (1.0, 0.3),
        "hours_apart": (0.2, 0.4),
        "beam_over_grey": (0.0, 0.3),
    },
    next_check={
        "loop-resistance": (
            "With the circuit open and no current, both meters should read the same volts. Compare them with a hand "
            "meter. Array wires are live in any light: touch test points alone."
        ),
        "yield-excess": (
            "Close a DC clamp meter round one conductor of the array in steady sun and compare it with the amps shown; "
            "then look at the unit and scale of that channel in the settings. Nothing need be parted; the wires are "
            "live in any light."
        ),
    },
)
