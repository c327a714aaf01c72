"""Owns the operating state of every array in every interval.

Only ``unhindered`` judges an array. The states of an interval, the first that applies:

``night``            no light to judge by: under 20 W/m² in the plane (the daylight rule of IEC 61724-1, from memory),
                     by a sensor there, else by the array's own watts and volts, else by what is told of the sky
``unheard``          none of the array's instruments said anything
``unknown``          they spoke, but no power can be worked out
``diverting``        the dump load takes the surplus
``held-back``        another charger lifts the bank, and the controller has turned the array down
``bank-limited``     the controller holds its set point: the bank takes no more
``current-limited``  the controller is at its output current limit
``heat-derated``     the controller is hot and gives less than it could
``cold-blocked``     the bank is too cold to be charged
``covered``          snow or a cover: almost no light on the cells since a frost, by watts or volts, until it comes back
``too-low``          the array's volts lie below what the bank needs
``no-current``       good light, instruments heard, and no current, or a trickle at open circuit
``unhindered``       free to give all
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis import cover, glimmer, limits
from analysis.expected import NINETY_FIVE, Expected
from analysis.frames import Grid
from analysis.instruments import Measured, Surroundings
from analysis.irradiance import Light
from analysis.results import CLEAR, REFERENCE, WEATHER
from analysis.sun import Floats, SunPosition, Times
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
# Of that light, what an array's volts must not even reach to be dim: 2 % of them are half the light; common practice,
# no source.
_DIM_BY_VOLTS = 0.5
# Of a clear sky's light an overcast one leaves a quarter (Kasten and Czeplak, Solar Energy 24, 1980): by that what an
# array gives is measured where only the clear sky is known.
OVERCAST = 0.25

Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]


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
    clear: Floats,
) -> Codes:
    """Operating state of an array in every interval.

    Parameters
    ----------
    frosts : ndarray of int
        Starts of the UTC hours in which it froze, ascending [ms].
    covered_before : bool
        Whether the array was covered when the stretch began.
    clear : ndarray
        Of a clear sky, on the horizontal [W/m²].

    Returns
    -------
    ndarray of int8
        Indices into `WORDS`.
    """
    could = np.where(np.isfinite(expected.allowed.free), expected.allowed.free, OVERCAST * expected.high)
    bright = could >= JUDGING_SHARE * array.rated_w
    opened, parted = limits.near_open(said, expected), limits.parted(said, expected)
    share = cover.share(said.power, could, grid)
    lit = _lit(array, light, sun, said, expected, clear)
    dim = lit & ~bright & _dark(array, light, said, expected)
    frosty = cover.frost(frosts, grid)
    covered = np.zeros(len(grid.start), dtype=bool)
    if covered_before or frosty.any():
        there = np.where(np.isfinite(light.plane), light.plane, OVERCAST * np.fmax(light.bound, clear))
        dark, free = _signs(array, said, expected, there, share, lit & ~parted, bright)
        # Light that nobody measured beside the array, whose volts say nothing of it either.
        far = np.isin(light.evidence, (WEATHER, CLEAR)) & ~glimmer.told(array, said)
        dark = cover.lasting(dark & frosty, free, far, sun.elevation, grid)
        covered = cover.covered(dark, free, grid, covered_before) & ~free & ~parted
    none = (expected.allowed.free >= JUDGING_SHARE * array.rated_w) & (np.abs(said.power) < _NO_CURRENT_SHARE * could)
    # A path that is as good as open lets a trickle through, and the array stands at open circuit all the same.
    none |= bright & opened & (said.power < _TRICKLE_SHARE * could)
    # A controller that keeps a set point says so, one that is off keeps none: what keeps it off is the cold.
    off = said.in_stage("off", "fault")
    cold = limits.cold_blocked(bank, said, around, expected, could)
    none |= bright & off & (share < cover.COVERED_BELOW)
    none |= bright & parted
    state = np.full(len(grid.start), UNHINDERED, dtype=np.int8)
    for code, holds in (
        (NO_CURRENT, none),
        (TOO_LOW, bright & limits.too_low(controller, said, around, expected)),
        (COVERED, covered),
        (COLD, cold),
        (HEAT, bright & limits.heat_derated(said, expected)),
        (CURRENT, limits.current_limited(controller, said, expected)),
        (BANK, limits.bank_limited(controller, bank, said, around, expected)),
        (HELD_BACK, limits.held_back(controller, bank, said, around, expected) & ~parted & ~(cold & off)),
        (DIVERTING, limits.diverting(around)),
        (UNKNOWN, ~np.isfinite(said.power)),
        (UNHEARD, ~said.heard),
        (NIGHT, ~lit | (dim & ~covered)),
    ):
        state[holds] = code
    return state


def _signs(
    array: Array, said: Measured, expected: Expected, there: Floats, share: Floats, lit: Mask, bright: Mask
) -> tuple[Mask, Mask]:
    """Where next to no light reached the cells, and where much of it did, by watts where they flow and by volts.

    An array at open circuit has light: what it does not give is not lost under a cover. And volts tell a cover in light
    that is too dim for watts to tell.
    """
    told = lit & glimmer.told(array, said)
    idle = told & (share < cover.COVERED_BELOW)
    under = idle & ~glimmer.shows(array, said, cover.COVERED_BELOW * there, expected.cell, idle)
    seen = glimmer.shows(array, said, cover.UNCOVERED_ABOVE * there, expected.cell, idle)
    flows = bright | (said.power >= _LIT_SHARE * array.rated_w)
    dark = np.where(told, under, lit & bright & (share < cover.COVERED_BELOW))
    return dark, seen | (flows & (share > cover.UNCOVERED_ABOVE))


def _lit(array: Array, light: Light, sun: SunPosition, said: Measured, expected: Expected, clear: Floats) -> Mask:
    """Where there is light enough to judge by.

    Where no sensor lies in the plane the array's own power shows it too, and its own volts while none flows. Where the
    clear sky alone bounds the light, a plane that turns its back to a low sun may get what cloud throws on it: no more
    than falls on the flat.
    """
    most = np.fmax(_ENHANCED * light.bound, clear)
    elsewhere = light.evidence > REFERENCE
    there = light.plane * np.where(light.evidence == WEATHER, 1.0 + NINETY_FIVE * light.passing, 1.0)
    lit = np.where(np.isfinite(light.plane), there, most) >= LEAST_LIGHT_WM2
    lit |= elsewhere & (said.power >= _LIT_SHARE * array.rated_w)
    lit |= glimmer.shows(array, said, LEAST_LIGHT_WM2, expected.cell, ~lit & elsewhere & (said.voltage > 0.0))
    return np.asarray(lit & (sun.elevation > 0.0))


def _dark(array: Array, light: Light, said: Measured, expected: Expected) -> Mask:
    """Where no sensor lies in the plane, and an array itself shows too little light, by its watts and by its volts."""
    asked = glimmer.told(array, said) & (light.evidence > REFERENCE)
    asked &= said.power < _LIT_SHARE * array.rated_w
    return asked & ~glimmer.shows(array, said, _DIM_BY_VOLTS * LEAST_LIGHT_WM2, expected.cell, asked)
