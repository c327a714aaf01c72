"""Owns the light on each array: the best evidence there is, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import pandas as pd
import pvlib

from analysis.frames import Grid, Stretch
from analysis.sun import Floats, Place, SunPosition
from logger.settings import Array

# Standard uncertainties, one sigma. Sensor gain 2 % and offset 3 W/m²: between the classes B and C of ISO 9060 for
# a small-craft sensor; decomposition and transposition a few per cent for tilts up to 45°
# (IEA-PVPS T13-12:2018 puts the transposition step at 2-5 %). Used as common practice.
PLANE_GAIN = 0.02
HORIZONTAL_GAIN = 0.025
OFFSET_WM2 = 3.0
TRANSPOSITION = 0.02
# The clear sky bounds the light from above; measured quarter hours pass the model by up to this much.
CLEAR_SKY_MARGIN = 1.15
WATER_ALBEDO = 0.07
# Headings over which a vessel swings when nobody measures hers.
_HEADINGS = np.arange(0.0, 360.0, 45.0)


class Sky:
    """What the sky gave on one grid: shared by all arrays that are judged on it.

    Parameters
    ----------
    grid : Grid
        Intervals with the sun above the horizon.
    sun : SunPosition
        At the middle of each interval.
    place : Place
    stretch : Stretch
        Holds the horizontal sensor, if there is one.
    """

    def __init__(self, grid: Grid, sun: SunPosition, place: Place, stretch: Stretch) -> None:
        self.grid = grid
        self.sun = sun
        self.place = place
        self.horizontal = stretch["irradiance.horizontal.global"].on(grid)

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
    def split(self) -> Parts:
        """The horizontal sensor's light, taken apart by Erbs et al. (1982); NaN where it was not read."""
        return self.taken_apart(np.maximum(self.horizontal, 0.0))

    def taken_apart(self, horizontal: Floats) -> Parts:
        """Global, direct normal and diffuse irradiance from the global alone (Erbs et al. 1982)."""
        found = pvlib.irradiance.erbs(horizontal, self.sun.apparent_zenith, self.day_of_year)
        return Parts(horizontal, np.nan_to_num(found["dni"]), np.asarray(found["dhi"], dtype=float))


@dataclass(frozen=True, slots=True)
class Parts:
    """Global horizontal, direct normal and diffuse horizontal irradiance [W/m²]."""

    ghi: Floats
    dni: Floats
    dhi: Floats


@dataclass(frozen=True, slots=True)
class Light:
    """Light in the plane of one array on a grid.

    Attributes
    ----------
    plane : ndarray
        Irradiance that the cells can use [W/m²], NaN where unknown.
    sigma_gain : ndarray
        Relative standard uncertainty that all intervals share.
    sigma_offset : float
        Absolute standard uncertainty that all intervals share [W/m²].
    measured : bool
        Whether a sensor in the plane gave it.
    evidence : str
        ``plane``, ``horizontal`` or ``clear sky``.
    bound : ndarray
        The most there can be where the light is unknown, the clear sky in the plane; NaN where it is known [W/m²].
    beam_share : ndarray
        Share of the light that comes straight from the sun, NaN where unknown.
    """

    plane: Floats
    sigma_gain: Floats
    sigma_offset: float
    measured: bool
    evidence: str
    bound: Floats
    beam_share: Floats


def on_array(array: Array, stretch: Stretch, sky: Sky, moored: str) -> Light:
    """The light on one array by the best evidence that the record holds.

    Evidence in its order: a sensor in the plane, taken as it is; a horizontal sensor through Erbs and Hay-Davies
    with the reflection of the glass; else the clear sky, as an upper bound alone.

    Parameters
    ----------
    array : Array
    stretch : Stretch
        Holds the sensor in the plane, if there is one.
    sky : Sky
    moored : str
        Anything but ``fixed`` widens the light to a band over all headings.
    """
    azimuths = array.azimuth + (_HEADINGS if moored != "fixed" and array.tilt > 0 else np.zeros(1))
    in_plane = stretch[f"irradiance.{array.name}.plane"].on(sky.grid)
    if np.isfinite(in_plane).any():
        plane = np.maximum(in_plane, 0.0)
        gain = np.full(len(plane), PLANE_GAIN)
        beam = _beam_share(np.where(np.isfinite(sky.horizontal), sky.horizontal, plane), sky)
        return Light(plane, gain, OFFSET_WM2, True, "plane", _bound(array.tilt, azimuths, plane, sky), beam)
    if np.isfinite(sky.horizontal).any():
        plane, spread = _over_headings(array.tilt, azimuths, sky.split, sky)
        usable = plane * _glass(array.tilt, azimuths, sky.split, sky)
        gain = np.sqrt(HORIZONTAL_GAIN**2 + TRANSPOSITION**2 + (spread / np.maximum(plane, 1.0)) ** 2)
        beam = _beam_share(sky.horizontal, sky)
        return Light(usable, gain, OFFSET_WM2, False, "horizontal", _bound(array.tilt, azimuths, usable, sky), beam)
    nothing = np.full(len(in_plane), np.nan)
    bound = _bound(array.tilt, azimuths, nothing, sky)
    return Light(nothing, np.zeros(len(nothing)), 0.0, False, "clear sky", bound, nothing)


def in_plane(tilt: float, azimuth: float, parts: Parts, sky: Sky) -> Floats:
    """Irradiance in a plane [W/m²] by Hay and Davies (1980), water around."""
    return _transposed(tilt, parts, sky, _cos_incidence(tilt, azimuth, sky))


def _cos_incidence(tilt: float, azimuth: float, sky: Sky) -> Floats:
    zenith, around = sky.sun.apparent_zenith, sky.sun.azimuth
    return np.asarray(pvlib.irradiance.aoi_projection(tilt, azimuth, zenith, around), dtype=float)


def _transposed(tilt: float, parts: Parts, sky: Sky, projection: Floats) -> Floats:
    towards = np.maximum(projection, 0.0)
    # Below 87° of zenith the beam's share of the horizontal says nothing.
    ratio = towards / np.maximum(np.cos(np.radians(sky.sun.apparent_zenith)), 0.0523)
    dome = pvlib.irradiance.haydavies(tilt, 0.0, parts.dhi, parts.dni, sky.extra, projection_ratio=ratio)
    ground = pvlib.irradiance.get_ground_diffuse(tilt, parts.ghi, WATER_ALBEDO)
    return np.asarray(parts.dni * towards + dome + ground, dtype=float)


def _over_headings(tilt: float, azimuths: Floats, parts: Parts, sky: Sky) -> tuple[Floats, Floats]:
    """Mean over headings and a standard deviation that their whole spread makes believable."""
    planes = np.stack([in_plane(tilt, float(a), parts, sky) for a in azimuths % 360.0])
    # Half the whole range is a two-sigma band: nothing between the worst and the best heading is a fault.
    return planes.mean(axis=0), (planes.max(axis=0) - planes.min(axis=0)) / 4


def _bound(tilt: float, azimuths: Floats, plane: Floats, sky: Sky) -> Floats:
    unknown = ~np.isfinite(plane)
    if not unknown.any():
        return np.full(len(plane), np.nan)
    clear, _ = _over_headings(tilt, azimuths, sky.clear, sky)
    return np.where(unknown, clear, np.nan)


def _glass(tilt: float, azimuths: Floats, parts: Parts, sky: Sky) -> Floats:
    """Share of the light in the plane that passes the glass (Fresnel and Bouguer, as in De Soto et al. 2006)."""
    projection = _cos_incidence(tilt, float(azimuths.mean()) % 360.0, sky)
    beam = parts.dni * np.maximum(projection, 0.0)
    through = np.interp(projection, *_glass_table())
    # Diffuse light falls in from all sides: the Fresnel reflection integrated over the dome (Marion 2017).
    dome = _dome(max(tilt, 1e-3))
    total = beam + parts.dhi
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, (beam * through + parts.dhi * dome) / total, 1.0)


@cache
def _glass_table() -> tuple[Floats, Floats]:
    """What passes the glass over the cosine of the angle of incidence, ascending."""
    angles = np.linspace(90.0, 0.0, 361)
    return np.cos(np.radians(angles)), np.asarray(pvlib.iam.physical(angles), dtype=float)


@cache
def _dome(tilt: float) -> float:
    return float(pvlib.iam.marion_diffuse("physical", tilt)["sky"])


def _beam_share(horizontal: Floats, sky: Sky) -> Floats:
    parts = sky.split if horizontal is sky.horizontal else sky.taken_apart(np.maximum(horizontal, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(parts.ghi > 0, np.clip(1.0 - parts.dhi / parts.ghi, 0.0, 1.0), np.nan)
