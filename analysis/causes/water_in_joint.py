"""Water in a joint or gland."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="water-in-joint",
    priors={"loop-resistance": 0.12},
    expects={"growth": (0.5, 0.8)},
    next_check=(
        "Look for green or white bloom at plugs and glands, the lowest first. Array wires are live in any "
        "light: open the DC isolator or cover the modules before parting a plug."
    ),
)
