"""A key of the settings file does not say what is built."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wrong-setting",
    priors={"facing-suspect": 0.6},
    next_check=(
        "Lay a level and a compass on the modules' frame, away from iron, and compare with tilt and azimuth in the "
        "settings: azimuth counts clockwise from true north, 180 is south. "
        "At sea, wait for calm before you go on deck."
    ),
)
