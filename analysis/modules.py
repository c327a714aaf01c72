"""Owns the electrics and the temperature of modules: watts from light and warmth, as the datasheet states them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from itertools import groupby

import numpy as np
import numpy.typing as npt
import pvlib

from analysis import diodes, mismatch
from analysis.mismatch import Part
from analysis.sun import Floats
from logger.settings import Array, Module

STC_IRRADIANCE = 1000.0
STC_TEMPERATURE = 25.0
Places = npt.NDArray[np.intp]
Strings = tuple[tuple[Module, ...], ...]

# Faiman's loss factors for an open rack (Faiman 2008, the form of IEC 61853-2) are u0 = 25.0, u1 = 6.84, which
# puts the module at 45.1 °C in NOCT weather (800 W/m², 20 °C, 1 m/s). The other mountings run hotter there by the
# adders that the System Advisor Model gives for the gap behind the module: +6, +11 and +18 K.
_RACK = (25.0, 6.84)
_ADDER_K = {"rack": 0.0, "gap": 6.0, "insulated": 11.0, "glued": 18.0}
# An anemometer stands high, modules lie low: within a storey of the ground they feel so much of the wind at 10 m (the
# System Advisor Model, NREL/TP-6A20-67399). Without one [m/s]: at 10 m it blows with 3.3 m/s over land, 6.6 m/s over
# the sea (means of all stations, Archer and Jacobson, J. Geophys. Res. 110, 2005), so about 2 m/s at modules.
AT_MODULES = 0.51
UNMEASURED_WIND = 2.0
# Wind of NOCT weather at the modules [m/s].
NOCT_WIND = 1.0
# How far a mounting's rise of temperature is believed: published factors for one mounting (those above and King, Boyson
# and Kratochvil, SAND2004-3535) differ by 6 to 25 %. And the wind at the modules, by that where it is measured.
_RISE_SIGMA, _WIND_SIGMA = 0.15, 0.4


def faiman_factors(mounting: str) -> tuple[float, float]:
    """Faiman's u0 [W/(m² K)] and u1 [W s/(m³ K)] for a mounting: ``rack gap insulated glued``."""
    rack_rise = 800.0 / (_RACK[0] + _RACK[1])
    share = rack_rise / (rack_rise + _ADDER_K[mounting])
    return _RACK[0] * share, _RACK[1] * share


def wind_at_modules(measured: Floats) -> Floats:
    """Wind at the modules [m/s] by an anemometer's; where nothing measures it, that of an average place."""
    return np.where(np.isfinite(measured), AT_MODULES * measured, UNMEASURED_WIND)


def array_temperature(array: Array, plane: Floats, air: Floats, wind: Floats | float) -> tuple[Floats, Floats]:
    """The mean of an array's modules, each group by its own mounting; as `temperature` does for one."""
    mountings = array.mountings
    found = {m: temperature(plane, air, wind, m) for m in set(mountings)}
    both = np.mean([np.stack(found[m]) for m in mountings], axis=0)
    return both[0], both[1]


def temperature(plane: Floats, air: Floats, wind: Floats | float, mounting: str | None) -> tuple[Floats, Floats]:
    """Module temperature from the weather, with its standard uncertainty.

    Parameters
    ----------
    plane : ndarray
        Irradiance in the plane [W/m²].
    air : ndarray
        Air temperature [°C].
    wind : ndarray or float
        At the modules [m/s].
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
        blown = u1 * np.asarray(wind) / (u0 + u1 * np.asarray(wind))
        return found, np.hypot(_RISE_SIGMA, _WIND_SIGMA * blown) * (found - air)
    cool, hot = (pvlib.temperature.faiman(plane, air, wind, *faiman_factors(m)) for m in ("rack", "glued"))
    middle = (cool + hot) / 2
    return middle, (hot - cool) / 4 + 0.15 * (middle - air)


class Electrics:
    """What the modules of an array do in the light and warmth of each interval.

    Where the datasheet suffices it is a single diode, read from a table over irradiance and temperature; else the
    PVWatts form, which knows power alone.

    Parameters
    ----------
    module : Module
    plane, cell : ndarray
        Irradiance in the plane [W/m²], NaN where unknown, and cell temperature [°C].
    mixed : tuple of tuple of Module
        Strings of unequal modules, each with a diode; without them all are alike.
    ranks : ndarray, shape (modules in series, n), or None
        Of alike modules that lie in several ways: the light on the best-lit one of a string, on the second and so on.
    """

    def __init__(
        self, module: Module, plane: Floats, cell: Floats, mixed: Strings = (), ranks: Floats | None = None
    ) -> None:
        self.module = module
        self.plane = plane
        self.cell = cell
        self.mixed = mixed
        self.table = _mixed_table(mixed) if mixed else _table(module)
        self.ranks = None if mixed or self.table is None else ranks

    @classmethod
    def of(cls, array: Array, plane: Floats, cell: Floats, ranks: Floats | None = None) -> Electrics:
        """Those of an array; where one of its unequal modules has no diode, all count as the array's own module."""
        known = array.is_mixed and all(diodes.of_module(m) is not None for string in array.strings for m in string)
        return cls(array.module, plane, cell, array.strings if known else (), ranks)

    def ranked(self) -> list[Electrics]:
        """The electrics of the modules of a string, the best-lit first."""
        return [Electrics(self.module, lit, self.cell) for lit in ([] if self.ranks is None else self.ranks)]

    @property
    def matched(self) -> float:
        """Power of all modules together over the sum of what each gives by itself, in full sun at 25 °C."""
        return self.table.matched if self.table else 1.0

    def parts(self, where: Places) -> list[list[Part]]:
        """The unequal strings in those intervals."""
        plane, cell = np.nan_to_num(self.plane[where]), self.cell[where]
        return [[Part(m, len(list(same)), plane, cell) for m, same in groupby(string)] for string in self.mixed]

    @cached_property
    def power_ratio(self) -> Floats:
        """Power over the power at standard test conditions."""
        if self.table is None:
            return power_ratio(self.module, self.plane, self.cell)
        return self._read(self.table.ratio)

    @cached_property
    def dim_ratio(self) -> Floats:
        """The same with the cells held at 25 °C: what the dimness of the light alone leaves."""
        if self.table is None:
            return np.maximum(self.plane, 0.0) / STC_IRRADIANCE
        return np.interp(np.sqrt(np.maximum(self.plane, 0.0)), _ROOTS, self.table.at_25)

    @cached_property
    def best_volts(self) -> Floats | None:
        """Volts of one module at the best point; None where the datasheet is too thin."""
        return None if self.table is None else self._read(self.table.best_volts)

    @cached_property
    def trim(self) -> Floats:
        """By how much the datasheet's power exceeds that of the bare diode, as a factor."""
        if self.table is None:
            return np.ones(len(self.plane))
        return np.interp(self.cell, _WARMTHS, self.table.trim)

    @cached_property
    def open_volts(self) -> Floats | None:
        """Open-circuit volts of one module; None where the datasheet lacks `voc`."""
        if self.table is None:
            return _open_volts(self.module, self.plane, self.cell)
        return self._read(self.table.open_volts)

    def _read(self, surface: Floats) -> Floats:
        """Between the table's points in straight lines; NaN where the light is unknown."""
        (row, across), (column, down) = self._place
        low = surface[row, column] * (1 - down) + surface[row, column + 1] * down
        high = surface[row + 1, column] * (1 - down) + surface[row + 1, column + 1] * down
        return np.asarray(low * (1 - across) + high * across)

    @cached_property
    def _place(self) -> tuple[tuple[Places, Floats], tuple[Places, Floats]]:
        warm = np.clip((self.cell - _COLDEST) / _STEP_K, 0.0, len(_WARMTHS) - 1.001)
        bright = np.clip(np.sqrt(np.maximum(self.plane, 0.0)) / _ROOT_STEP, 0.0, len(_ROOTS) - 1.001)
        return _split(warm), _split(bright)


def _split(position: Floats) -> tuple[Places, Floats]:
    whole = np.nan_to_num(position).astype(np.intp)
    return whole, position - whole


# The table is even in the root of the light: its steps are fine where volts fall fast, and a straight line between two
# of them misses the power by less than 0.02 W/m² of light.
_ROOT_STEP = 0.25
_ROOTS = np.arange(0.0, 46.0 + _ROOT_STEP, _ROOT_STEP)
# Unequal modules take a search a point: every fourth, straight lines between.
_MIXED_STRIDE = 4
# Efficiency in dim light at 25 °C over that in full sun: the median of the 36 modules of crystalline silicon, made from
# 2005 on, that Sandia measured (the database of King, Boyson and Kratochvil's model; its estimated ones left out). Fits
# to datasheets alone stay 2 % above at 200 W/m²: three points in full sun say nothing of a module's leaks.
_DIM_EFFICIENCY = ((50.0, 0.880), (100.0, 0.928), (200.0, 0.961), (400.0, 0.988), (700.0, 0.998), (1000.0, 1.0))
_CRYSTALLINE = (None, "mono", "poly")
_COLDEST, _STEP_K = -60.0, 10.0
_WARMTHS = np.arange(_COLDEST, 121.0, _STEP_K)


@dataclass(frozen=True, slots=True)
class _Table:
    """Surfaces over warmth (rows) and the root of the light (columns): power over that at standard test conditions, and
    volts of one module [V]; `at_25` is the power's row of 25 °C, `trim` the datasheet's power over the diode's in full
    sun, `dim` what dim light leaves of the diode's best power."""

    ratio: Floats
    best_volts: Floats
    open_volts: Floats
    at_25: Floats
    trim: Floats
    dim: Floats
    matched: float = 1.0


@cache
def _mixed_table(strings: Strings) -> _Table:
    """The same for strings of unequal modules, evenly lit; volts are the array's shared out over a string's modules."""
    every = [module for string in strings for module in string]
    warmths = np.append(_WARMTHS, STC_TEMPERATURE)
    cell, root = (grid.ravel() for grid in np.meshgrid(warmths, _ROOTS[::_MIXED_STRIDE], indexing="ij"))
    shape = len(warmths), len(_ROOTS[::_MIXED_STRIDE])
    lit = [[Part(m, len(list(same)), root**2, cell) for m, same in groupby(string)] for string in strings]
    best = mismatch.best(lit)
    opened = np.max([np.sum([_known(m).open_volts for m in string], axis=0) for string in strings], axis=0)
    apart = np.sum([_known(m).ratio * m.power for m in every], axis=0)
    alone = sum((m.vmp or 0.0) * (m.imp or 0.0) for m in every)
    rated = sum(m.power for m in every)

    def fine(values: Floats) -> Floats:
        return np.stack([np.interp(_ROOTS, _ROOTS[::_MIXED_STRIDE], row) for row in values.reshape(shape)])

    watts, volts = fine(best.power), fine(best.volts) / len(strings[0])
    together = _in_full_sun(watts)
    matched = float(together[-1] / alone)
    # Each module falls with warmth as its own datasheet says; what they lose together is that of their curves.
    trim = _in_full_sun(apart) / rated * together[-1] / together[:-1]
    ratio = watts[:-1] / alone * trim[:, None]
    dim = np.average([_known(m).dim for m in every], axis=0, weights=[m.power for m in every])
    at_25 = dim * watts[-1] / alone
    return _Table(dim * ratio, volts[:-1], opened / len(strings[0]), at_25, trim * rated / alone, dim, matched)


def _table(module: Module) -> _Table | None:
    return None if diodes.of_module(module) is None else _known(module)


@cache
def _known(module: Module) -> _Table:
    diode = diodes.known(module)
    warmths = np.append(_WARMTHS, STC_TEMPERATURE)
    cell, root = np.meshgrid(warmths, _ROOTS, indexing="ij")
    points = diode.under(root.ravel() ** 2, cell.ravel()).points()
    watts, best, open_v = (points[key].reshape(cell.shape) for key in ("p_mp", "v_mp", "v_oc"))
    standard = _in_full_sun(watts)[-1]
    power = watts / standard
    # Along full sun the power falls with warmth as the datasheet says; the diode alone misses that by some tenths.
    wanted = 1.0 + module.temp_coeff_power / 100.0 * (warmths - STC_TEMPERATURE)
    trim = np.maximum(wanted, 0.0) / _in_full_sun(power)
    dim = _dim(module, power[-1])
    ratio = power * dim * trim[:, None]
    return _Table(ratio[:-1], best[:-1], open_v[:-1], dim * power[-1], trim[:-1] * module.power / standard, dim)


def _dim(module: Module, diode: Floats) -> Floats:
    """What measured modules give in dim light over what a diode does that the datasheet's three points leave open.

    Parameters
    ----------
    diode : ndarray, shape (len(_ROOTS),)
        Its power at 25 °C over that in full sun.
    """
    if module.technology not in _CRYSTALLINE:
        return np.ones(len(_ROOTS))
    light, share = (np.array(column) for column in zip(*_DIM_EFFICIENCY, strict=True))
    own = np.interp(np.sqrt(light), _ROOTS, diode) * STC_IRRADIANCE / light
    return np.asarray(np.interp(_ROOTS, np.sqrt(light), share / own))


def _in_full_sun(surface: Floats) -> Floats:
    return np.array([np.interp(np.sqrt(STC_IRRADIANCE), _ROOTS, row) for row in surface])


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


def _open_volts(module: Module, plane: Floats, cell: Floats) -> Floats | None:
    """From `voc` alone: the fall with light follows the diode law, n·kT/q a cell with ideality 1.2 (common practice, no
    source)."""
    in_series = diodes.cells(module)
    if module.voc is None or in_series is None:
        return None
    coefficient = module.temp_coeff_voc if module.temp_coeff_voc is not None else diodes.TYPICAL_VOC_COEFFICIENT
    warmth = 1.0 + coefficient / 100.0 * (cell - STC_TEMPERATURE)
    thermal = 1.2 * 8.617333e-5 * (cell + 273.15) * in_series
    dimness = thermal * np.log(np.maximum(plane, 1.0) / STC_IRRADIANCE)
    return np.asarray(module.voc * warmth + dimness)
