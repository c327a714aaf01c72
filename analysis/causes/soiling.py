"""Dirt, salt or droppings that take the same share at all hours."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="soiling",
    priors={"yield-shortfall": 0.15},
    expects={
        "by_volts": (0.0, 0.25),
        "covered": (0.0, 0.25),
        "evenness": (1.0, 0.25),
        "hours_spread": (0.15, 0.25),
        "recurs": (0.0, 0.25),
        "beam_minus_grey": (0.0, 0.35),
        "heavy_minus_light": (0.0, 0.35),
        "suddenness": (0.1, 0.35),
        "slid": (0.1, 0.35),
        "sister_loss": (0.5, 0.5),
        "creep": (0.9, 0.5),
        "washed": (0.8, 0.5),
    },
    next_check=(
        "Wash the array with fresh water in the cool of the day, for cold water can crack hot glass, and write it in "
        "the logbook: the next clear day shows what it brought. Wait for calm; a wet deck is slippery."
    ),
)
