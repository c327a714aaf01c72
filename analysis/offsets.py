"""Owns the night offset of light sensors: what they say in the dark, day by day, to be taken off their light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.frames import Grid, Stretch
from analysis.results import SunDay
from analysis.sky import NIGHT_ELEVATION_DEG, OFFSET_BOUND_WM2
from analysis.sun import Floats, SunPath

_LEAST_READINGS = 8


def of_days(channel: str, stretch: Stretch, suns: Sequence[SunDay], path: SunPath) -> list[float]:
    """Night offset of a channel of light for each day [W/m²]; 0 where its nights say nothing believable."""
    return [_of_day(channel, stretch, sun, path) for sun in suns]


def _of_day(channel: str, stretch: Stretch, sun: SunDay, path: SunPath) -> float:
    pieces = stretch[channel].between(sun.start, sun.stop)
    if len(pieces.start) == 0:
        return 0.0
    dark = path.elevation(pieces.start + pieces.length // 2) < NIGHT_ELEVATION_DEG
    values = pieces.value[dark]
    values = values[np.abs(values) <= OFFSET_BOUND_WM2]
    return float(np.median(values)) if len(values) >= _LEAST_READINGS else 0.0


def on_grid(offsets: Sequence[float], suns: Sequence[SunDay], grid: Grid) -> Floats:
    """The offset of its own day for each interval [W/m²]."""
    day = np.searchsorted(np.array([sun.start for sun in suns]), grid.start, side="right") - 1
    return np.asarray(offsets, dtype=float)[np.maximum(day, 0)] if len(offsets) else np.zeros(len(grid.start))
