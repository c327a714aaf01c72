"""Owns what the sky gave on one grid: measured, taken apart, and cloudless; shared by all arrays judged on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

from analysis import lightless
from analysis.frames import Grid, Stretch
from analysis.geometry import Facing
from analysis.sun import MINUTE_MS, Floats, Place, SunPosition, Times

# Global luminous efficacy [lm/W] of a clear and of an overcast sky: typical year 703165, Perez's illuminance model
# (measured: 103.6 where at most a tenth of the sky is cloudy, 115.6 overcast, 107.4 weighed by energy); Littlefair
# (1988) found 107 clear and 109 on average. The middle of the two.
CLEAR_EFFICACY, _EFFICACY_OVERCAST, _EFFICACY_MEAN = 105.3, 115.6, 108.2
# Night offset of a light sensor: its median while the sun is well down, believed within these bounds [W/m²]
# (common practice; the same bound stands in an open library of quality rules).
NIGHT_ELEVATION_DEG = -6.0
OFFSET_BOUND_WM2 = 10.0
GLOBAL, LUX = "irradiance.horizontal.global", "irradiance.horizontal.illuminance"
DIFFUSE, DIRECT = "irradiance.diffuse.horizontal", "irradiance.direct.normal"
BY_WEATHER = "irradiance.weather.global"
# Intervals longer than this are looked at in steps of ten minutes.
_LONG_MS, _FINE_MS = 20 * MINUTE_MS, 10 * MINUTE_MS
# Water in the air where no hygrometer hangs outside, that of the standard spectrum of ASTM G173 [cm].
_STANDARD_WATER_CM = 1.42
# The settings' words for cells, and those of the library.
_CELLS = {"mono": "monosi", "poly": "polysi", "cdte": "cdte", "cigs": "cigs", "amorphous": "asi"}

# Light on a surface that hides the sun weighs on the beam down to here: below 85° of zenith the beam's share of the
# horizontal says nothing (the bound of Perez et al. 1990).
LEAST_COSINE = float(np.cos(np.radians(85.0)))


# An hour brighter than this share of a clear one is a wrong stamp, or twilight; common practice, no source.
_MOST_OF_CLEAR = 1.5


@dataclass(frozen=True, slots=True)
class Parts:
    """Global horizontal, direct normal and diffuse horizontal irradiance [W/m²]; `told` where beam or dome were
    measured, not taken from the global light."""

    ghi: Floats
    dni: Floats
    dhi: Floats
    told: npt.NDArray[np.bool_] | bool = False

    @property
    def each(self) -> tuple[Floats, Floats, Floats]:
        return self.ghi, self.dni, self.dhi


@dataclass(frozen=True, slots=True)
class Dome:
    """Parts of the light, and of the diffuse what comes from round the sun, alike from all over, and what the horizon
    adds to an upright plane [W/m²]."""

    parts: Parts
    round_sun: Floats
    even: Floats
    horizon: Floats


@dataclass(frozen=True, slots=True)
class InPlane:
    """Light in a plane [W/m²], the share of it that passes the glass, and by how much the transposition of Hay and
    Davies (1980) exceeds it [W/m²]: a witness of how little the step itself is known."""

    light: Floats
    glass: Floats
    apart: Floats


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
    drifts : callable
        Drift of the gain of a channel of light on the grid, and its relative standard uncertainty; 1 and 0 without it.
    path : callable
        The sun at any moment of the grid, by which long intervals are looked at finely.
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
        drifts: Callable[[str], tuple[Floats, Floats]] | None = None,
        path: Callable[[Times], SunPosition] | None = None,
    ) -> None:
        self.grid = grid
        self.sun = sun
        self.place = place
        self.albedo = albedo
        self.stretch = stretch
        self._path = path
        self._horizon = horizon
        self._domes: list[Dome] = []
        self._offset = offsets or (lambda _: np.zeros(len(grid.start)))
        self._drift = drifts or (lambda _: (np.ones(len(grid.start)), np.zeros(len(grid.start))))

    def as_read(self, channel: str) -> Floats:
        """A channel of light on the grid, its night offset taken off, never below nothing; NaN where not read."""
        return np.maximum(self.stretch[channel].on(self.grid) - self._offset(channel), 0.0)

    def light(self, channel: str) -> Floats:
        """The same with the drift of its gain taken out, and nothing where the sensor is dead by day."""
        found = self.as_read(channel) / self._drift(channel)[0]
        return found if channel == DIRECT else self.alive(found)

    def alive(self, light: Floats) -> Floats:
        """Light from the whole sky [W/m²] without what no day can give."""
        return np.where(lightless.where(light, self.sun.elevation, self.grid), np.nan, light)

    def drift_sigma(self, channel: str) -> Floats:
        """Relative standard uncertainty of a drift that was taken out, 0 where none was."""
        return self._drift(channel)[1]

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
    def airmass(self) -> Floats:
        """Relative air mass, Kasten and Young 1989."""
        return np.asarray(pvlib.atmosphere.get_relative_airmass(self.sun.apparent_zenith), dtype=float)

    @cached_property
    def clear(self) -> Parts:
        """A cloudless sky: Ineichen and Perez (2002), Linke turbidity by the climatology that pvlib carries.

        Of long intervals it is the mean over moments ten minutes apart: while the sun rises or sets, the middle of an
        hour is a per cent off.
        """
        n = len(self.grid.start)
        if n == 0:
            return Parts(np.empty(0), np.empty(0), np.empty(0))
        within = max(self.grid.step // _FINE_MS, 1) if self._path and self.grid.step > _LONG_MS else 1
        if self._path is None or within == 1:
            return self._cloudless(self.sun.apparent_zenith, self.airmass, self.extra, self.times)
        part = self.grid.step // within
        t = (self.grid.start[:, None] + part // 2 + part * np.arange(within)).ravel()
        zenith = self._path(t).apparent_zenith
        airmass = pvlib.atmosphere.get_relative_airmass(zenith)
        times = pd.DatetimeIndex(t.astype("datetime64[ms]")).tz_localize("UTC")
        fine = self._cloudless(zenith, np.asarray(airmass), np.repeat(self.extra, within), times)
        return Parts(*(values.reshape(n, within).mean(axis=1) for values in fine.each))

    def _cloudless(self, zenith: Floats, airmass: Floats, extra: Floats, times: pd.DatetimeIndex) -> Parts:
        dates = times.normalize()
        turbidity = pvlib.clearsky.lookup_linke_turbidity(dates.unique(), self.place.latitude, self.place.longitude)
        absolute = pvlib.atmosphere.get_absolute_airmass(airmass, self.place.pressure)
        sky = pvlib.clearsky.ineichen(
            zenith, absolute, turbidity.reindex(dates).to_numpy(), self.place.elevation, extra
        )
        return Parts(*(np.nan_to_num(np.asarray(sky[key], dtype=float)) for key in ("ghi", "dni", "dhi")))

    @cached_property
    def measured(self) -> Parts:
        """The horizontal sensor's light, its beam and dome as measured where they are, else by Erbs."""
        return self.completed(self.light(GLOBAL))

    @cached_property
    def by_lux(self) -> Parts:
        """Light by a lux sensor: luminous efficacy between that of a clear and of an overcast sky."""
        lux = self.light(LUX)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip((lux / _EFFICACY_MEAN / self.clear.ghi - 0.3) / 0.5, 0.0, 1.0)
        efficacy = _EFFICACY_OVERCAST + np.nan_to_num(share) * (CLEAR_EFFICACY - _EFFICACY_OVERCAST)
        return self.taken_apart(lux / efficacy)

    @cached_property
    def by_weather(self) -> Parts:
        """Light by an imported weather series: within each of its intervals the clear sky's course, at its mean."""
        said = self.stretch[BY_WEATHER]
        if not len(said.start):
            return self.taken_apart(np.full(len(self.grid.start), np.nan))
        at = np.searchsorted(said.start, self.grid.middle, side="right") - 1
        inside = (at >= 0) & (self.grid.middle < (said.start + said.length)[np.maximum(at, 0)])
        at = np.maximum(at, 0)
        course = self.clear.ghi
        count = np.bincount(at[inside], minlength=len(said.start))
        mean = np.bincount(at[inside], course[inside], minlength=len(said.start)) / np.maximum(count, 1)
        # At sunrise and sunset the sun is up in a part of the interval, which holds all of its light.
        up = np.minimum(count * self.grid.step / said.length, 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip(said.value / up / mean, 0.0, _MOST_OF_CLEAR)
        return self.taken_apart(np.where(inside & (mean[at] > 0), course * share[at], np.nan))

    def completed(self, horizontal: Floats) -> Parts:
        """Global with the dome and the beam that were measured beside it; Erbs' where they were not.

        Of global, diffuse and direct any two give the third.
        """
        dhi, dni = self.light(DIFFUSE), self.light(DIRECT)
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
    def water_cm(self) -> Floats:
        """Precipitable water [cm], from warmth and humidity outside (Gueymard 1994) where they are measured."""
        warm, damp = (self.stretch[f"air.outside.{name}"].on(self.grid) for name in ("temperature", "humidity"))
        found = pvlib.atmosphere.gueymard94_pw(warm, np.clip(damp, 1.0, 100.0))
        return np.where(np.isfinite(found), np.clip(found, 0.1, 8.0), _STANDARD_WATER_CM)

    def colours(self, technology: str | None) -> Floats | float:
        """What the spectrum makes of broadband light for cells of a kind, as a factor; 1 where the kind is not told.

        Notes
        -----
        Lee and Panchula (2016), by air mass and water in the air. Crystalline silicon moves by a per cent or two.
        """
        if technology is None:
            return 1.0
        absolute = pvlib.atmosphere.get_absolute_airmass(self.airmass, self.place.pressure)
        found = pvlib.spectrum.spectral_factor_firstsolar(
            self.water_cm, np.clip(absolute, 0.58, 10.0), module_type=_CELLS[technology]
        )
        return np.asarray(found, dtype=float)

    @cached_property
    def shaded_by_horizon(self) -> Floats:
        """1 where the sun stands behind the skyline, else 0."""
        if not self._horizon:
            return np.zeros(len(self.grid.start))
        around = np.array(sorted(self._horizon))
        skyline = np.interp(self.sun.azimuth, around[:, 0], around[:, 1], period=360.0)
        return np.asarray(self.sun.elevation < skyline, dtype=float)

    def dome(self, parts: Parts) -> Dome:
        """How the light of the dome lies on it: round the sun, along the horizon, and the rest alike all over.

        Notes
        -----
        Perez et al. (Solar Energy 44, 1990) in the continuous form of Driesse et al. (Solar Energy 267, 2024), which
        draws no steps into minutes. It misses the plane of two measured sets by less than Hay and Davies' model does.
        """
        known = next((dome for dome in self._domes if dome.parts is parts), None)
        if known is not None:
            return known  # all arrays stand under one sky
        if len(self.grid.start) == 0:
            # In the polar night there is no sky to spread; the library's splines take no empty one.
            return Dome(parts, parts.dhi, parts.dhi, parts.dhi)
        found = pvlib.irradiance.perez_driesse(
            90.0, 180.0, parts.dhi, parts.dni, self.extra, self.sun.apparent_zenith, self.sun.azimuth,
            airmass=self.airmass, return_components=True,
        )  # fmt: skip
        # On an upright plane half of the even part arrives, and all of the horizon's.
        even, horizon = (np.nan_to_num(np.asarray(found[f"poa_{name}"])) for name in ("isotropic", "horizon"))
        round_sun = np.maximum(parts.dhi - 2.0 * even, 0.0) * (1.0 - self.shaded_by_horizon)
        self._domes.append(Dome(parts, round_sun, 2.0 * even, horizon))
        return self._domes[-1]

    def in_plane(self, facing: Facing, dome: Dome) -> InPlane:
        """Light that falls into a plane."""
        zenith = self.sun.apparent_zenith
        projection = self.cosine(facing)
        towards = np.maximum(projection, 0.0)
        parts = dome.parts
        beam_normal = parts.dni * (1.0 - self.shaded_by_horizon)
        tilt = np.radians(facing.tilt)
        over = np.maximum(np.cos(np.radians(zenith)), LEAST_COSINE)
        beam = beam_normal * towards + dome.round_sun * towards / over
        rest = np.maximum(dome.even * (1.0 + np.cos(tilt)) / 2.0 + dome.horizon * np.sin(tilt), 0.0)
        ground = np.asarray(pvlib.irradiance.get_ground_diffuse(facing.tilt, parts.ghi, self.albedo))
        plane = np.asarray(beam + rest + ground, dtype=float)
        other = pvlib.irradiance.haydavies(
            facing.tilt, 0.0, parts.dhi, beam_normal, self.extra, projection_ratio=towards / over
        )
        apart = np.asarray(beam_normal * towards + other + ground, dtype=float) - plane
        steep = float(np.nanmean(facing.tilt)) if len(plane) else 0.0
        return InPlane(plane, _glass(projection, beam, rest, ground, steep), apart)

    def glassed(self, facing: Facing, beam_share: Floats) -> Floats:
        """Share of the light in a plane that passes the glass, by the beam's share of the light on the flat alone."""
        zenith = self.sun.apparent_zenith
        projection = self.cosine(facing)
        beam = beam_share * np.maximum(projection, 0.0) / np.maximum(np.cos(np.radians(zenith)), LEAST_COSINE)
        steep = float(np.nanmean(facing.tilt)) if len(beam) else 0.0
        return _glass(projection, beam, 1.0 - beam_share, np.zeros(len(beam)), steep)

    def cosine(self, facing: Facing) -> Floats:
        """Cosine of the angle at which the beam falls onto a plane; below nothing from behind."""
        sun = self.sun
        found = pvlib.irradiance.aoi_projection(facing.tilt, facing.azimuth, sun.apparent_zenith, sun.azimuth)
        return np.asarray(found, dtype=float)

    def lean(self, facing: Facing, parts: Parts) -> Floats:
        """Change of the light in a plane [W/m²] when the dome's share of the whole light rises by 1."""
        zenith = self.sun.apparent_zenith
        projection = self.cosine(facing)
        beam = np.maximum(projection, 0.0) / np.maximum(np.cos(np.radians(zenith)), LEAST_COSINE)
        view = (1.0 + np.cos(np.radians(facing.tilt))) / 2.0
        return np.asarray(parts.ghi * (1.0 - parts.dni / self.extra) * (view - beam))


# Refractive index of the coat against reflections that glass of modules carries: "a typical value" of pvlib's manual.
_COATED = 1.29


def _glass(projection: Floats, beam: Floats, dome: Floats, ground: Floats, tilt: float) -> Floats:
    """Share of the light in a plane that passes the glass (Fresnel and Bouguer, as in De Soto et al. 2006)
    with a coat against reflections."""
    through = beam_through_glass(projection)
    # Diffuse light falls in from all sides: the Fresnel reflection integrated over dome and ground (Marion 2017).
    from_dome, from_ground = diffuse_glass(round(max(tilt, 0.1), 1))
    total = beam + dome + ground
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, (beam * through + dome * from_dome + ground * from_ground) / total, 1.0)


def beam_through_glass(cosine: Floats) -> Floats:
    """Share of the beam that passes the glass, by the cosine of its angle of incidence."""
    return np.interp(cosine, *glass_table())


@cache
def glass_table() -> tuple[Floats, Floats]:
    """What passes the glass over the cosine of the angle of incidence, ascending."""
    angles = np.linspace(90.0, 0.0, 361)
    return np.cos(np.radians(angles)), np.asarray(pvlib.iam.physical(angles, n_ar=_COATED), dtype=float)


@cache
def diffuse_glass(tilt: float) -> tuple[float, float]:
    """What passes the glass of the dome's and of the ground's light."""
    found = pvlib.iam.marion_diffuse("physical", tilt, n_ar=_COATED)
    return float(found["sky"]), float(found["ground"])
