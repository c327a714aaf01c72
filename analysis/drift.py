"""Owns the slow drift of a light sensor's gain: dirt, age or a knock, told by clear days over weeks and taken out.

Only the sky tells it: a clear day's light is known from the sun alone, so nothing that befalls an array can move it.
How high a gain is to begin with the sky tells too coarsely: the sensor's own first clear days are the measure.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frames import Grid
from analysis.results import (
    SunDay,
)
from analysis.results_light import LightDay
from analysis.sky import GLOBAL, LUX
from analysis.sun import Floats

# Clear days that make the measure, and those around a day that tell its gain; common practice, no source.
_FIRST, _LEAST, _AROUND_DAYS = 7, 4, 14
# A clear sky differs from the climatology's by some per cent for a season: over four years of clear days in Colorado a
# sound sensor's level swings by 6 %. Less than this is the sky's, not the sensor's.
_LEAST_DRIFT = 0.08
# Beyond belief: such a sensor is broken, and `sensor-suspect` tells it.
_MOST_DRIFT = 0.35
# How well the drift is then known, relative, one sigma: the clear sky's own spread from week to week; common practice.
# A lux sensor's is known as well: luminous efficacy of clear hours differs by under 1 % from month to month in the
# typical years 703165TY and 723170TYA of pvlib.
SIGMA = 0.03
_STEP = 0.01

Drifts = Mapping[tuple[str, dt.date], "Drift"]


@dataclass(frozen=True, slots=True)
class Drift:
    """Gain of a sensor over what it was at first, and its relative standard uncertainty."""

    gain: float
    sigma: float


NONE = Drift(1.0, 0.0)


def of_days(days: Sequence[LightDay]) -> dict[tuple[str, dt.date], Drift]:
    """The drift of each sensor on each day that it was read; days without one are left out.

    Parameters
    ----------
    days : sequence of LightDay
        Of all sensors and all days of the record; their gains are those of the readings as they came.

    Notes
    -----
    Only sensors that face up are corrected: one that leans shows a season of its own as soon as its tilt is drawn some
    degrees wrong. Where another sensor drifts alike it is the sky that did, a season of haze. Nor is a gain corrected
    that comes nearer to the clear sky's own: it was put right, by a wash or in the settings.
    """
    levels = {channel: _levels([d for d in days if d.channel == channel]) for channel in {d.channel for d in days}}
    found = {}
    for channel, own in levels.items():
        if channel not in (GLOBAL, LUX):
            continue
        others = [level for other, level in levels.items() if other != channel]
        for day, level in own.items():
            apart = level - 1.0
            witnesses = [other[day] - 1.0 for other in others if day in other]
            shared = any(witness * apart > 0 and abs(witness) > abs(apart) / 2 for witness in witnesses)
            if _LEAST_DRIFT <= abs(apart) <= _MOST_DRIFT and not shared:
                found[channel, day] = Drift(round(level / _STEP) * _STEP, SIGMA)
    return found


def _levels(days: Sequence[LightDay]) -> dict[dt.date, float]:
    """Median gain of the clear days around each day over that of the first ones; where either is too few, nothing."""
    told = [d for d in days if d.gain is not None]
    if len(told) < _FIRST + _LEAST:
        return {}
    at = np.array([d.day.toordinal() for d in told])
    gains = np.array([d.gain for d in told], dtype=float)
    first = float(np.median(gains[:_FIRST]))
    levels = {}
    for d in days[days.index(told[_FIRST - 1]) + 1 :]:
        a, b = np.searchsorted(at, [d.day.toordinal() - _AROUND_DAYS, d.day.toordinal() + _AROUND_DAYS + 1])
        if b - a >= _LEAST:
            now = float(np.median(gains[a:b]))
            levels[d.day] = now / first if abs(now - 1.0) > abs(first - 1.0) else 1.0
    return levels


def on_grid(drifts: Drifts, channel: str, suns: Sequence[SunDay], grid: Grid) -> tuple[Floats, Floats]:
    """Drift of a channel, and its relative standard uncertainty, in each interval."""
    each = [drifts.get((channel, sun.day), NONE) for sun in suns]
    at = np.searchsorted(np.array([sun.start for sun in suns]), grid.start, side="right") - 1
    gains, sigmas = np.array([[d.gain, d.sigma] for d in each]).T
    return gains[np.maximum(at, 0)], sigmas[np.maximum(at, 0)]
