"""The fan is told to run and does not turn."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="fan-stopped",
    priors={"fan-ineffective": 0.45, "enclosure-over-temperature": 0.15, "controller-throttled": 0.3},
    expects={"jump": (1.0, 0.3), "has_fan": (1.0, 0.15), "ceiling_kept": (0.0, 0.3)},
    next_check=(
        "Hold a strip of tissue at the outlet: it should be blown or drawn. Keep fingers out, heatsinks are "
        "hot; at sea wait for calm before the box is swung out."
    ),
)
