"""Owns what the sky gave on one grid: measured, taken apart, and cloudless; shared by all arrays judged on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

from analysis.frames import Grid, Stretch
from analysis.geometry import Facing
from analysis.sun import Floats, Place, SunPosition

# Global luminous efficacy [lm/W] of a clear and of an overcast sky: typical year 703165, Perez's illuminance model
# (measured: 103.6 where at most a tenth of the sky is cloudy, 115.6 overcast, 107.4 weighed by energy).
_EFFICACY_CLEAR, _EFFICACY_OVERCAST, _EFFICACY_MEAN = 103.6, 115.6, 107.4
# Night offset of a light sensor: its median while the sun is well down, believed within these bounds [W/m²]
# (common practice; the same bound stands in an open library of quality rules).
NIGHT_ELEVATION_DEG = -6.0
OFFSET_BOUND_WM2 = 10.0


# An hour brighter than this share of a clear one is a wrong stamp, or twilight.
_MOST_OF_CLEAR = 1.5


@dataclass(frozen=True, slots=True)
class Parts:
    """Global horizontal, direct normal and diffuse horizontal irradiance [W/m²]; `told` where beam or dome were measured,
    not taken from the global light."""

    ghi: Floats
    dni: Floats
    dhi: Floats
    told: npt.NDArray[np.bool_] | bool = False


# Of what lies around: pvlib's table for sea, grass and old snow; ice by common practice, no source.
ALBEDO = {"water": 0.07, "land": 0.20, "ice": 0.35, "snow": 0.65}


class Sky:
    """What the sky gave on one grid.

    Parameters
    ----------
    grid : Grid
        Intervals with the sun above the horizon.
    sun : SunPosition
        At the middle of each interval.
    place : Place
    stretch : Stretch
        Holds the sensors that face up.
    albedo : float
        Of what lies around.
    horizon : sequence of (azimuth, elevation)
        Skyline [degrees]; below it there is no beam.
    offsets : callable
        Night offset of a channel of light on the grid [W/m²]; nothing is taken off without it.
    """

    def __init__(
        self,
        grid: Grid,
        sun: SunPosition,
        place: Place,
        stretch: Stretch,
        albedo: float = 0.07,
        horizon: tuple[tuple[float, float], ...] = (),
        offsets: Callable[[str], Floats] | None = None,
    ) -> None:
        self.grid = grid
        self.sun = sun
        self.place = place
        self.albedo = albedo
        self.stretch = stretch
        self._horizon = horizon
        self._offset = offsets or (lambda _: np.zeros(len(grid.start)))

    def light(self, channel: str) -> Floats:
        """A channel of light on the grid, its night offset taken off, never below nothing; NaN where not read."""
        return np.maximum(self.stretch[channel].on(self.grid) - self._offset(channel), 0.0)

    @cached_property
    def times(self) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(self.grid.middle.astype("datetime64[ms]")).tz_localize("UTC")

    @cached_property
    def day_of_year(self) -> Floats:
        return self.times.day_of_year.to_numpy().astype(float)

    @cached_property
    def extra(self) -> Floats:
        """Extraterrestrial normal irradiance [W/m²], Spencer 1971."""
        return np.asarray(pvlib.irradiance.get_extra_radiation(self.day_of_year))

    @cached_property
    def clear(self) -> Parts:
        """A cloudless sky: Ineichen and Perez (2002), Linke turbidity by the climatology that pvlib carries."""
        if len(self.grid.start) == 0:
            return Parts(np.empty(0), np.empty(0), np.empty(0))
        dates = self.times.normalize()
        turbidity = pvlib.clearsky.lookup_linke_turbidity(dates.unique(), self.place.latitude, self.place.longitude)
        airmass = pvlib.atmosphere.get_relative_airmass(self.sun.apparent_zenith)
        sky = pvlib.clearsky.ineichen(
            self.sun.apparent_zenith,
            pvlib.atmosphere.get_absolute_airmass(airmass, self.place.pressure),
            turbidity.reindex(dates).to_numpy(),
            self.place.elevation,
            self.extra,
        )
        return Parts(*(np.nan_to_num(np.asarray(sky[key], dtype=float)) for key in ("ghi", "dni", "dhi")))

    @cached_property
    def measured(self) -> Parts:
        """The horizontal sensor's light, its beam and dome as measured where they are, else by Erbs."""
        return self.completed(self.light("irradiance.horizontal.global"))

    @cached_property
    def by_lux(self) -> Parts:
        """Light by a lux sensor: luminous efficacy between that of a clear and of an overcast sky."""
        lux = self.light("irradiance.horizontal.illuminance")
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip((lux / _EFFICACY_MEAN / self.clear.ghi - 0.3) / 0.5, 0.0, 1.0)
        efficacy = _EFFICACY_OVERCAST + np.nan_to_num(share) * (_EFFICACY_CLEAR - _EFFICACY_OVERCAST)
        return self.taken_apart(lux / efficacy)

    @cached_property
    def by_weather(self) -> Parts:
        """Light by an imported weather series: within each of its intervals the clear sky's course, at its mean."""
        said = self.stretch["irradiance.weather.global"]
        if not len(said.start):
            return self.taken_apart(np.full(len(self.grid.start), np.nan))
        at = np.searchsorted(said.start, self.grid.middle, side="right") - 1
        inside = (at >= 0) & (self.grid.middle < (said.start + said.length)[np.maximum(at, 0)])
        at = np.maximum(at, 0)
        course = self.clear.ghi
        count = np.bincount(at[inside], minlength=len(said.start))
        mean = np.bincount(at[inside], course[inside], minlength=len(said.start)) / np.maximum(count, 1)
        # At sunrise and sunset the sun is up in a part of the interval, which holds all of its light.
        up = count * self.grid.step / said.length
        with np.errstate(divide="ignore", invalid="ignore"):
            share = said.value / np.minimum(up, 1.0) / mean
        light = np.where(mean[at] > 0, course * np.clip(share[at], 0.0, _MOST_OF_CLEAR), np.nan)
        return self.taken_apart(np.where(inside, light, np.nan))

    def completed(self, horizontal: Floats) -> Parts:
        """Global with the dome and the beam that were measured beside it; Erbs' where they were not.

        Of global, diffuse and direct any two give the third.
        """
        dhi, dni = self.light("irradiance.diffuse.horizontal"), self.light("irradiance.direct.normal")
        told = np.isfinite(dhi) | np.isfinite(dni)
        towards = np.maximum(np.cos(np.radians(self.sun.apparent_zenith)), 0.0)
        ghi = np.where(np.isfinite(horizontal), horizontal, dni * towards + dhi)
        found = self.taken_apart(ghi)
        dhi = np.where(np.isfinite(dhi), np.minimum(dhi, ghi), np.where(np.isfinite(dni), ghi - dni * towards, np.nan))
        dhi = np.where(np.isfinite(dhi), np.maximum(dhi, 0.0), found.dhi)
        # Close to the horizon a small difference would become a huge beam: there Erbs' limits hold.
        with np.errstate(divide="ignore", invalid="ignore"):
            beam = np.where(towards > 0.065, (ghi - dhi) / towards, found.dni)
        return Parts(ghi, np.clip(np.where(np.isfinite(dni), dni, beam), 0.0, self.extra), dhi, told)

    def taken_apart(self, horizontal: Floats) -> Parts:
        """Global, direct normal and diffuse irradiance from the global alone (Erbs et al. 1982)."""
        found = pvlib.irradiance.erbs(horizontal, self.sun.apparent_zenith, self.day_of_year)
        return Parts(horizontal, np.nan_to_num(found["dni"]), np.asarray(found["dhi"], dtype=float))

    @cached_property
    def shaded_by_horizon(self) -> Floats:
        """1 where the sun stands behind the skyline, else 0."""
        if not self._horizon:
            return np.zeros(len(self.grid.start))
        around = np.array(sorted(self._horizon))
        skyline = np.interp(self.sun.azimuth, around[:, 0], around[:, 1], period=360.0)
        return np.asarray(self.sun.elevation < skyline, dtype=float)

    def in_plane(self, facing: Facing, parts: Parts) -> tuple[Floats, Floats]:
        """Irradiance in a plane [W/m²] by Hay and Davies (1980), and the share of it that passes the glass."""
        zenith = self.sun.apparent_zenith
        projection = np.asarray(
            pvlib.irradiance.aoi_projection(facing.tilt, facing.azimuth, zenith, self.sun.azimuth), dtype=float
        )
        towards = np.maximum(projection, 0.0)
        beam_normal = parts.dni * (1.0 - self.shaded_by_horizon)
        # Below 87° of zenith the beam's share of the horizontal says nothing.
        ratio = towards / np.maximum(np.cos(np.radians(zenith)), 0.0523)
        dome = pvlib.irradiance.haydavies(facing.tilt, 0.0, parts.dhi, beam_normal, self.extra, projection_ratio=ratio)
        ground = pvlib.irradiance.get_ground_diffuse(facing.tilt, parts.ghi, self.albedo)
        beam = beam_normal * towards
        plane = np.asarray(beam + dome + ground, dtype=float)
        return plane, _glass(projection, beam, parts.dhi, float(np.nanmean(facing.tilt)) if len(plane) else 0.0)


    def lean(self, facing: Facing, parts: Parts) -> Floats:
        """Change of the light in a plane [W/m²] when the dome's share of the whole light rises by 1."""
        zenith = self.sun.apparent_zenith
        projection = np.asarray(pvlib.irradiance.aoi_projection(facing.tilt, facing.azimuth, zenith, self.sun.azimuth))
        beam = np.maximum(projection, 0.0) / np.maximum(np.cos(np.radians(zenith)), 0.0523)
        view = (1.0 + np.cos(np.radians(facing.tilt))) / 2.0
        return np.asarray(parts.ghi * (1.0 - parts.dni / self.extra) * (view - beam))


def _glass(projection: Floats, beam: Floats, dome: Floats, tilt: float) -> Floats:
    """Share of the light in a plane that passes the glass (Fresnel and Bouguer, as in De Soto et al. 2006)."""
    through = np.interp(projection, *_glass_table())
    # Diffuse light falls in from all sides: the Fresnel reflection integrated over the dome (Marion 2017).
    diffuse = _dome(round(max(tilt, 0.1), 1))
    total = beam + dome
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, (beam * through + dome * diffuse) / total, 1.0)


@cache
def _glass_table() -> tuple[Floats, Floats]:
    """What passes the glass over the cosine of the angle of incidence, ascending."""
    angles = np.linspace(90.0, 0.0, 361)
    return np.cos(np.radians(angles)), np.asarray(pvlib.iam.physical(angles), dtype=float)


@cache
def _dome(tilt: float) -> float:
    return float(pvlib.iam.marion_diffuse("physical", tilt)["sky"])
