"""Owns what goes through the bank on one day, as the 1998 edition of IEC 61724 counts a system with storage."""

from __future__ import annotations

import numpy as np

from analysis import instruments
from analysis.expected import array_controller
from analysis.frames import Grid, Stretch, grid_for
from analysis.results import StorageDay, SunDay
from analysis.sun import Floats
from logger.settings import Settings

# Loads never give. Beyond this much of meters' error something feeds the bank that nobody measures: an engine, a shore
# lead [W, and share of what goes through the bank]; common practice, no source.
_LEAST_UNMEASURED_W, _UNMEASURED_SHARE = 15.0, 0.05


def of_day(settings: Settings, stretch: Stretch, sun: SunDay, window: tuple[int, int]) -> StorageDay | None:
    """The bank's day by those intervals in which everything that feeds it was known; None where none was.

    What the loads use is the balance at the bank: what controllers and second source gave, less what the bank took.
    Loads' own meters seldom see all of them, and a balance needs none.

    Parameters
    ----------
    window : tuple of int
        Outside of it no array gives anything, UTC [ms].
    """
    if settings.bank is None:
        return None
    amps = stretch[f"bank.{settings.bank.name}.current"]
    grid = grid_for([amps.between(sun.start, sun.stop)], sun.start, sun.stop)
    volts = stretch[f"bank.{settings.bank.name}.voltage"].on(grid)
    into = volts * amps.on(grid)
    if not np.isfinite(into).any():
        return None
    array, out = _solar(settings, stretch, grid, window)
    backup = _wind(settings, stretch, grid, volts)
    load = out + backup - into
    known = np.isfinite(load) & np.isfinite(array)
    with np.errstate(invalid="ignore"):
        known &= load > -np.maximum(_LEAST_UNMEASURED_W, _UNMEASURED_SHARE * np.abs(into))
    if not known.any():
        return None

    def wh(watts: Floats) -> float:
        return float(watts[known].sum() * grid.hours)

    return StorageDay(
        bank=settings.bank.name,
        day=sun.day,
        start=sun.start,
        stop=sun.stop,
        array_wh=wh(array),
        backup_wh=wh(backup),
        to_storage_wh=wh(np.maximum(into, 0.0)),
        from_storage_wh=wh(np.maximum(-into, 0.0)),
        load_wh=wh(load),
        known_min=float(known.sum()) * grid.hours * 60.0,
    )


def _solar(settings: Settings, stretch: Stretch, grid: Grid, window: tuple[int, int]) -> tuple[Floats, Floats]:
    """Power of all arrays at their controllers' inputs, and at their outputs [W]; NaN where one was not heard."""
    a, b = np.searchsorted(grid.start, window)
    lit = Grid(grid.start[a:b], grid.step)
    array, out = np.zeros(len(grid.start)), np.zeros(len(grid.start))
    for one in settings.array:
        given, passed_on = instruments.powers(one, array_controller(settings, one), stretch, lit)
        array[a:b] += given
        out[a:b] += passed_on
    return array, out


def _wind(settings: Settings, stretch: Stretch, grid: Grid, volts: Floats) -> Floats:
    """Power of what else charges [W]: as measured, else its amps at the bank's volts; nothing where no wind turns."""
    given = np.zeros(len(grid.start))
    channels = instruments.wind_channels(settings)
    for name in dict.fromkeys(channel.split(".")[1] for channel in channels):
        power = stretch[f"wind.{name}.power"].on(grid)
        given += np.where(np.isfinite(power), power, stretch[f"wind.{name}.current"].on(grid) * volts)
    return given
