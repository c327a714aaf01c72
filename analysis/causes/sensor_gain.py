"""The two meters at the ends of the run disagree."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="sensor-gain",
    priors={"loop-resistance": 0.06},
    expects={"growth": (0.0, 0.15), "intercept": (0.5, 0.3)},
    next_check=(
        "With the circuit open and no current, both meters should read the same volts. Compare them with a hand meter."
    ),
)
