"""Owns where she is: at her berth, where a passage puts her, or on her way as her own channels tell it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.frames import Stretch, grid_for
from analysis.sun import Place, Track
from logger.settings import Settings
from logger.store import HOUR_MS

CHANNELS = ("site.position.latitude", "site.position.longitude")


def track(stretch: Stretch, start: int, stop: int) -> Track | None:
    """The way of a vessel between two moments, UTC [ms], in hourly medians: a single wrong fix moves nothing.

    Returns
    -------
    Track or None
        None where no position was heard.
    """
    grid = grid_for([stretch[channel] for channel in CHANNELS], start, stop)
    latitude, longitude = (stretch[channel].on(grid) for channel in CHANNELS)
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return None
    heard = {"latitude": latitude[known], "longitude": np.unwrap(longitude[known], period=360.0)}
    hourly = pd.DataFrame(heard).groupby(grid.middle[known] // HOUR_MS).median()
    middle = hourly.index.to_numpy(dtype=np.int64) * HOUR_MS + HOUR_MS // 2
    return Track(middle, hourly["latitude"].to_numpy(), hourly["longitude"].to_numpy())


def place(settings: Settings, way: Track | None = None) -> Place:
    """The middle of her way, else where a passage puts her, else the berth.

    Parameters
    ----------
    settings : Settings
        With the passage in force, if there is one.
    way : Track, optional
    """
    if way is not None:
        longitude = (float(np.median(way.longitude)) + 180.0) % 360.0 - 180.0
        return Place(float(np.median(way.latitude)), longitude, settings.site.elevation)
    berth = settings.passage[0] if settings.passage else settings.site
    return Place(berth.latitude, berth.longitude, settings.site.elevation)


def around(settings: Settings) -> str:
    """What throws light back there: ``water land ice snow``."""
    there = settings.passage[0].around if settings.passage else None
    return there or settings.site.around
