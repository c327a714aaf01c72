"""What is fitted is not what the settings say: another power, another number of modules."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wrong-setting",
    priors={"yield-excess": 0.4},
    expects={
        "excess_alike": (0.0, 0.3),
        "sky_share": (0.0, 0.25),
        "second_share": (0.0, 0.25),
        "hours_apart": (0.2, 0.4),
        "beam_over_grey": (0.0, 0.3),
        "count_apart": (0.03, 0.1),
    },
    next_check=(
        "Count the modules and read the label on the back of one: power, number in series and in parallel must stand "
        "so in the settings. Then run 'noonmark check': cable and fuse may have been chosen for fewer amps than flow."
    ),
)
