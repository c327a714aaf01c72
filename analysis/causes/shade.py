"""A shadow on part of the array, at the same hours each clear day."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="shade",
    priors={"yield-shortfall": 0.2},
    expects={
        "covered": (0.0, 0.25),
        "evenness": (0.05, 0.3),
        "hours_spread": (1.0, 0.4),
        "beam_minus_grey": (0.6, 0.6),
        "recurs": (0.9, 0.35),
        "sister_loss": (0.0, 0.3),
    },
    next_check=(
        "Stand by the array at the hours of the dip and look for a shadow: boom, jib, mast, rail, flag. Move "
        "it and watch the next clear day. Nothing need be opened."
    ),
)
