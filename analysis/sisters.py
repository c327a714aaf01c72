"""Owns what the sister arrays show of the sky: an array that nothing holds back is a light sensor of its own."""

from __future__ import annotations

import numpy as np

from analysis import controllers, irradiance, modules
from analysis.expected import array_cable, design_ohm
from analysis.frames import Grid, Stretch
from analysis.geometry import Attitude
from analysis.instruments import Measured
from analysis.modules import Electrics
from analysis.sky import Sky
from analysis.sun import Floats
from logger.settings import Array, Controller, Settings

# Clear light in the plane under which a share of it says nothing [W/m²]; cloud enhancement is real up to here.
_LEAST_CLEAR_WM2 = 50.0
_MOST_CLEARNESS = 1.3
_AT_LIMIT = 0.97


def clearness(
    array: Array,
    controller: Controller | None,
    settings: Settings,
    said: Measured,
    sky: Sky,
    stretch: Stretch,
    lies: Attitude,
) -> Floats:
    """Light in an array's plane over the clear sky's there, by its own power while it was free to give all.

    Returns
    -------
    ndarray
        NaN where something held the array back, or where nobody knows whether it did: only the word ``bulk`` says
        that a controller took all there was.
    """
    free = (said.stage == "bulk") & np.isfinite(said.power) & (said.power > 0)
    if controller is not None and controller.output_current_limit is not None:
        free &= np.nan_to_num(said.output_current) < _AT_LIMIT * controller.output_current_limit
    clear = irradiance.clear_plane(array, sky, lies)
    light = np.where(free, light_for(array, said.power, settings, stretch, sky.grid), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(clear >= _LEAST_CLEAR_WM2, np.clip(light / clear, 0.0, _MOST_CLEARNESS), np.nan)


def light_for(array: Array, power: Floats, settings: Settings, stretch: Stretch, grid: Grid) -> Floats:
    """Irradiance that would give that power [W/m²], the warmth it brings and the cable's loss counted in."""
    air = stretch["air.outside.temperature"].on(grid)
    air = np.where(np.isfinite(air), air, 15.0)
    measured = stretch[f"array.{array.name}.module_temperature"].on(grid)
    ohm = design_ohm(array_cable(settings, array.name))
    light = power / array.rated_w * modules.STC_IRRADIANCE
    for _ in range(4):  # a fixed point: warmth and loss change it by a few per cent
        modelled, _ = modules.array_temperature(array, light, air, modules.UNMEASURED_WIND)
        cell = np.where(np.isfinite(measured), measured, modelled)
        given = controllers.best_power(array, ohm, Electrics.of(array, light, cell))
        with np.errstate(divide="ignore", invalid="ignore"):
            light = np.where(given > 0, light * power / given, light)
    return np.maximum(light, 0.0)
