"""Owns the open-circuit volts of a string in the cold: what a controller's input must bear on the coldest morning."""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.settings import Array

STC_C = 25.0

CLEAR_DAWN_K = 5.0
"""How far modules lie below the air at a clear dawn [K]; common practice, no source."""

# NEC (2017) table 690.7(A), crystalline and multicrystalline silicon: lowest whole degree of each row [°C], factor on
# the rated open-circuit volts. At 25 °C and above there is no correction; below -40 °C the table ends.
_NEC_690_7_A = (
    (20, 1.02),
    (15, 1.04),
    (10, 1.06),
    (5, 1.08),
    (0, 1.10),
    (-5, 1.12),
    (-10, 1.14),
    (-15, 1.16),
    (-20, 1.18),
    (-25, 1.20),
    (-30, 1.21),
    (-35, 1.23),
    (-40, 1.25),
)
# Beyond the table; the coefficient that its rows imply around -10 °C.
_BEYOND_TABLE = -0.40


@dataclass(frozen=True, slots=True)
class StringVolts:
    """Open-circuit volts of a string, at a module temperature, and where the coefficient came from."""

    volts: float
    module_c: float
    basis: str


def coldest(array: Array, coldest_air_c: float) -> StringVolts | None:
    """Open-circuit volts of an array's strings on the coldest morning of the cruise.

    Parameters
    ----------
    array : Array
        Its module's `voc` [V] and, if known, `temp_coeff_voc` [%/K].
    coldest_air_c : float
        Coldest air over the whole cruise [°C]; the modules lie `CLEAR_DAWN_K` below it.

    Returns
    -------
    StringVolts or None
        Of the string with the most volts; None where the `voc` of one of its modules is not given.
    """
    module_c = coldest_air_c - CLEAR_DAWN_K
    found: list[tuple[float, str]] = []
    for string in array.strings:
        volts, basis = 0.0, ""
        for module in string:
            if module.voc is None:
                return None
            factor, basis = cold_factor(module.temp_coeff_voc, module_c)
            volts += module.voc * factor
        found.append((volts, basis))
    volts, basis = max(found)
    return StringVolts(volts, module_c, basis)


def cold_factor(temp_coeff_voc: float | None, module_c: float) -> tuple[float, str]:
    """Open-circuit volts at a module temperature over those at 25 °C, and where the figure comes from.

    Parameters
    ----------
    temp_coeff_voc : float or None
        [%/K]; None takes the table of the NEC, and below its end -0.40 %/K from 25 °C.
    module_c : float
        [°C].

    Returns
    -------
    factor : float
        [-].
    basis : str
        For people.

    References
    ----------
    NFPA 70 (2017), table 690.7(A).
    """
    if temp_coeff_voc is not None:
        return 1 + temp_coeff_voc / 100 * (module_c - STC_C), f"{temp_coeff_voc:g} %/K from the datasheet"
    if module_c >= STC_C:
        return 1.0, "NEC table 690.7(A)"
    degree = math.floor(module_c)
    for lowest, factor in _NEC_690_7_A:
        if degree >= lowest:
            return factor, "NEC table 690.7(A), as temp_coeff_voc is not given"
    return 1 + _BEYOND_TABLE / 100 * (module_c - STC_C), "-0.40 %/K, as NEC table 690.7(A) ends at -40 °C"
