"""Owns the second opinion on the light: beside a sensor in an array's plane, what the one facing up sends there."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from analysis import irradiance
from analysis.frames import Grid
from analysis.geometry import Attitude, facings
from analysis.irradiance import Light
from analysis.results import REFERENCE
from analysis.sky import Sky
from analysis.sun import Floats
from logger.settings import Array


def of_array(array: Array, sky: Sky, lies: Attitude, light: Light) -> Floats | None:
    """Light on an array by the sensor facing up, where another one in its plane judges it [W/m²].

    Returns
    -------
    ndarray or None
        NaN where only one of the two was read; None where they never were together, or nobody knows how she lies.
    """
    there = light.evidence <= REFERENCE
    if not there.any() or len(facings(array.tilt, array.azimuth, lies)) > 1:
        return None
    both = there & np.isfinite(sky.measured.ghi)
    if not both.any():
        return None
    return np.where(both, irradiance.usable_under(sky.measured, array, sky, lies), np.nan)


def of_day(judged: npt.NDArray[np.bool_], grid: Grid, light: Light, second: Floats) -> dict[str, Any]:
    """What both said in the judged intervals of a day [Wh/m²], the one that judged first; empty where they did not."""
    both = judged & np.isfinite(second)
    if not both.any():
        return {}
    return {"second_light": [round(float(said[both].sum()) * grid.hours, 1) for said in (light.plane, second)]}
