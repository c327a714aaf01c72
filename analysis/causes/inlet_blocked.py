"""Mesh, filter or inlet is clogged, at the outlet too."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="inlet-blocked",
    priors={"fan-ineffective": 0.2, "enclosure-over-temperature": 0.2, "controller-throttled": 0.25},
    expects={"jump": (0.1, 0.35), "ceiling_kept": (0.8, 0.4)},
    next_check=(
        "Look at both meshes with a torch and brush them clear; then watch the box for one sunny day. Keep fingers out "
        "of the fan; a heatsink may be hot."
    ),
)
