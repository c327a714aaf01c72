"""Owns the operating state of every array in every interval.

Only ``unhindered`` judges an array. The states of an interval, the first that applies:

``night``            no light to judge by: under 20 W/m² in the plane (the daylight rule of IEC 61724-1, from memory)
``unheard``          none of the array's instruments said anything
``unknown``          they spoke, but no power can be worked out
``diverting``        the dump load takes the surplus
``held-back``        another charger lifts the bank, and the controller has turned the array down
``bank-limited``     the controller holds its set point: the bank takes no more
``current-limited``  the controller is at its output current limit
``heat-derated``     the controller is hot and gives less than it could
``cold-blocked``     the bank is too cold to be charged
``covered``          snow or a cover: almost nothing in good light since a frost, until the power comes back
``too-low``          the array's volts lie below what the bank needs
``no-current``       good light, instruments heard, and no current, or a trickle at open circuit
``unhindered``       free to give all
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis import cover, limits
from analysis.expected import Expected
from analysis.frames import Grid
from analysis.instruments import Measured, Surroundings
from analysis.irradiance import Light
from analysis.results import CLEAR, REFERENCE, WEATHER
from analysis.sun import SunPosition, Times
from logger.settings import Array, Bank, Controller

(
    NIGHT, UNHEARD, UNKNOWN, DIVERTING, HELD_BACK, BANK, CURRENT, HEAT, COLD, COVERED, TOO_LOW, NO_CURRENT, UNHINDERED,
) = range(13)  # fmt: skip
WORDS = (
    "night",
    "unheard",
    "unknown",
    "diverting",
    "held-back",
    "bank-limited",
    "current-limited",
    "heat-derated",
    "cold-blocked",
    "covered",
    "too-low",
    "no-current",
    "unhindered",
)
# What keeps a sound array from giving all that the light allows.
LIMITED = (DIVERTING, HELD_BACK, BANK, CURRENT, HEAT, COLD, TOO_LOW)
LEAST_LIGHT_WM2 = 20.0
# Under this share of the rating nothing is judged: offsets weigh too much; common practice, no source.
JUDGING_SHARE = 0.05
_NO_CURRENT_SHARE = 0.01
# So little at open circuit is no current either; common practice, no source.
_TRICKLE_SHARE = 0.05
# Where only the clear sky is known, cloud beside the sun may make as much more of it; common practice, no source.
_ENHANCED = 1.3
# What 20 W/m² give of the rating, by the efficiency of measured modules in such light.
_LIT_SHARE = 0.017
# Of a clear sky's light an overcast one leaves a quarter (Kasten and Czeplak, Solar Energy 24, 1980): by that what an
# array gives is measured where only the clear sky is known.
OVERCAST = 0.25

Codes = npt.NDArray[np.int8]


def of_array(
    array: Array,
    controller: Controller | None,
    bank: Bank | None,
    light: Light,
    sun: SunPosition,
    said: Measured,
    around: Surroundings,
    expected: Expected,
    grid: Grid,
    frosts: Times,
    covered_before: bool,
) -> Codes:
    """Operating state of an array in every interval.

    Parameters
    ----------
    frosts : ndarray of int
        Starts of the UTC hours in which it froze, ascending [ms].
    covered_before : bool
        Whether the array was covered when the stretch began.

    Returns
    -------
    ndarray of int8
        Indices into `WORDS`.
    """
    could = np.where(np.isfinite(expected.allowed.free), expected.allowed.free, OVERCAST * expected.high)
    bright = could >= JUDGING_SHARE * array.rated_w
    opened, parted = limits.near_open(said, expected), limits.parted(said, expected)
    share = cover.share(said.power, could, grid)
    # An array at open circuit has light: what it does not give is not lost under a cover. Nor is it where no volts are.
    good = sun.elevation >= cover.LOW_SUN_DEG
    unmeasured = np.isin(light.evidence, (WEATHER, CLEAR))
    telling = bright & ~opened & ~parted
    covered = cover.covered(share, telling, cover.frost(frosts, grid), grid, covered_before, unmeasured, good)
    none = (expected.allowed.free >= JUDGING_SHARE * array.rated_w) & (np.abs(said.power) < _NO_CURRENT_SHARE * could)
    # A path that is as good as open lets a trickle through, and the array stands at open circuit all the same.
    none |= bright & opened & (said.power < _TRICKLE_SHARE * could)
    none |= bright & np.isin(said.stage, ["off", "fault"]) & (share < cover.COVERED_BELOW)
    none |= bright & parted
    state = np.full(len(grid.start), UNHINDERED, dtype=np.int8)
    for code, holds in (
        (NO_CURRENT, none),
        (TOO_LOW, bright & limits.too_low(controller, said, around, expected)),
        (COVERED, covered & ~opened & ~parted),
        (COLD, limits.cold_blocked(bank, said, around, expected, could)),
        (HEAT, bright & limits.heat_derated(said, expected)),
        (CURRENT, limits.current_limited(controller, said, expected)),
        (BANK, limits.bank_limited(controller, bank, said, around, expected)),
        (HELD_BACK, limits.held_back(controller, bank, said, around, expected) & ~parted),
        (DIVERTING, limits.diverting(around)),
        (UNKNOWN, ~np.isfinite(said.power)),
        (UNHEARD, ~said.heard),
        (NIGHT, ~_lit(array, light, sun, said)),
    ):
        state[holds] = code
    return state


def _lit(array: Array, light: Light, sun: SunPosition, said: Measured) -> npt.NDArray[np.bool_]:
    """Where there is light enough to judge by; where no sensor lies in the plane the array's own power shows it too."""
    lit = np.where(np.isfinite(light.plane), light.plane, _ENHANCED * light.bound) >= LEAST_LIGHT_WM2
    lit |= (light.evidence > REFERENCE) & (said.power >= _LIT_SHARE * array.rated_w)
    return np.asarray(lit & (sun.elevation > 0.0))
