"""Owns light sensors that say nothing in full day: dead, unplugged or buried, so that the next best evidence counts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.frames import Grid
from analysis.sun import Floats

# The thickest cloud leaves a few hundredths of what comes from the sun, for minutes; common practice, no source.
_NOTHING_SHARE, _LEAST_MS = 0.008, 3_600_000
_WELL_UP_DEG = 10.0
_SOLAR_CONSTANT = 1361.0


def where(light: Floats, elevation: Floats, grid: Grid) -> npt.NDArray[np.bool_]:
    """Intervals in which a sensor of light from the whole sky says what no day gives, for an hour or more.

    Parameters
    ----------
    light : ndarray
        What it says [W/m²], whichever way it faces.
    elevation : ndarray
        Of the sun [degrees].
    grid : Grid
    """
    above_air = _SOLAR_CONSTANT * np.sin(np.radians(elevation))
    dark = (light < _NOTHING_SHARE * above_air) & (elevation > _WELL_UP_DEG)
    if not dark.any():
        return dark
    begins = dark & ~(np.append(False, dark[:-1]) & (np.diff(grid.start, prepend=grid.start[0]) == grid.step))
    spell = np.cumsum(begins)
    lasts = np.bincount(spell[dark], minlength=int(spell[-1]) + 1) * grid.step
    return np.asarray(dark & (lasts[spell] >= _LEAST_MS))
