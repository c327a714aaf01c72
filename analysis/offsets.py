"""Owns the night offset of light sensors: what they say in the dark, day by day, to be taken off their light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.frames import Grid, Stretch
from analysis.results import (
    SunDay,
)
from analysis.results_light import NEVER_DARK_WM2
from analysis.sky import NIGHT_ELEVATION_DEG, OFFSET_BOUND_WM2
from analysis.sun import Floats, SunPath

_LEAST_READINGS, _LEAST_BRIGHT = 8, 3
# A sensor that is bright at night was heard through most of it, or says what no evening has; one that sleeps and has
# the hour wrong is heard at one end. Common practice, no source.
_MOST_OF_NIGHT, _NO_EVENING_WM2 = 0.7, 1000.0


def of_days(channel: str, stretch: Stretch, suns: Sequence[SunDay], path: SunPath) -> list[float]:
    """Night offset of a channel of light for each day [W/m²]; 0 where its nights say nothing believable, and NaN, which
    leaves no light of that day, where they are bright."""
    return [_believed(in_the_dark(channel, stretch, sun, path), stretch[channel].step, sun, path) for sun in suns]


def _believed(dark: Floats, step: int, sun: SunDay, path: SunPath) -> float:
    many = len(dark) >= _LEAST_READINGS and np.median(dark) > NEVER_DARK_WM2
    if many or (len(dark) >= _LEAST_BRIGHT and dark.min() > NEVER_DARK_WM2):
        moments = np.arange(sun.start + step // 2, sun.stop, step)
        night = (path.elevation(moments) < NIGHT_ELEVATION_DEG).sum()
        if len(dark) >= _MOST_OF_NIGHT * night or np.median(dark) > _NO_EVENING_WM2:
            return float("nan")
    dark = dark[np.abs(dark) <= OFFSET_BOUND_WM2]
    return float(np.median(dark)) if len(dark) >= _LEAST_READINGS else 0.0


def in_the_dark(channel: str, stretch: Stretch, sun: SunDay, path: SunPath) -> Floats:
    """What a channel of light said while the sun was well down [W/m²]."""
    pieces = stretch[channel].between(sun.start, sun.stop)
    if len(pieces.start) == 0:
        return np.empty(0)
    dark = path.elevation(pieces.start + pieces.length // 2) < NIGHT_ELEVATION_DEG
    return pieces.value[dark]


def on_grid(offsets: Sequence[float], suns: Sequence[SunDay], grid: Grid) -> Floats:
    """The offset of its own day for each interval [W/m²]."""
    day = np.searchsorted(np.array([sun.start for sun in suns]), grid.start, side="right") - 1
    return np.asarray(offsets, dtype=float)[np.maximum(day, 0)] if len(offsets) else np.zeros(len(grid.start))
