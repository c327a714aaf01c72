"""The array lies otherwise than the settings say: another tilt or bearing, or turned round."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wrong-orientation",
    priors={"yield-excess": 0.2},
    expects={
        "excess_alike": (0.2, 0.4),
        "sky_share": (0.0, 0.25),
        "second_share": (0.0, 0.25),
        "hours_apart": (1.4, 0.5),
        "beam_over_grey": (1.0, 0.5),
    },
    next_check=(
        "Lay a level and a compass, away from steel, on the array and compare tilt and bearing with the settings; on a "
        "vessel that swings the bearing counts from the bow. Nothing need be opened."
    ),
)
