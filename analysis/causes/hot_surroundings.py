"""The air that the box breathes is warm."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="hot-surroundings",
    priors={"enclosure-over-temperature": 0.4, "controller-throttled": 0.3},
    expects={"warm_air": (1.0, 0.4)},
    next_check=(
        "Read a thermometer beside the box at the hottest hour, open a hatch, and read it again. "
        "The box itself stays shut."
    ),
)
