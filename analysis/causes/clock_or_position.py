"""The clock, its zone, or the position in the settings is wrong."""

from analysis.diagnosis import Explanation

_CLOCK = (
    "Compare the machine's clock with a watch, then the time zone of the source and the longitude in the settings. "
    "Nothing need be opened."
)

EXPLANATION = Explanation(
    cause="clock-or-position",
    priors={"clock-suspect": 0.8, "facing-suspect": 0.1, "instrument-unheard": 0.1},
    expects={"each_day": (1.0, 0.2), "both_ends": (0.0, 0.25), "never": (0.0, 0.25), "alike": (0.9, 0.4)},
    next_check={
        "clock-suspect": _CLOCK,
        "facing-suspect": _CLOCK,
        "instrument-unheard": (
            "It falls silent at the same end of each day: compare the time zone of its source in the settings with the "
            "instrument's own clock. Where they agree, see whether it sleeps in dim light. Nothing need be opened."
        ),
    },
)
