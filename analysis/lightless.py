"""Owns light sensors that say nothing in full day: dead, unplugged or buried, so that the next best evidence counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analysis.frames import Grid
from analysis.results import ArrayDay
from analysis.sun import Floats

Mask = npt.NDArray[np.bool_]

# The thickest cloud leaves a few hundredths of what comes from the sun, for minutes; common practice, no source.
_NOTHING_SHARE, _LEAST_MS = 0.008, 3_600_000
_WELL_UP_DEG = 10.0
_SOLAR_CONSTANT = 1361.0


def where(light: Floats, elevation: Floats, grid: Grid) -> Mask:
    """Intervals in which a sensor of light from the whole sky says what no day gives, for an hour or more.

    Parameters
    ----------
    light : ndarray
        What it says [W/m²], whichever way it faces.
    elevation : ndarray
        Of the sun [degrees].
    grid : Grid
    """
    dark = (light < _NOTHING_SHARE * _SOLAR_CONSTANT) & (elevation > _WELL_UP_DEG)
    if not dark.any():
        return dark
    dark &= light < _NOTHING_SHARE * _SOLAR_CONSTANT * np.sin(np.radians(elevation))
    if not dark.any():
        return dark
    begins = dark & ~(np.append(False, dark[:-1]) & (np.diff(grid.start, prepend=grid.start[0]) == grid.step))
    spell = np.cumsum(begins)
    lasts = np.bincount(spell[dark], minlength=int(spell[-1]) + 1) * grid.step
    return np.asarray(dark & (lasts[spell] >= _LEAST_MS))


def sensors(array: str, read: Callable[[str], Floats], elevation: Floats, grid: Grid) -> Mapping[str, Mask]:
    """When which of the light sensors that an array is judged by were dead; those that never were are not in it.

    Parameters
    ----------
    array : str
    read : callable
        Gives a channel's light on the grid [W/m²].
    elevation : ndarray
    grid : Grid
    """
    channels = f"irradiance.{array}.plane", "irradiance.horizontal.global", "irradiance.horizontal.illuminance"
    found = {channel: where(read(channel), elevation, grid) for channel in channels}
    return {channel: dead for channel, dead in found.items() if dead.any()}


def with_dead(day: ArrayDay, dead: Mapping[str, Mask], grid: Grid) -> ArrayDay:
    """A day with the minutes in which each light sensor was dead, where one was."""
    a, b = np.searchsorted(grid.start, [day.start, day.stop])
    minutes = {channel: float(mask[a:b].sum()) * grid.step / 60_000 for channel, mask in dead.items()}
    told = {channel: count for channel, count in minutes.items() if count}
    return replace(day, features=day.features | {"lightless_min": told}) if told else day
