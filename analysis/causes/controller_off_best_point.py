"""The controller does not find the array's best voltage."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="controller-off-best-point",
    priors={"array-dead": 0.15, "yield-shortfall": 0.05},
    expects={
        "volts_share": (0.97, 0.04),
        "trickle": (0.0, 0.006),
        "below_need": (0.0, 0.15),
        "by_volts": (0.9, 0.35),
        "covered": (0.0, 0.25),
        "evenness": (0.7, 0.5),
        "hours_spread": (0.4, 0.35),
        "recurs": (0.0, 0.25),
        "suddenness": (0.8, 0.4),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "In steady sun read the array's volts at the controller: they should be about nine tenths of the modules' Vmp "
        "times the number in series. If they lie far off, switch the controller off and on again: off in the order "
        "loads, array, bank; on in the order bank, array, loads. Array wires are live in any light: use the isolators, "
        "part no plug."
    ),
)
