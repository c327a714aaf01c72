"""The controller does not find the array's best voltage."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="controller-off-best-point",
    priors={"yield-shortfall": 0.05},
    expects={"covered": (0.0, 0.25), "evenness": (0.7, 0.5), "suddenness": (0.8, 0.4), "sister_loss": (0.0, 0.3)},
    next_check=(
        "Compare the array's volts with the datasheet's Vmp, warm, in steady sun; then note whether a pause "
        "by its own isolator cures it. Order off: loads, array, bank."
    ),
)
