"""One of the parallel strings gives nothing."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="open-string",
    priors={"array-dead": 0.2, "yield-shortfall": 0.08},
    expects={
        "volts_share": (0.0, 0.15),
        "trickle": (0.0, 0.006),
        "below_need": (0.0, 0.15),
        "by_volts": (0.0, 0.15),
        "covered": (0.0, 0.25),
        "evenness": (1.0, 0.25),
        "hours_spread": (0.15, 0.25),
        "recurs": (0.0, 0.25),
        "suddenness": (1.0, 0.25),
        "string_share": (0.0, 0.05),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "Put a DC clamp meter round one wire of each string in the same minute of sun: the open one reads nothing, and "
        "nothing need be parted. Array wires are live in any light: open the DC isolator or cover the modules before "
        "parting a plug."
    ),
)
