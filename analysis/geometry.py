"""Owns which way a module faces: settings, heading, heel and pitch to tilt and azimuth, interval by interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frames import Grid, Stretch
from analysis.sun import Floats

# Headings over which a vessel swings when nobody measures hers.
HEADINGS = np.arange(0.0, 360.0, 45.0)
# A compass is heard every few seconds: a hole longer than this is a heading nobody knows.
_HOLE_MS = 10 * 60_000


@dataclass(frozen=True, slots=True)
class Facing:
    """Tilt from the horizontal and azimuth clockwise from north [degrees], one value for each interval."""

    tilt: Floats
    azimuth: Floats


@dataclass(frozen=True, slots=True)
class Attitude:
    """How the vessel lies on the grid [degrees].

    Attributes
    ----------
    moored : str
        ``fixed``, ``swinging`` or ``under way``: whether azimuths are from north or from the bow.
    heading : ndarray
        True, NaN where nobody knows it.
    heel, pitch : ndarray
        Starboard down and bow up are positive; 0 where nobody measures them.
    """

    moored: str
    heading: Floats
    heel: Floats
    pitch: Floats


def attitude(moored: str, stretch: Stretch, grid: Grid) -> Attitude:
    """How the vessel lies, by the channels ``site.attitude.*``."""
    heading = _filled(stretch["site.attitude.heading"].on(grid), grid)
    heel, pitch = (np.nan_to_num(stretch[f"site.attitude.{name}"].on(grid)) for name in ("heel", "pitch"))
    return Attitude(moored, heading, heel, pitch)


def _filled(heading: Floats, grid: Grid) -> Floats:
    """Short holes take the nearest known heading: minutes that swing through north have no mean."""
    known = np.flatnonzero(np.isfinite(heading))
    if len(known) == 0:
        return heading
    after = np.minimum(np.searchsorted(known, np.arange(len(heading))), len(known) - 1)
    before = np.maximum(after - 1, 0)
    distances = [np.abs(grid.start[known[i]] - grid.start) for i in (before, after)]
    nearest = np.where(distances[0] <= distances[1], known[before], known[after])
    return np.where(np.minimum(*distances) <= _HOLE_MS, heading[nearest], np.nan)


def facings(tilt: float, azimuth: float, lies: Attitude) -> Sequence[Facing]:
    """The ways a module may face: one where the heading is known or does not matter, else one a heading.

    Parameters
    ----------
    tilt, azimuth : float
        As in the settings: from the horizontal; from north, or from the bow of a vessel that turns.
    lies : Attitude
    """
    if lies.moored == "fixed":
        return [Facing(np.full(len(lies.heel), tilt), np.full(len(lies.heel), azimuth % 360.0))]
    known = np.isfinite(lies.heading)
    if known.all() or (tilt == 0 and not lies.heel.any() and not lies.pitch.any()):
        return [_turned(tilt, azimuth, np.nan_to_num(lies.heading), lies.heel, lies.pitch)]
    return [_turned(tilt, azimuth, np.where(known, lies.heading, around), lies.heel, lies.pitch) for around in HEADINGS]


def _turned(tilt: float, azimuth: float, heading: Floats, heel: Floats, pitch: Floats) -> Facing:
    """Turn the module's normal by heel, pitch and heading, in that order: forward, starboard, up."""
    t, a, h, p, y = (np.radians(x) for x in (tilt, azimuth, heel, pitch, heading))
    forward, starboard, up = np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)
    starboard, up = starboard * np.cos(h) + up * np.sin(h), up * np.cos(h) - starboard * np.sin(h)
    forward, up = forward * np.cos(p) - up * np.sin(p), up * np.cos(p) + forward * np.sin(p)
    north, east = forward * np.cos(y) - starboard * np.sin(y), forward * np.sin(y) + starboard * np.cos(y)
    flat = np.hypot(north, east)
    return Facing(np.degrees(np.arctan2(flat, up)), np.degrees(np.arctan2(east, north)) % 360.0)
