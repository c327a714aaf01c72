"""Owns the watts to expect of each array, interval by interval, with the band that holds the truth 95 times in 100."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis import controllers, modules
from analysis.budget import Budget, Mask
from analysis.conductors import loop_ohm
from analysis.controllers import Allowed
from analysis.frames import Grid, Stretch
from analysis.irradiance import Light
from analysis.modules import Electrics
from analysis.sun import Floats
from logger.settings import Array, Cable, Controller, Settings

# Nameplate tolerance of ±3 % as two sigma; common practice, no source.
NAMEPLATE = 0.015
# How far the model's efficiency in dim light is believed, for each halving of the light: the spread of the modules that
# Sandia measured is 2 % at 200 W/m² and 3 % at 100 W/m² (`modules` names them).
DIM_A_HALVING = 0.009
MEASURED_TEMPERATURE_K = 1.5
NINETY_FIVE = 1.96
# Copper of a run on deck in the sun, for the loss that the design allows [°C]; common practice, no source.
CABLE_C = 45.0
# Air where no thermometer hangs outside [°C], and how little is known of it [K].
_UNKNOWN_AIR_C, _UNKNOWN_AIR_SIGMA_K = 15.0, 8.0


@dataclass(frozen=True, slots=True)
class Expected:
    """What the light allowed at the controller's input, on the grid.

    Attributes
    ----------
    power : ndarray
        [W], NaN where the light is unknown.
    low, high : ndarray
        95 % interval of each interval's power [W]; `bounds` gives those of sums.
    cell : ndarray
        Module temperature [°C].
    electrics : Electrics
        What one module does in that light and warmth.
    allowed : Allowed
        The steps from the modules to the controller's input.
    errors : Budget
        What makes up the band.
    """

    power: Floats
    low: Floats
    high: Floats
    cell: Floats
    electrics: Electrics
    allowed: Allowed
    errors: Budget

    def bounds(self, where: Mask) -> tuple[float, float]:
        """95 % interval of the sum over some intervals with known power [W, to be multiplied by their length].

        Where the clear sky bounds an interval from above, and not the errors, the whole is no narrower than that.
        """
        total, half = float(self.power[where].sum()), NINETY_FIVE * self.errors.over(where)
        beyond = np.maximum(self.high - self.power - NINETY_FIVE * self.errors.each, 0.0)
        return max(total - half, 0.0), total + half + float(np.nansum(beyond[where]))


def of_array(array: Array, light: Light, stretch: Stretch, grid: Grid, settings: Settings) -> Expected:
    """Expected power of one array, loss of its cable by the design resistance deducted.

    Parameters
    ----------
    array : Array
    light : Light
        In its plane.
    stretch : Stretch
        Holds temperatures and wind.
    grid : Grid
    settings : Settings
        In force on these days.
    """
    cell, sigma_k = module_temperature(array, light, stretch, grid)
    electrics = Electrics.of(array, light.plane, cell, light.ranks)
    allowed = controllers.allowed(
        array,
        array_controller(settings, array),
        design_ohm(array_cable(settings, array.name)),
        electrics,
        output_volts(array, stretch, grid, settings),
        np.append(True, np.diff(grid.start) > grid.step)[: len(grid.start)],
    )
    power = allowed.power
    errors = _errors(array, light, power, sigma_k, grid)
    half = NINETY_FIVE * errors.each
    high = np.fmax(power + half, _most(array, light, cell))
    return Expected(power, np.maximum(power - half, 0.0), high, cell, electrics, allowed, errors)


def with_volts(could: Expected, best: Floats, opened: Floats) -> Expected:
    """The same with an array's volts told otherwise where the light is unknown."""
    allowed = could.allowed
    unknown = ~np.isfinite(could.electrics.plane)
    volts = (
        np.where(unknown, told, by_light)
        for told, by_light in (
            (best, allowed.best_volts),
            (opened, allowed.open_volts),
        )
    )
    return replace(could, allowed=Allowed(allowed.modules, allowed.free, allowed.power, *volts))


def _errors(array: Array, light: Light, power: Floats, sigma_k: Floats, grid: Grid) -> Budget:
    """Each cause of error by itself, because a day's sum takes each in its own way."""
    warmth = np.abs(array.module.temp_coeff_power / 100.0) * sigma_k
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        halvings = np.log2(np.clip(modules.STC_IRRADIANCE / light.plane, 1.0, 64.0))
    dark = array.rated_w * light.sigma_zero / modules.STC_IRRADIANCE
    relative = (light.sigma_gain, np.full(len(power), NAMEPLATE), warmth, DIM_A_HALVING * halvings, light.lean)
    return Budget((*(share * power for share in relative), dark), light.passing * power, grid.step)


def _most(array: Array, light: Light, cell: Floats) -> Floats:
    """What the clear sky allows at most where no sensor saw the light [W]; NaN elsewhere."""
    most = np.full(len(cell), np.nan)
    bounded = np.isfinite(light.bound)
    if bounded.any():
        ratio = Electrics.of(array, light.bound[bounded], cell[bounded]).power_ratio
        most[bounded] = array.rated_w * ratio * (1.0 + NINETY_FIVE * NAMEPLATE)
    return most


def output_volts(array: Array, stretch: Stretch, grid: Grid, settings: Settings) -> Floats:
    """Volts at the output of the array's controller: measured there, else at the bank; NaN where at neither [V]."""
    at_bank = (
        stretch[f"bank.{settings.bank.name}.voltage"].on(grid) if settings.bank else np.full(len(grid.start), np.nan)
    )
    if array.controller is None:
        return at_bank
    at_output = stretch[f"controller.{array.controller}.output_voltage"].on(grid)
    return np.where(np.isfinite(at_output), at_output, at_bank)


def array_controller(settings: Settings, array: Array) -> Controller | None:
    """The controller that an array feeds, if the settings know it."""
    return next((c for c in settings.controller if c.name == array.controller), None)


def module_temperature(array: Array, light: Light, stretch: Stretch, grid: Grid) -> tuple[Floats, Floats]:
    """Measured module temperature, filled by the model where it is not; with its standard uncertainty [K]."""
    measured = stretch[f"array.{array.name}.module_temperature"].on(grid)
    air = stretch["air.outside.temperature"].on(grid)
    known_air = np.isfinite(air)
    modelled, sigma = modules.array_temperature(
        array,
        np.nan_to_num(light.warming),
        np.where(known_air, air, _UNKNOWN_AIR_C),
        modules.wind_at_modules(stretch["air.outside.wind_speed"].on(grid)),
    )
    sigma = np.where(known_air, sigma, np.hypot(sigma, _UNKNOWN_AIR_SIGMA_K))
    have = np.isfinite(measured)
    return np.where(have, measured, modelled), np.where(have, MEASURED_TEMPERATURE_K, sigma)


def array_cable(settings: Settings, array: str) -> Cable | None:
    """The run of cable that carries an array, if the settings name one."""
    return next((cable for cable in settings.cable if cable.carries == f"array.{array}"), None)


def design_ohm(cable: Cable | None, temperature_c: float = CABLE_C) -> float | None:
    """Design resistance of a run, both conductors [Ω]; None where there is no run."""
    if cable is None:
        return None
    return loop_ohm(cable.length, cable.area, cable.conductor, temperature_c)
