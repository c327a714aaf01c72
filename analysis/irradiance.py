"""Owns the light on each array: the best evidence there is, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

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
_MIN_COS_ZENITH = 0.0523  # 87°: below it the beam's share of the horizontal says nothing


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
        Clear sky in the plane, the most there can be [W/m²].
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


def on_array(array: Array, stretch: Stretch, grid: Grid, sun: SunPosition, place: Place, moored: str) -> Light:
    """The light on one array by the best evidence that the record holds.

    Evidence in its order: a sensor in the plane, taken as it is; a horizontal sensor through Erbs and Hay-Davies
    with the reflection of the glass; else the clear sky, as an upper bound alone.

    Parameters
    ----------
    array : Array
    stretch : Stretch
        Holds the channels of light.
    grid : Grid
    sun : SunPosition
        At the middle of each interval.
    place : Place
    moored : str
        ``swinging`` without a heading widens the light to a band over all headings.
    """
    azimuths = array.azimuth + (_HEADINGS if moored != "fixed" and array.tilt > 0 else np.zeros(1))
    clear = clear_sky(grid, sun, place)
    in_plane = stretch[f"irradiance.{array.name}.plane"].on(grid)
    horizontal = stretch["irradiance.horizontal.global"].on(grid)
    known_flat = np.isfinite(horizontal)
    bound, _ = _over_headings(array.tilt, azimuths, *clear, sun, grid)
    if np.isfinite(in_plane).any():
        beam = _beam_share(horizontal, in_plane, grid, sun)
        gain = np.full(len(in_plane), PLANE_GAIN)
        return Light(np.maximum(in_plane, 0.0), gain, OFFSET_WM2, True, "plane", bound, beam)
    if known_flat.any():
        parts = decompose(np.maximum(horizontal, 0.0), grid, sun)
        plane, spread = _over_headings(array.tilt, azimuths, *parts, sun, grid)
        usable = plane * _glass(array.tilt, azimuths, parts, sun)
        with np.errstate(divide="ignore", invalid="ignore"):
            swing = np.where(usable > 0, spread / np.maximum(plane, 1.0), 0.0)
            beam = np.where(horizontal > 0, 1.0 - parts[2] / horizontal, np.nan)
        gain = np.sqrt(HORIZONTAL_GAIN**2 + TRANSPOSITION**2 + swing**2)
        return Light(np.where(known_flat, usable, np.nan), gain, OFFSET_WM2, False, "horizontal", bound, beam)
    nothing = np.full(len(grid.start), np.nan)
    return Light(nothing, np.zeros(len(nothing)), 0.0, False, "clear sky", bound, nothing)


def clear_sky(grid: Grid, sun: SunPosition, place: Place) -> tuple[Floats, Floats, Floats]:
    """Global, direct normal and diffuse irradiance of a cloudless sky [W/m²].

    Ineichen and Perez (2002) with the Linke turbidity climatology that pvlib carries.
    """
    if len(grid.start) == 0:
        return np.empty(0), np.empty(0), np.empty(0)
    times = _times(grid)
    months = pd.DatetimeIndex(sorted(set(times.normalize())))
    turbidity = pvlib.clearsky.lookup_linke_turbidity(months, place.latitude, place.longitude)
    turbidity = turbidity.reindex(times.normalize()).to_numpy()
    airmass = pvlib.atmosphere.get_relative_airmass(sun.apparent_zenith)
    absolute = pvlib.atmosphere.get_absolute_airmass(airmass, place.pressure)
    extra = pvlib.irradiance.get_extra_radiation(times.dayofyear.to_numpy())
    sky = pvlib.clearsky.ineichen(sun.apparent_zenith, absolute, turbidity, place.elevation, extra)
    ghi, dni, dhi = (np.nan_to_num(np.asarray(sky[key], dtype=float)) for key in ("ghi", "dni", "dhi"))
    return ghi, dni, dhi


def decompose(horizontal: Floats, grid: Grid, sun: SunPosition) -> tuple[Floats, Floats, Floats]:
    """Global, direct normal and diffuse irradiance [W/m²] from the global alone (Erbs et al. 1982)."""
    days = _times(grid).dayofyear.to_numpy()
    found = pvlib.irradiance.erbs(horizontal, sun.apparent_zenith, days)
    return horizontal, np.nan_to_num(found["dni"]), np.asarray(found["dhi"])


def in_plane(
    tilt: float, azimuth: float, ghi: Floats, dni: Floats, dhi: Floats, sun: SunPosition, grid: Grid
) -> Floats:
    """Irradiance in a plane [W/m²] by Hay and Davies (1980), water around."""
    extra = pvlib.irradiance.get_extra_radiation(_times(grid).dayofyear.to_numpy())
    aoi = pvlib.irradiance.aoi(tilt, azimuth, sun.apparent_zenith, sun.azimuth)
    beam = np.maximum(dni * np.cos(np.radians(aoi)), 0.0)
    projection = np.cos(np.radians(aoi)) / np.maximum(np.cos(np.radians(sun.apparent_zenith)), _MIN_COS_ZENITH)
    sky = pvlib.irradiance.haydavies(tilt, azimuth, dhi, dni, extra, projection_ratio=np.maximum(projection, 0.0))
    ground = pvlib.irradiance.get_ground_diffuse(tilt, ghi, WATER_ALBEDO)
    return np.asarray(beam + sky + ground, dtype=float)


def _over_headings(
    tilt: float, azimuths: Floats, ghi: Floats, dni: Floats, dhi: Floats, sun: SunPosition, grid: Grid
) -> tuple[Floats, Floats]:
    """Mean over headings and a standard deviation that their whole spread makes believable."""
    planes = np.stack([in_plane(tilt, float(a), ghi, dni, dhi, sun, grid) for a in azimuths % 360.0])
    # Half the whole range is a two-sigma band: nothing between the worst and the best heading is a fault.
    return planes.mean(axis=0), (planes.max(axis=0) - planes.min(axis=0)) / 4


def _glass(tilt: float, azimuths: Floats, parts: tuple[Floats, Floats, Floats], sun: SunPosition) -> Floats:
    """Share of the light in the plane that passes the glass (Fresnel and Bouguer, as in De Soto et al. 2006)."""
    _, dni, dhi = parts
    aoi = pvlib.irradiance.aoi(tilt, float(azimuths.mean()) % 360.0, sun.apparent_zenith, sun.azimuth)
    beam = np.maximum(dni * np.cos(np.radians(aoi)), 0.0)
    through = pvlib.iam.physical(np.minimum(aoi, 90.0))
    # Diffuse light falls in from all sides: the Fresnel reflection integrated over the dome (Marion 2017).
    dome = pvlib.iam.marion_diffuse("physical", max(tilt, 1e-3))["sky"]
    total = beam + dhi
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, (beam * through + dhi * dome) / total, 1.0)


def _beam_share(horizontal: Floats, plane: Floats, grid: Grid, sun: SunPosition) -> Floats:
    light = np.where(np.isfinite(horizontal), horizontal, plane)
    _, _, diffuse = decompose(np.maximum(np.nan_to_num(light), 0.0), grid, sun)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(light > 0, np.clip(1.0 - diffuse / light, 0.0, 1.0), np.nan)


def _times(grid: Grid) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(grid.middle.astype("datetime64[ms]")).tz_localize("UTC")
