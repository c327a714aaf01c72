"""Snow, frost or ice on the modules."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="snow",
    priors={"yield-shortfall": 0.2},
    expects=(
        {"covered": (1.0, 0.15)},
        # Part of the array lies under it: what is free gives its share, evenly, until the rest slides off.
        {
            "covered": (0.0, 0.25),
            "frozen": (1.0, 0.15),
            "slid": (0.9, 0.3),
            "suddenness": (1.0, 0.35),
            "creep": (0.0, 0.3),
            "evenness": (0.9, 0.4),
            "hours_spread": (0.2, 0.25),
            "by_volts": (0.8, 0.45),
            "recurs": (0.0, 0.25),
            "beam_minus_grey": (0.0, 0.6),
            "sister_loss": (0.3, 0.5),
        },
    ),
    next_check=(
        "Look at the modules. Let the sun clear them, or sweep with a soft broom from where you can stand "
        "safely; never scrape or step on them."
    ),
)
