"""A plug, a cable or the supply of the instrument."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wiring-error",
    priors={"array-dead": 0.15, "instrument-unheard": 0.6},
    expects={"volts_share": (0.0, 0.15), "below_need": (0.0, 0.15)},
    next_check={
        "instrument-unheard": (
            "See whether the instrument has power, then push its plug home at both ends. The data line carries no"
            " array volts; leave the array's plugs alone."
        ),
        "array-dead": (
            "Read the volts at the controller's input, then at the array's side of its isolator: where they return, the"
            " gap lies between. Array wires are live in any light: open the DC isolator or cover the modules before"
            " parting a plug."
        ),
    },
)
