"""Owns the operating state of every array in every interval, with the evidence that decided it.

Only ``unhindered`` judges an array. The states of an interval, the first that applies:

``night``            no light to judge by: under 20 W/m² in the plane (the daylight rule of IEC 61724-1, from memory)
``unheard``          none of the array's instruments said anything
``unknown``          they spoke, but no power can be worked out
``bank-limited``     the controller holds its set point: the bank takes no more
``current-limited``  the controller is at its output current limit
``covered``          snow or a cover: almost nothing in good light since a frost, until the power comes back
``no-current``       good light, instruments heard, and no current at all
``unhindered``       free to give all
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import modules
from analysis.expected import Expected
from analysis.frames import Grid, Stretch
from analysis.irradiance import Light
from analysis.sun import Floats, SunPosition, Times
from logger.settings import Array, Controller, Settings
from logger.vocabulary import STAGES

NIGHT, UNHEARD, UNKNOWN, BANK, CURRENT, COVERED, NO_CURRENT, UNHINDERED = range(8)
WORDS = (
    "night",
    "unheard",
    "unknown",
    "bank-limited",
    "current-limited",
    "covered",
    "no-current",
    "unhindered",
)
EVIDENCE = (
    "no light to judge by",
    "no instrument of the array was heard",
    "heard, but power, or the time, cannot be told",
    "the controller holds its set point",
    "output at the controller's current limit",
    "almost no power in good light since a frost",
    "good light, instruments heard, no current",
    "nothing held it back",
)
LIMITED = (BANK, CURRENT)
LEAST_LIGHT_WM2 = 20.0
# Under this share of the rating nothing is judged: offsets weigh too much; common practice, no source.
JUDGING_SHARE = 0.05
_AT_LIMIT = 0.97
# A module is covered from the moment when it gives less than this share of what the light would allow, after a
# frost, until it gives more than that; common practice, no source.
_COVERED_BELOW, _UNCOVERED_ABOVE = 0.15, 0.40
FROST_C = 1.0
FROST_MEMORY_MS = 12 * 3_600_000
_SMOOTHING_MS = 15 * 60_000
_NO_CURRENT_SHARE = 0.01
# Near open circuit the controller has turned the array down.
_NEAR_OPEN = 0.95
_SET_POINT_STAGES = ("absorption", "float", "equalise")
# Lowest absorption and float voltages of lead and lithium per nominal 12 V; common practice, no source.
_LOWEST_SET_POINT = 13.2

Codes = npt.NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Measured:
    """What the array's instruments said on the grid, NaN where they did not.

    Attributes
    ----------
    power : ndarray
        At the controller's input [W]: volts × amps; else `.power`; else output over efficiency.
    voltage, current, output_voltage, output_current : ndarray
        [V], [A].
    stage : ndarray of object
        Charge stage, None where unknown.
    heard : ndarray of bool
        Whether any of them was there.
    """

    power: Floats
    voltage: Floats
    current: Floats
    output_voltage: Floats
    output_current: Floats
    stage: npt.NDArray[np.object_]
    heard: npt.NDArray[np.bool_]


def measured(array: Array, controller: Controller | None, stretch: Stretch, grid: Grid) -> Measured:
    """Put what the instruments of an array and its controller said on the grid."""

    def on(channel: str) -> Floats:
        return stretch[channel].on(grid)

    name = controller.name if controller else ""
    voltage, current = on(f"array.{array.name}.voltage"), on(f"array.{array.name}.current")
    out_v, out_a = on(f"controller.{name}.output_voltage"), on(f"controller.{name}.output_current")
    out_w = on(f"controller.{name}.output_power")
    out_w = np.where(np.isfinite(out_v * out_a), out_v * out_a, out_w)
    power = voltage * current
    power = np.where(np.isfinite(power), power, on(f"array.{array.name}.power"))
    if controller:
        power = np.where(np.isfinite(power), power, out_w / controller.efficiency)
    codes = _stage_codes(f"controller.{name}.stage", stretch, grid)
    stage = np.full(len(codes), None, dtype=object)
    for code, word in stretch.words.get(f"controller.{name}.stage", {}).items():
        stage[codes == code] = word
    heard = np.asarray(np.isfinite(np.stack([voltage, current, power, out_v, out_a, codes])).any(axis=0))
    return Measured(power, voltage, current, out_v, out_a, stage, heard)


def _stage_codes(channel: str, stretch: Stretch, grid: Grid) -> Floats:
    """The code that holds at the middle of each interval: codes are never averaged."""
    pieces = stretch[channel]
    if len(pieces.start) == 0:
        return np.full(len(grid.start), np.nan)
    at = np.searchsorted(pieces.start, grid.middle, side="right") - 1
    inside = (at >= 0) & (grid.middle < (pieces.start + pieces.length)[np.maximum(at, 0)])
    return np.where(inside, pieces.value[np.maximum(at, 0)], np.nan)


def of_array(
    array: Array,
    controller: Controller | None,
    settings: Settings,
    light: Light,
    sun: SunPosition,
    said: Measured,
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
    floor = JUDGING_SHARE * array.rated_w
    bright = expected.power >= floor
    lit = np.where(np.isfinite(light.plane), light.plane, light.bound) >= LEAST_LIGHT_WM2
    lit &= sun.elevation > 0.0
    share = _share(said.power, expected.power, grid)
    covered = _covered(share, bright, _frost(frosts, grid), grid, covered_before)
    none = bright & (np.abs(said.power) < _NO_CURRENT_SHARE * expected.power)
    none |= bright & np.isin(said.stage, ["off", "fault"]) & (share < _COVERED_BELOW)
    state = np.full(len(grid.start), UNHINDERED, dtype=np.int8)
    for code, holds in (
        (NO_CURRENT, none),
        (COVERED, covered),
        (CURRENT, _current_limited(controller, said)),
        (BANK, _bank_limited(array, controller, settings, said, light, expected)),
        (UNKNOWN, ~np.isfinite(said.power)),
        (UNHEARD, ~said.heard),
        (NIGHT, ~lit),
    ):
        state[holds] = code
    return state


def _current_limited(controller: Controller | None, said: Measured) -> npt.NDArray[np.bool_]:
    if controller is None or controller.output_current_limit is None:
        return np.zeros(len(said.power), dtype=bool)
    return np.nan_to_num(said.output_current) >= _AT_LIMIT * controller.output_current_limit


def _bank_limited(
    array: Array,
    controller: Controller | None,
    settings: Settings,
    said: Measured,
    light: Light,
    expected: Expected,
) -> npt.NDArray[np.bool_]:
    held = np.isin(said.stage, _SET_POINT_STAGES)
    if controller is None:
        return held
    # Without a word for the stage the array's own voltage tells: turned down, it climbs towards open circuit
    # while the output sits at a set point.
    wordless = ~np.isin(said.stage, STAGES)
    open_v = modules.open_circuit(array, np.nan_to_num(light.plane), expected.cell)
    nominal = settings.bank.nominal_voltage if settings.bank else None
    if open_v is None or nominal is None or not wordless.any():
        return held
    lowest = min(v for v in (controller.absorption_v, controller.float_v, _LOWEST_SET_POINT * nominal / 12) if v)
    near_open = np.nan_to_num(said.voltage) >= _NEAR_OPEN * open_v
    at_set_point = np.nan_to_num(said.output_voltage) >= lowest - 0.2 * nominal / 24
    return held | (wordless & near_open & at_set_point)


def _share(power: Floats, expected: Floats, grid: Grid) -> Floats:
    """Measured over expected, smoothed over a quarter of an hour so that one blink decides nothing."""
    half = round(_SMOOTHING_MS / grid.step) // 2
    known = np.isfinite(power) & np.isfinite(expected)
    here = np.arange(len(power))
    first, last = _day_bounds(grid)
    low, high = np.maximum(here - half, first), np.minimum(here + half + 1, last)
    got, could = (np.concatenate([[0.0], np.cumsum(np.where(known, p, 0.0))]) for p in (power, expected))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (got[high] - got[low]) / (could[high] - could[low])
    return np.where(could[high] > could[low], share, np.nan)


def _day_bounds(grid: Grid) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """For each interval, the first of its own day on the grid and the first of the next: nights part the days."""
    edges = np.flatnonzero(np.diff(grid.start) > grid.step) + 1
    bounds = np.concatenate([[0], edges, [len(grid.start)]])
    day = np.searchsorted(edges, np.arange(len(grid.start)), side="right")
    return bounds[day], bounds[day + 1]


def _frost(frosts: Times, grid: Grid) -> npt.NDArray[np.bool_]:
    """Whether it froze within the last twelve hours."""
    if len(frosts) == 0:
        return np.zeros(len(grid.start), dtype=bool)
    last = np.searchsorted(frosts, grid.start, side="right") - 1
    return np.asarray((last >= 0) & (grid.start - frosts[np.maximum(last, 0)] <= FROST_MEMORY_MS))


def _covered(
    share: Floats, bright: npt.NDArray[np.bool_], frost: npt.NDArray[np.bool_], grid: Grid, before: bool
) -> npt.NDArray[np.bool_]:
    """Covered from the first sign to the power's return.

    Dim intervals say nothing themselves: they take after the last sign, those of the morning after the first sign of
    their own day, because it snows at night.
    """
    says = np.full(len(share), -1, dtype=np.int8)
    says[bright & frost & (share < _COVERED_BELOW)] = 1
    says[bright & (share > _UNCOVERED_ABOVE)] = 0
    signs = np.flatnonzero(says >= 0)
    if len(signs) == 0:
        return np.full(len(share), before)
    here = np.arange(len(says))
    day, _ = _day_bounds(grid)
    last = np.searchsorted(signs, here, side="right") - 1
    following = signs[np.minimum(np.searchsorted(signs, here), len(signs) - 1)]
    previous = signs[np.maximum(last, 0)]
    held = np.where(last >= 0, says[previous] == 1, before)
    morning = (here < following) & (day[following] == day) & ((last < 0) | (day[previous] < day))
    return np.where(morning, says[following] == 1, held)
