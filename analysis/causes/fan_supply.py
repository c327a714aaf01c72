"""The fan has lost its supply."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="fan-supply",
    priors={"fan-ineffective": 0.25, "controller-throttled": 0.15},
    expects={"jump": (1.0, 0.3), "has_fan": (1.0, 0.15), "ceiling_kept": (0.0, 0.3)},
    next_check=(
        "Read the volts at the fan's own plug. If there are none, look at its fuse, its switch, and the output that "
        "feeds it. One pole at a time, insulated tool; a heatsink may be hot."
    ),
)
