"""Owns what the sister arrays show of the sky: an array that nothing holds back is a light sensor of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis import controllers, flat, limits, modules
from analysis.expected import array_cable, design_ohm
from analysis.frames import Grid, Stretch
from analysis.geometry import Attitude, facings
from analysis.instruments import Measured
from analysis.modules import Electrics
from analysis.sky import Sky
from analysis.sun import Floats
from logger.settings import Array, Controller, Settings

# Clear light on the horizontal under which a share of it says nothing [W/m²]; cloud enhancement is real up to here.
_LEAST_CLEAR_WM2 = 50.0
_MOST_CLEARNESS = 1.3
_AT_LIMIT = 0.97


@dataclass(frozen=True, slots=True)
class Own:
    """What an array's own power tells of it, on the grid.

    Attributes
    ----------
    light : ndarray
        Irradiance that would give that power [W/m²]: the least that there can have been.
    best_volts, open_volts : ndarray
        At the controller's input, at the best point in that light and at open circuit in no less than under an overcast
        sky [V]; NaN where the datasheet is too thin.
    """

    light: Floats
    best_volts: Floats
    open_volts: Floats


def clearness(
    array: Array, controller: Controller | None, said: Measured, own: Own, sky: Sky, lies: Attitude
) -> Floats:
    """Light on the horizontal over the clear sky's, by an array's own power while it was free to give all.

    Returns
    -------
    ndarray
        NaN where something held the array back, or where nobody knows whether it did: the word ``bulk`` says that a
        controller took all there was, and so do the volts of the best point.
    """
    free = (said.in_stage("bulk") | limits.at_volts(said.voltage, own.best_volts)) & np.isfinite(said.power)
    free &= said.power > 0
    if controller is not None and controller.output_current_limit is not None:
        free &= np.nan_to_num(said.output_current) < _AT_LIMIT * controller.output_current_limit
    behind_glass = np.where(free, own.light, np.nan) / sky.colours(array.module.technology)
    found = flat.parts(sky, behind_glass, facings(array.tilt, array.azimuth, lies), glazed=True)
    clear = sky.clear.ghi
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(clear >= _LEAST_CLEAR_WM2, np.clip(found.ghi / clear, 0.0, _MOST_CLEARNESS), np.nan)


def own(array: Array, power: Floats, settings: Settings, stretch: Stretch, grid: Grid, overcast: Floats) -> Own:
    """Light and volts by an array's own power, the warmth that the light brings and the cable's loss counted in.

    Parameters
    ----------
    power : ndarray
        [W]
    overcast : ndarray
        Light in its plane under an overcast sky [W/m²].
    """
    air = stretch["air.outside.temperature"].on(grid)
    air = np.where(np.isfinite(air), air, 15.0)
    measured = stretch[f"array.{array.name}.module_temperature"].on(grid)
    ohm = design_ohm(array_cable(settings, array.name))
    light = power / array.rated_w * modules.STC_IRRADIANCE
    cell = air
    for _ in range(4):  # a fixed point: warmth and loss change it by a few per cent
        modelled, _ = modules.array_temperature(array, light, air, modules.UNMEASURED_WIND)
        cell = np.where(np.isfinite(measured), measured, modelled)
        given = controllers.best_power(array, ohm, Electrics.of(array, light, cell))
        with np.errstate(divide="ignore", invalid="ignore"):
            light = np.where(given > 0, light * power / given, light)
    light = np.maximum(light, 0.0)
    best = controllers.best_volts(array, ohm, Electrics.of(array, light, cell))
    opened = Electrics.of(array, np.fmax(light, overcast), cell).open_volts
    return Own(light, best, np.full(len(light), np.nan) if opened is None else array.modules_in_series * opened)
