"""A substring out of work: its bypass diode conducts or has failed."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="bypassed-substring",
    priors={"array-dead": 0.07, "yield-shortfall": 0.08},
    expects={
        "below_need": (1.0, 0.15),
        "by_drawing": (0.0, 0.15),
        "by_volts": (1.0, 0.2),
        "covered": (0.0, 0.25),
        "evenness": (1.0, 0.25),
        "hours_spread": (0.15, 0.25),
        "recurs": (0.0, 0.25),
        "suddenness": (1.0, 0.25),
        "substring_share": (0.0, 0.04),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "Wipe the modules first: droppings on one look just like it. If nothing changes, compare the open-circuit "
        "volts of alike modules in the same minute. Array wires are live in any light: open the DC isolator or cover "
        "the modules before parting a plug."
    ),
)
