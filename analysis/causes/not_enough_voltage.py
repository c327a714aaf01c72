"""The array's volts lie below what the bank needs: hot, shaded, or with part of a module bypassed."""

from analysis.diagnosis import Explanation

EXPLANATION = Explanation(
    cause="not-enough-voltage",
    priors={"array-dead": 0.35},
    expects={"below_need": (1.0, 0.15)},
    next_check=(
        "Read the array's and the bank's volts at the controller: the array must stand some volts above the bank. Look "
        "for a shadow or droppings on any module, and feel how hot they are. One more module in series cures a drawing "
        "that is on the edge, if the cold morning's volts allow it. Array wires are live in any light."
    ),
)
