"""The cable is thinner or longer than the drawing says."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="undersized-cable",
    priors={"loop-resistance": 0.15},
    expects={"growth": (0.0, 0.12), "intercept": (0.0, 0.3)},
    next_check=(
        "Read the section printed on the cable's sheath and pace out its length; compare both with the "
        "settings. Nothing need be opened."
    ),
)
