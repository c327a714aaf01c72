"""The light sensor reads wrong, or it and the arrays do not see the same sky."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="irradiance-sensor",
    priors={"yield-shortfall": 0.1, "yield-excess": 0.25, "sensor-suspect": 0.8, "facing-suspect": 0.3},
    expects={
        "covered": (0.0, 0.25),
        "sister_loss": (1.0, 0.2),
        "evenness": (1.0, 0.4),
        "excess_alike": (1.0, 0.25),
        "sky_share": (1.0, 0.35),
        "second_share": (0.0, 0.25),
    },
    next_check=(
        "Wipe and level the light sensor and look for a shadow on it, then compare it with a clear noon. All arrays "
        "wrong together, and by as much, point to it. Nothing need be opened."
    ),
)
