"""Owns the light that an array's volts show while no current flows: they follow the logarithm of what is on the cells.

A sky that is a tenth as bright takes a tenth of a module's volts, snow that lets a fiftieth through nearly twice that:
more than meter, datasheet and warmth are off by. So volts tell a cover in light that is too dim for watts to tell.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.instruments import Measured
from analysis.modules import Electrics
from analysis.sun import Floats
from logger.settings import Array

Mask = npt.NDArray[np.bool_]


def told(array: Array, said: Measured) -> Mask:
    """Where the volts are heard, and the datasheet says what they are in dim light."""
    known = np.isfinite(said.voltage)
    thin = Electrics.of(array, np.ones(1), np.zeros(1)).open_volts is None
    return known & ~np.bool_(thin)


def shows(array: Array, said: Measured, light: Floats | float, cell: Floats, where: Mask) -> Mask:
    """Whether an array's volts are those of open circuit in that light, or in more.

    Parameters
    ----------
    light : ndarray or float
        On the cells [W/m²].
    cell : ndarray
        Their temperature [°C].
    where : ndarray of bool
        The intervals to look at, of those that `told` gives; False elsewhere.
    """
    found = np.zeros(len(said.voltage), dtype=bool)
    at = np.flatnonzero(where)
    if len(at):
        opened = Electrics.of(array, np.broadcast_to(light, found.shape)[at], cell[at]).open_volts
        if opened is not None:
            found[at] = said.voltage[at] >= array.modules_in_series * opened
    return found
