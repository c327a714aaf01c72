"""A plug, a cable or the supply of the instrument."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="wiring-error",
    priors={"instrument-unheard": 0.6},
    next_check=(
        "See whether the instrument has power, then push its plug home at both ends. The data line carries no"
        " array volts; leave the array's plugs alone."
    ),
)
