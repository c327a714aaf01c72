"""The clock, its zone, or the position in the settings is wrong."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="clock-or-position",
    priors={"clock-suspect": 0.8, "facing-suspect": 0.1},
    next_check=(
        "Compare the machine's clock with a watch, then the time zone of the source and the longitude in the settings. "
        "Nothing need be opened."
    ),
)
