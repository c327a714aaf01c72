"""The controller does not find the array's best voltage."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="controller-off-best-point",
    priors={"array-dead": 0.15, "yield-shortfall": 0.05},
    expects={
        "volts_share": (0.97, 0.04),
        "below_need": (0.0, 0.15),
        "covered": (0.0, 0.25),
        "evenness": (0.7, 0.5),
        "suddenness": (0.8, 0.4),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "Compare the array's volts with the datasheet's Vmp, warm, in steady sun; then note whether a pause "
        "by its own isolator cures it. Order off: loads, array, bank."
    ),
)
