"""Snow, frost or ice on the modules."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="snow",
    priors={"yield-shortfall": 0.2},
    expects={"covered": (1.0, 0.15)},
    next_check=(
        "Look at the modules. Let the sun clear them, or sweep with a soft broom from where you can stand "
        "safely; never scrape or step on them."
    ),
)
