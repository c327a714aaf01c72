"""Owns whether an array lies under something: from the first sign after a frost until its power returns."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analysis.frames import Grid, Stretch
from analysis.results import ArrayDay
from analysis.sun import Floats, Times

# A module is covered from the moment when it gives less than this share of what the light would allow, after a
# frost, until it gives more than that; common practice, no source.
COVERED_BELOW, UNCOVERED_ABOVE = 0.15, 0.40
FROST_C = 1.0
FROST_MEMORY_MS = 12 * 3_600_000
_SMOOTHING_MS = 15 * 60_000
# Light that nobody measured beside the array, of a weather series or a clear sky, says little of one dark quarter of an
# hour, and least under a low sun: a cover is then believed that held so long in good light. Common practice, no source.
_LOW_SUN_DEG, _LEAST_HELD_MS = 5.0, 2 * 3_600_000


def share(power: Floats, expected: Floats, grid: Grid) -> Floats:
    """Measured over expected, smoothed over a quarter of an hour so that one blink decides nothing."""
    half = round(_SMOOTHING_MS / grid.step) // 2
    known = np.isfinite(power) & np.isfinite(expected)
    here = np.arange(len(power))
    first, last = _day_bounds(grid)
    low, high = np.maximum(here - half, first), np.minimum(here + half + 1, last)
    got, could = (np.concatenate([[0.0], np.cumsum(np.where(known, p, 0.0))]) for p in (power, expected))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (got[high] - got[low]) / (could[high] - could[low])
    return np.where(could[high] > could[low], share, np.nan)


def _day_bounds(grid: Grid) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """For each interval, the first of its own day on the grid and the first of the next: nights part the days."""
    edges = np.flatnonzero(np.diff(grid.start) > grid.step) + 1
    bounds = np.concatenate([[0], edges, [len(grid.start)]])
    day = np.searchsorted(edges, np.arange(len(grid.start)), side="right")
    return bounds[day], bounds[day + 1]


def frost(frosts: Times, grid: Grid) -> npt.NDArray[np.bool_]:
    """Whether it froze within the last twelve hours."""
    if len(frosts) == 0:
        return np.zeros(len(grid.start), dtype=bool)
    last = np.searchsorted(frosts, grid.start, side="right") - 1
    return np.asarray((last >= 0) & (grid.start - frosts[np.maximum(last, 0)] <= FROST_MEMORY_MS))


def with_frost(day: ArrayDay, stretch: Stretch, frosty: npt.NDArray[np.bool_]) -> ArrayDay:
    """A day that says whether it froze before its light or in it; nobody knows where no thermometer was heard.

    Parameters
    ----------
    frosty : ndarray of bool
        Of `frost`, in the day's intervals.
    """
    channels = ("air.outside.temperature", f"array.{day.array}.module_temperature")
    if not any(len(stretch[channel].between(day.start, day.stop).start) for channel in channels):
        return day
    return replace(day, features=day.features | {"froze": float(frosty.any())})


def covered(
    dark: npt.NDArray[np.bool_], free: npt.NDArray[np.bool_], grid: Grid, before: bool
) -> npt.NDArray[np.bool_]:
    """Covered from the first sign to the power's return.

    Parameters
    ----------
    dark, free : ndarray of bool
        Intervals in which, after a frost, next to no light reached the cells; and in which much of it did.
    grid : Grid
    before : bool
        Whether the array was covered when the stretch began.
    unmeasured : ndarray of bool
        Where no sensor and no other array gave the light.
    good : ndarray of bool
        Where such light is good enough for a sign.

    Notes
    -----
    Intervals without a sign take after the last one, those of the morning after the first sign of their own day,
    because it snows at night.
    """
    sign = np.full(len(dark), -1, dtype=np.int8)
    sign[dark] = 1
    sign[free] = 0
    signs = np.flatnonzero(sign >= 0)
    if len(signs) == 0:
        return np.full(len(sign), before)
    here = np.arange(len(sign))
    day, _ = _day_bounds(grid)
    last = np.searchsorted(signs, here, side="right") - 1
    following = signs[np.minimum(np.searchsorted(signs, here), len(signs) - 1)]
    previous = signs[np.maximum(last, 0)]
    held = np.where(last >= 0, sign[previous] == 1, before)
    morning = (here < following) & (day[following] == day) & ((last < 0) | (day[previous] < day))
    return np.where(morning, sign[following] == 1, held)


def lasting(
    dark: npt.NDArray[np.bool_], free: npt.NDArray[np.bool_], far: npt.NDArray[np.bool_], elevation: Floats, grid: Grid
) -> npt.NDArray[np.bool_]:
    """The signs of a cover without those by far light under a low sun, and those that ended too soon.

    Parameters
    ----------
    dark, free : ndarray of bool
        As of `covered`.
    far : ndarray of bool
        Where neither a sensor, nor another array, nor the array's own volts tell the light.
    elevation : ndarray
        Of the sun [degrees].
    grid : Grid
    """
    if not (dark & far).any():
        return dark
    kept = dark & (~far | (elevation >= _LOW_SUN_DEG))
    first, _ = _day_bounds(grid)
    at = np.flatnonzero(kept)
    # Signs of one day with no return between them are one.
    spell = np.cumsum(free)[at] + first[at] * (len(kept) + 1)
    _, which, count = np.unique(spell, return_inverse=True, return_counts=True)
    kept[at] = ~far[at] | (count[which] * grid.step >= _LEAST_HELD_MS)
    return kept


def hours_below(connection: sqlite3.Connection, channels: Iterable[str], start: int, stop: int, limit: float) -> Times:
    """Starts of the UTC hours [ms] in which one of the channels fell to the limit, ascending."""
    found = [
        connection.execute(
            "SELECT t FROM hour WHERE channel = (SELECT id FROM channel WHERE name = ?) "
            "AND t >= ? AND t < ? AND low <= ?",
            (channel, start, stop, limit),
        ).fetchall()
        for channel in channels
    ]
    return np.unique(np.array([row[0] for rows in found for row in rows], dtype=np.int64))
