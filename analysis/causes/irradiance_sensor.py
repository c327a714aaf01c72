"""The light sensor reads too much, or it and the arrays do not see the same sky."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="irradiance-sensor",
    priors={"yield-shortfall": 0.1, "sensor-suspect": 0.8, "facing-suspect": 0.3},
    expects={"covered": (0.0, 0.25), "sister_loss": (1.0, 0.2), "evenness": (1.0, 0.4)},
    next_check=(
        "Wipe and level the light sensor, then compare it with a clear noon. All arrays short together point to it."
    ),
)
