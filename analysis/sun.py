"""Owns where the sun is: position at any moment, mean solar days, first light, noon, last light."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib
from scipy.interpolate import CubicSpline

Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]

DAY_MS = 86_400_000
MINUTE_MS = 60_000
_NODE_MS = 15 * MINUTE_MS
# Elevation of the sun's centre at rise and set: radius 16' and refraction at the horizon 34'
# (Reda & Andreas, NREL/TP-560-34302).
HORIZON_DEG = -0.8333
_REFRACTION_AT_HORIZON = 0.5667


@dataclass(frozen=True, slots=True)
class Place:
    """Where she lies: degrees north and east, metres above the sea."""

    latitude: float
    longitude: float
    elevation: float = 0.0

    @property
    def pressure(self) -> float:
        """Standard pressure at that height [Pa]."""
        return float(pvlib.atmosphere.alt2pres(self.elevation))


@dataclass(frozen=True, slots=True)
class Track:
    """The way of a vessel: where she was at some moments, ascending, UTC [ms]; degrees north and east.

    Before the first moment and after the last she lies where she was then.
    """

    t: Times
    latitude: Floats
    longitude: Floats

    def at(self, t: Times) -> tuple[Floats, Floats]:
        """Latitude and longitude at moments; across the date line the short way."""
        around = np.unwrap(self.longitude, period=360.0)
        return np.interp(t, self.t, self.latitude), np.interp(t, self.t, around)


@dataclass(frozen=True, slots=True)
class SunPosition:
    """The sun at given moments, arrays of one shape [degrees].

    Attributes
    ----------
    elevation : ndarray
        Geometric elevation of the centre.
    apparent_zenith : ndarray
        With refraction.
    azimuth : ndarray
        Clockwise from north.
    """

    elevation: Floats
    apparent_zenith: Floats
    azimuth: Floats


class SunPath:
    """The sun's way over a stretch of time at one place, by the SPA (Reda & Andreas, NREL/TP-560-34302) of pvlib.

    The algorithm runs on nodes a quarter of an hour apart; its direction is carried between them by cubic splines,
    which costs a millionth of a degree and saves nine tenths of the time.

    Parameters
    ----------
    start, stop : int
        Stretch over which it is asked, UTC [ms].
    place : Place
    temperature : float
        Of the air, for refraction [°C].
    track : Track, optional
        Of a vessel under way: the sun is then that of where she was at each moment.
    """

    def __init__(
        self, start: int, stop: int, place: Place, temperature: float = 12.0, track: Track | None = None
    ) -> None:
        nodes = np.arange(start // _NODE_MS - 2, stop // _NODE_MS + 4, dtype=np.int64) * _NODE_MS
        latitude, longitude = track.at(nodes) if track else (place.latitude, place.longitude)
        spa = pvlib.solarposition.spa_python(
            pd.DatetimeIndex(nodes.astype("datetime64[ms]")).tz_localize("UTC"),
            latitude,
            longitude,
            altitude=place.elevation,
            pressure=place.pressure,
            temperature=temperature,
        )
        elevation, azimuth = np.radians(spa["elevation"].to_numpy()), np.radians(spa["azimuth"].to_numpy())
        direction = np.stack(
            [np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth), np.sin(elevation)], axis=1
        )
        self._origin = nodes[0]
        self._direction = CubicSpline(nodes - nodes[0], direction)
        self._place = place
        self._temperature = temperature

    def at(self, t: Times) -> SunPosition:
        """Positions at moments of the stretch, UTC [ms]."""
        east, north, up = self._direction(t - self._origin).T
        geometric = np.degrees(np.arctan2(up, np.hypot(east, north)))
        refraction = pvlib.spa.atmospheric_refraction_correction(
            self._place.pressure / 100, self._temperature, geometric, _REFRACTION_AT_HORIZON
        )
        return SunPosition(geometric, 90.0 - (geometric + refraction), np.degrees(np.arctan2(east, north)) % 360.0)

    def elevation(self, t: Times) -> Floats:
        """Geometric elevation alone [degrees]."""
        return np.asarray(np.degrees(np.arcsin(np.clip(self._direction(t - self._origin)[:, 2], -1.0, 1.0))))

    def light_of_day(self, start: int) -> tuple[int | None, int, int | None]:
        """First light, true solar noon, last light of the solar day that begins at `start`, UTC [ms].

        First and last light are None where the sun does not cross the horizon that day (polar night, midnight sun).
        """
        t = np.arange(start, start + DAY_MS + 1, MINUTE_MS, dtype=np.int64)
        east, _, up = self._direction(t - self._origin).T
        # At the upper transit the sun passes from the eastern half of the sky into the western.
        transit = int(np.flatnonzero((east[:-1] > 0) & (east[1:] <= 0))[0])
        noon = int(t[transit] + round(east[transit] / (east[transit] - east[transit + 1]) * MINUTE_MS))
        elevation = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
        above = elevation > HORIZON_DEG
        rises = np.flatnonzero(~above[:-1] & above[1:])
        sets = np.flatnonzero(above[:-1] & ~above[1:])
        return _crossing(t, elevation, rises[:1]), noon, _crossing(t, elevation, sets[-1:])


def day_start(day: dt.date, longitude: float) -> int:
    """Start of a local mean solar day, UTC [ms]: UTC + longitude/15 h, always 24 h long."""
    midnight = dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC)
    return round(midnight.timestamp() * 1000 - longitude / 360.0 * DAY_MS)


def solar_day(t: int, longitude: float) -> dt.date:
    """The local mean solar day to which a moment [UTC ms] belongs."""
    shifted = dt.datetime.fromtimestamp(0, dt.UTC) + dt.timedelta(milliseconds=t + longitude / 360.0 * DAY_MS)
    return shifted.date()


def _crossing(t: Times, elevation: Floats, at: npt.NDArray[np.intp]) -> int | None:
    if len(at) == 0:
        return None
    i = int(at[0])
    share = (HORIZON_DEG - elevation[i]) / (elevation[i + 1] - elevation[i])
    return int(t[i] + round(share * MINUTE_MS))
