"""Owns which way a plane faces by its light: what a sunny day of it says, beside the light on the horizontal.

The sun's way over a day lights each plane in a way of its own. By least squares the plane is sought whose light,
carried over from the horizontal, lies closest to what was shown. What the ground throws back and how far the two scales
differ is not known: both are sought too, and held near what is usual, because a winter's day alone cannot tell a
steeper plane from brighter ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import states
from analysis.expected import NINETY_FIVE, Expected
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.results import (
    HORIZONTAL,
    SunDay,
)
from analysis.results_light import FacingDay
from analysis.sky import GLOBAL, Sky, beam_through_glass
from analysis.states import Codes
from analysis.sun import Floats
from logger.settings import Array, Settings

# Sunny intervals alone: the sun high enough for the light on the horizontal to mean something, and the greater part of
# that light straight from it. Common practice, no source.
_LEAST_ELEVATION_DEG, _LEAST_BEAM = 10.0, 0.5
_BRIGHT_WM2 = 50.0
# Of the time in which the sun stands so high this share must be sunny: cloud on one half of a day turns planes.
_LEAST_SUNNY = 0.6
# Beam, dome and global must be of one sky: sensors that disagree by more say nothing.
_CLOSURE, _CLOSURE_WM2 = 0.05, 10.0
# A day says something from so many intervals on, over so many hours; more points than these say the same again.
_LEAST_POINTS, _LEAST_SPREAD_H, _MOST_POINTS = 12, 4.0, 48
# Standard uncertainties: of the step into a plane, relative and absolute (it lasts for about an hour); of the ground's
# albedo; of the scale of a sensor, and of an array's power (nameplate, dirt, warmth). Common practice, no source.
_STEP, _STEP_WM2, _STEP_LASTS_H = 0.03, 10.0, 1.0
_ALBEDO = 0.2
# By how much the dome's light differs from what was thought: as measured, and by Erbs (23 and 29 % at two stations).
_DOME_MEASURED, _DOME_BY_ERBS = 0.05, 0.25
_SCALE_OF_LIGHT, _SCALE_OF_POWER = 0.03, 0.10
# Beyond this many standard uncertainties a point counts by its distance, not by the square of it (Huber 1964).
_HUBER = 1.5
# Light that misses the best plane by more than this says nothing of it: shade, cloud on one side, another clock.
_MOST_MISFIT = 0.05
# A day that leaves its plane open by more than this, by itself or by what days share, has told nothing [degrees].
_MOST_OWN_DEG, _MOST_SHARED_DEG = 10.0, 8.0
# By how much measured planes turn from day to day where Erbs takes the light apart: six degrees of azimuth [degrees].
_BY_ERBS_DEG = 4.0
# Clocks, and what part of its interval a stamp means: a minute, and a quarter of the interval. The sun moves so far:
_CLOCK_MS, _TURN_DEG_MS = 60_000.0, 15.0 / 3_600_000
_ROUNDS, _SETTLED, _NUDGE, _MOST_STEP = 15, 1e-3, 1e-4, 0.3
# Excess counts as a share of the light, or of this much [W/m²].
_EXCESS_OF_WM2 = 100.0
# The beam must light the plane at more than this cosine for as many points as a day needs.
_GRAZING = 0.15
_DIFFUSE_GLASS = 0.94
# Nearer to upright than this the search has run into the last plane it looks at: sine of the elevation of its normal.
_UPRIGHT = 0.05
_MUCH_BETTER = 0.8
_LEAST_COSINE = float(np.cos(np.radians(85.0)))


@dataclass(frozen=True, slots=True)
class Facing:
    """Where a plane faces, with what it may be off by.

    Attributes
    ----------
    tilt, azimuth : float
        From the horizontal, and clockwise from north [degrees].
    upward, sideways : float
        Standard uncertainties, of the tilt and across it [degrees].
    """

    tilt: float
    azimuth: float
    upward: float
    sideways: float

    @property
    def azimuth_sigma(self) -> float:
        """Standard uncertainty of the azimuth [degrees]; a flat plane has none to speak of."""
        return min(self.sideways / max(float(np.sin(np.radians(self.tilt))), 0.02), 180.0)

    def as_evidence(self) -> dict[str, float]:
        """Both angles with their 95 % bounds, as findings and reports hold them [degrees]."""
        tilt, azimuth = NINETY_FIVE * self.upward, NINETY_FIVE * self.azimuth_sigma
        return {
            "tilt": round(self.tilt, 1),
            "tilt_low": round(max(self.tilt - tilt, 0.0), 1),
            "tilt_high": round(min(self.tilt + tilt, 90.0), 1),
            "azimuth": round(self.azimuth, 1),
            "azimuth_plus_minus": round(min(azimuth, 180.0), 1),
        }

    def away_from(self, tilt: float, azimuth: float) -> tuple[float, float]:
        """Angle to another plane [degrees], and how many standard uncertainties that is."""
        own, other = normal(self.tilt, self.azimuth), normal(tilt, azimuth)
        up, side = _around(self.tilt, self.azimuth)
        angle = float(np.degrees(np.arccos(np.clip(own @ other, -1.0, 1.0))))
        across = np.hypot(up @ other, side @ other) or 1.0
        parts = angle * (up @ other) / across, angle * (side @ other) / across
        return angle, float(np.hypot(parts[0] / self.upward, parts[1] / self.sideways))


@dataclass(frozen=True, slots=True)
class _Points:
    """What the sunny intervals of a day hold."""

    start: npt.NDArray[np.int64]
    sun: Floats
    direct: Floats
    even: Floats
    horizon: Floats
    ghi: Floats
    dhi: Floats
    shown: Floats
    glazed: bool
    told: bool

    def light(self, n: Floats, albedo: float) -> Floats:
        """In a plane with that normal [W/m²]."""
        cosine = self.cosine(n)
        beam = self.direct * cosine
        rest = self.even * (1.0 + n[..., 2:]) / 2.0 + self.horizon * np.hypot(n[..., :1], n[..., 1:2])
        rest = rest + albedo * self.ground(n)
        return np.asarray(beam * beam_through_glass(cosine) + _DIFFUSE_GLASS * rest if self.glazed else beam + rest)

    @property
    def hours(self) -> float:
        """Between the first and the last of them."""
        return float(self.start[-1] - self.start[0]) / 3_600_000

    def ground(self, n: Floats) -> Floats:
        """Change of the light with the ground's albedo."""
        return np.asarray(self.ghi * (1.0 - n[..., 2:]) / 2.0)[()]

    def lean(self, n: Floats) -> Floats:
        """Change of the light as the dome has more of the whole, as a share of what it has."""
        beam = self.cosine(n) / np.maximum(self.sun[2], _LEAST_COSINE)
        return np.asarray(self.dhi * ((1.0 + n[2]) / 2.0 - beam))

    def cosine(self, n: Floats) -> Floats:
        """Of the beam's angle of incidence, 0 where the sun is behind the plane."""
        return np.maximum(n @ self.sun, 0.0)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a plane showed on a grid [W/m²], NaN where it does not count; and whether its own power did."""

    light: Floats
    by_power: bool


def shown(
    array: Array, settings: Settings, sky: Sky, light: Light, said: Measured, could: Expected, state: Codes
) -> Shown | None:
    """What tells where an array's plane faces; None where nothing does.

    A sensor in the plane, else the power of an array whose modules all lie one way, while nothing held it back: the
    light that would give as much. Beside it the light on the horizontal must be measured, and she must lie still.
    """
    if settings.site.moored != "fixed" or not np.isfinite(sky.measured.ghi).any():
        return None
    plane = sky.light(f"irradiance.{array.name}.plane")
    if np.isfinite(plane).any():
        return Shown(plane, by_power=False)
    if array.group:
        return None
    free = (state == states.UNHINDERED) & (light.evidence == HORIZONTAL) & (could.power > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return Shown(np.where(free, light.plane * said.power / could.power, np.nan), by_power=True)


def of_day(array: Array, day: SunDay, sky: Sky, seen: Shown) -> FacingDay | None:
    """Where a plane that stands still faces by one day; None where the day does not tell.

    Parameters
    ----------
    array : Array
        As it is drawn.
    day : SunDay
    sky : Sky
        On a grid that holds the day, with light measured on the horizontal.
    seen : Shown
        On that grid.
    """
    a, b = np.searchsorted(sky.grid.start, [day.start, day.stop])
    points = _sunny(sky, seen, slice(int(a), int(b)))
    if points is None:
        return None
    drawn = normal(array.tilt, array.azimuth)
    tried = np.stack([drawn, *_STARTS])
    best = int(np.argmin(np.abs(points.light(tried, sky.albedo) - points.shown).sum(axis=1)))
    scale = _SCALE_OF_POWER if seen.by_power else _SCALE_OF_LIGHT
    dome = _DOME_MEASURED if points.told else _DOME_BY_ERBS
    alike = max(len(points.shown) / points.hours * _STEP_LASTS_H, 1.0)
    usual, spread = (sky.albedo, 1.0, 0.0), (_ALBEDO, scale, dome)
    found = _closest(points, drawn, usual, spread, alike)
    if best > 0 and (other := _closest(points, tried[best], usual, spread, alike)):
        # Two planes may lie in one light nearly alike: the drawn one has the benefit of the doubt.
        found = other if found is None or other.misfit < _MUCH_BETTER * found.misfit else found
    if found is None or found.misfit > _MOST_MISFIT:
        return None
    own = np.hypot(found.own, 0.0 if points.told else _BY_ERBS_DEG)
    shared = np.hypot(found.shared, _by_clock(found.normal, sky))
    if own.max() > _MOST_OWN_DEG or shared.max() > _MOST_SHARED_DEG:
        return None
    tilt, azimuth = _degrees(found.normal)
    return FacingDay(
        array=array.name,
        day=day.day,
        start=day.start,
        stop=day.stop,
        evidence="power" if seen.by_power else "plane",
        tilt=tilt,
        azimuth=azimuth,
        own_up=float(own[0]),
        own_across=float(own[1]),
        shared_up=float(shared[0]),
        shared_across=float(shared[1]),
        misfit=found.misfit,
        excess=_excess(points, drawn, sky.albedo),
        drawn_tilt=array.tilt,
        drawn_azimuth=array.azimuth,
    )


def _by_clock(n: Floats, sky: Sky) -> Floats:
    """By how much a plane seems to turn where its clock and the horizontal's are not the sun's, along its tilt and
    across it [degrees]: all the sky turns about the pole."""
    late = np.hypot(_CLOCK_MS, max(sky.grid.step, sky.stretch[GLOBAL].step) / 4)
    latitude = np.radians(sky.place.latitude)
    turned = np.cross(np.array([0.0, np.cos(latitude), np.sin(latitude)]), n) * late * _TURN_DEG_MS
    return np.abs([way @ turned for way in _around(*_degrees(n))])


def together(days: Sequence[FacingDay]) -> Facing:
    """Where a plane faces by several days, at least one: each counts by what it knows by itself.

    What the days share, the scale of the sensors and the ground, no number of them averages away. Days that differ by
    more than they should are believed as much less.
    """
    weight = np.array([1.0 / (d.own_up**2 + d.own_across**2) for d in days])
    normals = np.stack([normal(d.tilt, d.azimuth) for d in days])
    tilt, azimuth = _degrees(weight @ normals)
    up, side = (np.degrees(normals @ way) for way in _around(tilt, azimuth))
    sigma = []
    for off, own, shared in (
        (up, [d.own_up for d in days], [d.shared_up for d in days]),
        (side, [d.own_across for d in days], [d.shared_across for d in days]),
    ):
        share = weight / weight.sum()
        alone = float(share**2 @ np.square(own))
        scatter = float(share**2 @ np.square(off)) * len(days) / max(len(days) - 1, 1)
        sigma.append(float(np.sqrt(max(alone, scatter) + (share @ np.asarray(shared)) ** 2)))
    return Facing(tilt, azimuth, sigma[0], sigma[1])


def normal(tilt: float, azimuth: float) -> Floats:
    """Unit vector of a plane: east, north, up."""
    t, a = np.radians(tilt), np.radians(azimuth)
    return np.array([np.sin(t) * np.sin(a), np.sin(t) * np.cos(a), np.cos(t)])


def _around(tilt: float, azimuth: float) -> tuple[Floats, Floats]:
    """Unit vectors along which the normal moves as the plane is tilted more, and as it is turned clockwise."""
    t, a = np.radians(tilt), np.radians(azimuth)
    steeper = np.array([np.cos(t) * np.sin(a), np.cos(t) * np.cos(a), -np.sin(t)])
    return steeper, np.array([np.cos(a), -np.sin(a), 0.0])


def _degrees(n: Floats) -> tuple[float, float]:
    flat = float(np.hypot(n[0], n[1]))
    return float(np.degrees(np.arctan2(flat, n[2]))), float(np.degrees(np.arctan2(n[0], n[1]))) % 360.0


def _sunny(sky: Sky, seen: Shown, day: slice) -> _Points | None:
    parts, shown = sky.measured, seen.light
    ghi, dhi, elevation = parts.ghi[day], parts.dhi[day], 90.0 - sky.sun.apparent_zenith[day]
    with np.errstate(invalid="ignore"):
        good = (shown[day] > 0) & (ghi > _BRIGHT_WM2) & (dhi < (1 - _LEAST_BEAM) * ghi)
    high = (elevation > _LEAST_ELEVATION_DEG) & (sky.shaded_by_horizon[day] == 0) & (shown[day] > 0)
    summed = parts.dni[day] * np.sin(np.radians(np.maximum(elevation, 0.0))) + dhi
    good &= high & (np.abs(summed - ghi) < _CLOSURE * ghi + _CLOSURE_WM2)
    at = np.flatnonzero(good)
    if len(at) < max(_LEAST_POINTS, _LEAST_SUNNY * high.sum()):
        return None
    at = at[:: -(-len(at) // _MOST_POINTS)] + day.start
    up, around = np.radians(90.0 - sky.sun.apparent_zenith[at]), np.radians(sky.sun.azimuth[at])
    sun = np.stack([np.cos(up) * np.sin(around), np.cos(up) * np.cos(around), np.sin(up)])
    dome = sky.dome(parts)
    points = _Points(
        sky.grid.start[at],
        sun,
        parts.dni[at] + dome.round_sun[at] / np.maximum(sun[2], _LEAST_COSINE),
        dome.even[at],
        dome.horizon[at],
        parts.ghi[at],
        parts.dhi[at],
        shown[at],
        seen.by_power,
        bool(np.all(np.broadcast_to(parts.told, parts.ghi.shape)[at])),
    )
    return points if points.hours >= _LEAST_SPREAD_H else None


@dataclass(frozen=True, slots=True)
class _Closest:
    """A normal, its standard uncertainties by the day's own misfit and by what days share, along its tilt and across it
    [degrees], and by what share the light missed it, root mean square."""

    normal: Floats
    own: Floats
    shared: Floats
    misfit: float


def _closest(
    points: _Points, n: Floats, usual: tuple[float, ...], spread: tuple[float, ...], alike: float
) -> _Closest | None:
    """The normal that fits best; None where it does not settle, is upright, or the sun hardly reaches that plane.

    Beside the normal three things are sought, about what is `usual` and by their `spread`: the ground's albedo, the
    scale of what was shown, and by what share the dome gives more than was thought. Of points that lie within an hour
    all are `alike` wrong, so that as many count as one. Gauss and Newton's steps, weighed as Huber does.
    """
    middle = np.array([0.0, 0.0, *usual])
    prior = np.diag([0.0, 0.0, *np.power(spread, -2.0)])
    beside = middle.copy()
    for _ in range(_ROUNDS):
        ways = _around(*_degrees(n))
        scale, lean = beside[3], points.lean(n)
        bare, *nudged = points.light(np.stack([n, *(_unit(n + _NUDGE * way) for way in ways)]), beside[2])
        light = bare + beside[4] * lean
        turned = [scale / _NUDGE * (other - bare) for other in nudged]
        slopes = np.stack([*turned, scale * points.ground(n), light, scale * lean])
        missed = points.shown - scale * light
        sigma = np.hypot(_STEP * light, _STEP_WM2)
        far = np.abs(missed) / sigma
        weight = np.where(far > _HUBER, _HUBER / np.maximum(far, 1e-9), 1.0) / sigma**2 / alike
        told = (slopes * weight) @ slopes.T
        whole = np.linalg.inv(told + prior + 1e-6 * np.eye(len(middle)))
        step = whole @ ((slopes * weight) @ missed - prior @ (beside - middle))
        turn = float(np.hypot(step[0], step[1]))
        n = _unit(n + min(1.0, _MOST_STEP / max(turn, 1e-12)) * (step[0] * ways[0] + step[1] * ways[1]))
        beside[2:] += step[2:]
        if turn < _SETTLED:
            if n[2] < _UPRIGHT or int((points.cosine(n) > _GRAZING).sum()) < _LEAST_POINTS:
                return None
            worse = max(float(np.average(far**2, weights=weight)), 1.0)
            own, shared = _sigmas(whole @ told @ whole * worse), _sigmas(whole @ prior @ whole)
            return _Closest(n, own, shared, float(np.sqrt(np.mean(missed**2) / np.mean(points.shown**2))))
    return None


def _sigmas(covariance: Floats) -> Floats:
    return np.asarray(np.degrees(np.sqrt(np.diag(covariance)[:2])))


def _unit(n: Floats) -> Floats:
    # No plane that is looked at faces the ground.
    held = np.array([n[0], n[1], max(n[2], 0.0)])
    return np.asarray(held / np.linalg.norm(held))


def _excess(points: _Points, drawn: Floats, albedo: float) -> float:
    """By how much the plane showed more than the drawn one could, in the quarter of the day in which most so, and more
    than in the others.

    Shade, dirt and faults only take light away, and a sensor's gain is wrong all day: what neither can explain is the
    drawing's error.
    """
    light = points.light(drawn, albedo)
    over = (points.shown - light) / np.maximum(light, _EXCESS_OF_WM2)
    quarters = [float(np.median(part)) for part in np.array_split(over, 4)]
    return min(max(quarters), max(quarters) - float(np.median(quarters)))


_STARTS = [normal(tilt, azimuth) for tilt in (10.0, 30.0, 50.0, 70.0) for azimuth in range(0, 360, 30)]
