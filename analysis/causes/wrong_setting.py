"""The settings say other than what is fitted: power or number of modules, how they face, a source's line or fields."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wrong-setting",
    priors={"yield-excess": 0.4, "instrument-unheard": 0.15, "facing-suspect": 0.6},
    expects={
        "each_day": (0.0, 0.2),
        "never": (1.0, 0.2),
        "alike": (0.4, 0.5),
        "excess_alike": (0.0, 0.3),
        "sky_share": (0.0, 0.25),
        "second_share": (0.0, 0.25),
        "hours_apart": (0.2, 0.4),
        "beam_over_grey": (0.0, 0.3),
        "count_apart": (0.03, 0.1),
    },
    next_check={
        "yield-excess": (
            "Count the modules and read the label on the back of one: power, number in series and in parallel must "
            "stand so in the settings. Then run 'noonmark check': cable and fuse may have been chosen for fewer amps "
            "than flow."
        ),
        "facing-suspect": (
            "Lay a level and a compass on the modules' frame, away from iron, and compare with tilt and azimuth in the "
            "settings: azimuth counts clockwise from true north, 180 is south. "
            "At sea, wait for calm before you go on deck."
        ),
        "instrument-unheard": (
            "Run 'noonmark listen' on its line and compare what it sends with the source in the settings: line, speed, "
            "address, and the field of each channel. Nothing need be opened."
        ),
    },
)
