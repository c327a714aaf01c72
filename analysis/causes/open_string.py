"""One of the parallel strings gives nothing."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="open-string",
    priors={"array-dead": 0.2, "yield-shortfall": 0.08},
    expects={
        "volts_share": (0.0, 0.15),
        "below_need": (0.0, 0.15),
        "covered": (0.0, 0.25),
        "evenness": (1.0, 0.25),
        "suddenness": (1.0, 0.25),
        "string_share": (0.0, 0.05),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "Clamp meter round each string's wire in the same minute of sun: one reads nothing. Array wires are "
        "live in any light: open the DC isolator or cover the modules before parting a plug."
    ),
)
