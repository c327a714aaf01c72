"""Owns the datasheet as a single diode: its parameters, in any light and warmth, of one module or of many joined."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pvlib

from analysis.sun import Floats
from logger.settings import Module

STC_C = 25.0
# Where the datasheet is silent; common practice for crystalline silicon, no source.
TYPICAL_VOC_COEFFICIENT = -0.30
TYPICAL_ISC_COEFFICIENT = 0.05
_VOLTS_A_CELL = 0.63
_CELL_VOLT = 8.617333e-5 * 298.15  # kT/q at 25 °C
# The search has many starts and none suits every datasheet: diode idealities from which it sets out.
_IDEALITIES = (1.1, 1.3, 1.0, 1.5, 0.9, 1.7)
# A fit that misses one of the datasheet's four figures by more than this share is none.
_FIT_TOLERANCE = 0.01
_POINTS = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")
# Forward volts of a bypass diode that carries the string's current, a Schottky diode, from memory.
BYPASS_DROP_V = 0.45


@dataclass(frozen=True, slots=True)
class Diode:
    """Parameters of De Soto's five-parameter model at standard test conditions.

    Attributes
    ----------
    light, dark : float
        Photocurrent and saturation current [A].
    series, shunt : float
        Resistances [Ω].
    slope : float
        Ideality × cells in series × thermal voltage [V].
    light_per_k : float
        Rise of the photocurrent with warmth [A/K].
    """

    light: float
    dark: float
    series: float
    shunt: float
    slope: float
    light_per_k: float

    def under(self, plane: Floats, cell: Floats) -> Parameters:
        """The five parameters in that light [W/m²] and warmth [°C] (De Soto et al., Solar Energy 80, 2006)."""
        with np.errstate(divide="ignore", over="ignore"):
            found = pvlib.pvsystem.calcparams_desoto(
                plane, cell, self.light_per_k, self.slope, self.light, self.dark, self.shunt, self.series
            )
        return Parameters(*(np.asarray(value, dtype=float) for value in found))


@dataclass(frozen=True, slots=True)
class Parameters:
    """Single-diode parameters interval by interval, of one device or of many joined: [A, A, Ω, Ω, V]."""

    light: Floats
    dark: Floats
    series: Floats
    shunt: Floats
    slope: Floats

    def joined(self, in_series: int, in_parallel: int, loop_ohm: float = 0.0) -> Parameters:
        """Alike devices in series and in parallel, seen through a cable of that resistance [Ω]."""
        ratio = in_series / in_parallel
        return Parameters(
            self.light * in_parallel,
            self.dark * in_parallel,
            self.series * ratio + loop_ohm,
            self.shunt * ratio,
            self.slope * in_series,
        )

    def points(self) -> dict[str, Floats]:
        """Short circuit, open circuit and best point: ``i_sc v_oc i_mp v_mp p_mp`` [A, V, W]; nothing in the dark."""
        with np.errstate(all="ignore"):
            found: Any = pvlib.pvsystem.singlediode(self.light, self.dark, self.series, self.shunt, self.slope)
        return {key: np.nan_to_num(np.asarray(found[key], dtype=float)) for key in _POINTS}

    def current(self, volts: Floats) -> Floats:
        """Current at a terminal voltage, never backwards [A]."""
        with np.errstate(all="ignore"):
            found = pvlib.pvsystem.i_from_v(volts, self.light, self.dark, self.series, self.shunt, self.slope)
        return np.asarray(np.maximum(np.nan_to_num(np.asarray(found, dtype=float)), 0.0))

    def volts(self, amps: Floats) -> Floats:
        """Terminal voltage at a current; far below zero where the light cannot drive it [V]."""
        with np.errstate(all="ignore"):
            found = pvlib.pvsystem.v_from_i(amps, self.light, self.dark, self.series, self.shunt, self.slope)
        return np.asarray(np.nan_to_num(np.asarray(found, dtype=float), nan=-1e9, neginf=-1e9))


def cells(module: Module) -> int | None:
    """Cells in series: as told, or by the volts of one cell; None where neither is known."""
    if module.cells_in_series is not None:
        return module.cells_in_series
    return None if module.voc is None else max(round(module.voc / _VOLTS_A_CELL), 1)


@cache
def of_module(module: Module) -> Diode | None:
    """The single diode that goes through the datasheet's three points and falls with warmth as it says.

    Returns
    -------
    Diode or None
        None where `voc isc vmp imp` are not all given, or no diode fits them: then the PVWatts form stands.

    Notes
    -----
    The five equations are those of De Soto, Klein and Beckman (Solar Energy 80, 2006), solved by pvlib.
    """
    voc, isc, vmp, imp = module.voc, module.isc, module.vmp, module.imp
    in_series = cells(module)
    if voc is None or isc is None or vmp is None or imp is None or in_series is None:
        return None
    alpha = (TYPICAL_ISC_COEFFICIENT if module.temp_coeff_isc is None else module.temp_coeff_isc) / 100 * isc
    beta = (TYPICAL_VOC_COEFFICIENT if module.temp_coeff_voc is None else module.temp_coeff_voc) / 100 * voc
    for method in ("hybr", "lm"):
        for ideality in _IDEALITIES:
            slope = ideality * in_series * _CELL_VOLT
            start = {
                "IL_0": isc, "Io_0": isc * float(np.exp(-voc / slope)), "Rs_0": 0.4 * (voc - vmp) / imp,
                "Rsh_0": 100.0 * in_series / 36, "a_0": slope,
            }  # fmt: skip
            try:
                with np.errstate(all="ignore"):
                    found, _ = pvlib.ivtools.sdm.fit_desoto(
                        vmp, imp, voc, isc, alpha, beta, in_series, init_guess=start, root_kwargs={"method": method}
                    )
            except RuntimeError:
                continue
            diode = Diode(
                found["I_L_ref"], found["I_o_ref"], found["R_s"], found["R_sh_ref"], found["a_ref"], found["alpha_sc"]
            )
            if _fits(diode, module):
                return diode
    return None


def known(module: Module) -> Diode:
    """The same, of a module that has one.

    Raises
    ------
    ValueError
        Its datasheet gives no diode.
    """
    diode = of_module(module)
    if diode is None:
        raise ValueError(f"a module of {module.power:g} W without voc, isc, vmp and imp has no curve")
    return diode


def _fits(diode: Diode, module: Module) -> bool:
    physical = (diode.light, diode.dark, diode.series, diode.shunt, diode.slope)
    if not all(np.isfinite(value) and value > 0 for value in physical):
        return False
    points = diode.under(np.array([1000.0]), np.array([STC_C])).points()
    wanted = {"i_sc": module.isc, "v_oc": module.voc, "i_mp": module.imp, "v_mp": module.vmp}
    return all(value is not None and abs(points[key][0] / value - 1) < _FIT_TOLERANCE for key, value in wanted.items())
