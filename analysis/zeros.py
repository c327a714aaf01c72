"""Owns the zero of an array's ammeter: what it says at night, while the array's volts are near nought.

With next to no volts there is nothing to drive a current, so what the meter says is its own. With the bank's volts on
the array it is a real current back through the controller, and no zero: such nights say nothing here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.frames import Stretch
from analysis.results import SunDay
from analysis.sky import NIGHT_ELEVATION_DEG
from analysis.sun import Floats, SunPath, Times
from logger.settings import Array, Settings

# More than this is no meter's zero [A]; of so many readings over so many minutes a mean is made; common practice, no
# source.
_MOST_A = 0.05
_LEAST_READINGS, _LEAST_MS = 6, 20 * 60_000
# Volts near nought: under half the bank's, of the lowest bank where none is known.
_NEAR_NOUGHT, _LOWEST_BANK_V = 0.5, 12.0


def at(
    start: Times, array: Array, settings: Settings, stretch: Stretch, suns: Sequence[SunDay], path: SunPath
) -> Floats:
    """Zero of an array's ammeter at some moments by the night of their own day [A]; NaN where that does not tell it."""
    bank_v = (settings.bank.nominal_voltage if settings.bank else None) or _LOWEST_BANK_V
    day = np.maximum(np.searchsorted(np.array([sun.start for sun in suns]), start, side="right") - 1, 0)
    zeros = np.full(len(suns), np.nan)
    for i in np.unique(day):
        zeros[i] = _of_day(array.name, _NEAR_NOUGHT * bank_v, stretch, suns[i], path)
    return zeros[day]


def _of_day(array: str, near_nought: float, stretch: Stretch, sun: SunDay, path: SunPath) -> float:
    amps = stretch[f"array.{array}.current"].between(sun.start, sun.stop)
    volts = stretch[f"array.{array}.voltage"].between(sun.start, sun.stop)
    if not len(amps.start) or not len(volts.start):
        return float("nan")
    ends = sun.first_light or sun.start, sun.last_light or sun.stop
    outside = np.flatnonzero((amps.start < ends[0]) | (amps.start >= ends[1]))
    middle = amps.start[outside] + amps.length[outside] // 2
    dark = outside[path.elevation(middle) < NIGHT_ELEVATION_DEG]
    _, i, j = np.intersect1d(amps.start[dark], volts.start, assume_unique=True, return_indices=True)
    told = dark[i[volts.value[j] < near_nought]]
    said = amps.value[told]
    if len(said) < _LEAST_READINGS or amps.length[told].sum() < _LEAST_MS or np.abs(said).max() > _MOST_A:
        return float("nan")
    # A meter that never says less than nought may hide a zero below it.
    hides = said.min() >= 0.0 and np.median(said) == 0.0
    return float("nan") if hides else float(said.mean())
