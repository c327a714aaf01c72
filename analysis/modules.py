"""Owns the electrics and the temperature of modules: watts from light and warmth, as the datasheet states them."""

from __future__ import annotations

import numpy as np
import pvlib

from analysis.sun import Floats
from logger.settings import Array, Module

STC_IRRADIANCE = 1000.0
STC_TEMPERATURE = 25.0
# Fall in power and voltage where the datasheet says nothing; common practice for crystalline silicon, no source.
TYPICAL_VOC_COEFFICIENT = -0.30

# Faiman's loss factors for an open rack (Faiman 2008, the form of IEC 61853-2) are u0 = 25.0, u1 = 6.84, which
# puts the module at 45.1 °C in NOCT weather (800 W/m², 20 °C, 1 m/s). The other mountings run hotter there by the
# adders that the System Advisor Model gives for the gap behind the module: +6, +11 and +18 K.
_RACK = (25.0, 6.84)
_ADDER_K = {"rack": 0.0, "gap": 6.0, "insulated": 11.0, "glued": 18.0}
# Wind where nothing measures it [m/s]: that of NOCT weather.
UNMEASURED_WIND = 1.0


def faiman_factors(mounting: str) -> tuple[float, float]:
    """Faiman's u0 [W/(m² K)] and u1 [W s/(m³ K)] for a mounting: ``rack gap insulated glued``."""
    rack_rise = 800.0 / (_RACK[0] + _RACK[1])
    share = rack_rise / (rack_rise + _ADDER_K[mounting])
    return _RACK[0] * share, _RACK[1] * share


def temperature(plane: Floats, air: Floats, wind: Floats | float, mounting: str | None) -> tuple[Floats, Floats]:
    """Module temperature from the weather, with its standard uncertainty.

    Parameters
    ----------
    plane : ndarray
        Irradiance in the plane [W/m²].
    air : ndarray
        Air temperature [°C].
    wind : ndarray or float
        Wind speed [m/s].
    mounting : str or None
        None takes the middle between rack and glued, and says so by a wider uncertainty.

    Returns
    -------
    temperature, sigma : ndarray
        [°C], [K]. Source of the model: Faiman, Prog. Photovolt. 16 (2008) 307.
    """
    if mounting is not None:
        u0, u1 = faiman_factors(mounting)
        found = pvlib.temperature.faiman(plane, air, wind, u0=u0, u1=u1)
        return found, 0.15 * (found - air)
    cool, hot = (pvlib.temperature.faiman(plane, air, wind, *faiman_factors(m)) for m in ("rack", "glued"))
    middle = (cool + hot) / 2
    return middle, (hot - cool) / 4 + 0.15 * (middle - air)


def power_ratio(module: Module, plane: Floats, cell: Floats) -> Floats:
    """Power over power at standard test conditions, in the PVWatts form.

    Parameters
    ----------
    module : Module
        Its `temp_coeff_power` counts [%/K].
    plane, cell : ndarray
        Irradiance in the plane [W/m²], cell temperature [°C].

    Notes
    -----
    Source: Dobos, PVWatts Version 5 Manual, NREL/TP-6A20-62641 (2014).
    """
    warmth = 1.0 + module.temp_coeff_power / 100.0 * (cell - STC_TEMPERATURE)
    return np.maximum(plane / STC_IRRADIANCE * warmth, 0.0)


def open_circuit(array: Array, plane: Floats, cell: Floats) -> Floats | None:
    """Open-circuit volts of the array in that light and warmth; None where the datasheet lacks `voc`.

    The fall with light follows the diode law, n·kT/q a cell with ideality 1.2 (common practice, no source).
    """
    module = array.module
    if module.voc is None:
        return None
    coefficient = module.temp_coeff_voc if module.temp_coeff_voc is not None else TYPICAL_VOC_COEFFICIENT
    warmth = 1.0 + coefficient / 100.0 * (cell - STC_TEMPERATURE)
    cells = module.cells_in_series or round(module.voc / 0.63)
    thermal = 1.2 * 8.617333e-5 * (cell + 273.15) * cells
    dimness = thermal * np.log(np.maximum(plane, 1.0) / STC_IRRADIANCE)
    return array.modules_in_series * (module.voc * warmth + dimness)


def cable_loss(array: Array, loop_ohm: float | None, plane: Floats) -> Floats:
    """Share of the modules' power that the design resistance of their cable takes; nothing where it is unknown.

    Parameters
    ----------
    array : Array
    loop_ohm : float or None
        Both conductors [Ω].
    plane : ndarray
        Irradiance in the plane [W/m²].
    """
    module = array.module
    if loop_ohm is None or module.imp is None or module.vmp is None:
        return np.zeros_like(plane)
    current = array.strings_in_parallel * module.imp * np.maximum(plane, 0.0) / STC_IRRADIANCE
    return np.clip(current * loop_ohm / (array.modules_in_series * module.vmp), 0.0, 1.0)
