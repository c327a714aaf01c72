"""Owns planes under made-up skies: their light by other physics than the analysis', and days of it as it sees them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from analysis import facing
from analysis.facing import Shown
from analysis.frames import Grid, Pieces, Stretch
from analysis.results import (
    SunDay,
)
from analysis.results_light import FacingDay
from analysis.sky import GLOBAL, Sky
from analysis.sun import DAY_MS, Floats, Place, SunPath, day_start
from fixtures.lapwing.sky import clear_sky, on_plane, onto_plane, sun
from logger.settings import Array
from tests.analysis import frames

LONGITUDE = -25.0
_STEP_MS = 60_000


@dataclass(frozen=True)
class Plane:
    """A plane that was really built one way, and what goes wrong with its light.

    Attributes
    ----------
    latitude : float
    tilt, azimuth : float
        As it is built.
    drawn : tuple of float
        As it is drawn; None: as built.
    by_power : bool
        Whether its light is told by an array's power, behind glass.
    parts : bool
        Whether beam and dome are measured beside the global light.
    gain, level_gain : float
        Of the plane's light, and of the light on the horizontal.
    ground : float
        Albedo; the analysis takes it for 0.2.
    shaded_after_h : float
        From so many hours after noon on, or before it if negative, most of its light is gone.
    lean : tuple of float
        Tilt and azimuth of the sensor that should be level.
    """

    latitude: float
    tilt: float
    azimuth: float
    drawn: tuple[float, float] | None = None
    by_power: bool = False
    parts: bool = False
    gain: float = 1.0
    level_gain: float = 1.0
    ground: float = 0.2
    shaded_after_h: float | None = None
    lean: tuple[float, float] = (0.0, 180.0)
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(5))

    def day(self, date: dt.date, cloud: float = 0.0) -> FacingDay | None:
        """What one day of it says; `cloud` is the share of the day with a cloud before the sun."""
        start = day_start(date, LONGITUDE)
        t = np.arange(start, start + DAY_MS, _STEP_MS)
        over = sun((t + _STEP_MS / 2) / 1000, self.latitude, LONGITUDE)
        haze = np.clip(self.rng.uniform(2, 5) + 0.3 * np.cumsum(self.rng.normal(0, 0.02, len(t))), 1.8, 7.0)
        beam, dome = clear_sky(over, haze)
        if cloud:
            keep = np.exp(-1 / 8)
            field_ = lfilter([np.sqrt(1 - keep**2)], [1, -keep], self.rng.normal(size=len(t)))
            hidden = field_ > np.quantile(field_, 1 - cloud)
            beam, dome = np.where(hidden, 0.05 * beam, beam), np.where(hidden, 1.6, 1 + 0.5 * cloud) * dome
        level = sum(onto_plane(over, beam, dome, *self.lean)[:2]) * self.level_gain
        light = sum(
            (on_plane if self.by_power else onto_plane)(over, beam, dome, self.tilt, self.azimuth, self.ground)[:2]
        )
        shown = light * self.gain
        if self.shaded_after_h is not None:
            hours = (t - start) / 3_600_000 - 12
            shaded = hours > self.shaded_after_h if self.shaded_after_h > 0 else hours < self.shaded_after_h
            shown = np.where(shaded, 0.4 * shown, shown)
        return self._seen(date, t, level + self.rng.normal(0, 2, len(t)), shown, beam, dome)

    def days(self, first: dt.date, count: int = 4, clouds: tuple[float, ...] = (0.0,)) -> list[FacingDay]:
        """The days that tell."""
        found = [self.day(first + dt.timedelta(n), clouds[n % len(clouds)]) for n in range(count)]
        return [day for day in found if day is not None]

    def _seen(
        self, date: dt.date, t: np.ndarray, level: Floats, shown: Floats, beam: Floats, dome: Floats
    ) -> FacingDay | None:
        place, start = Place(self.latitude, LONGITUDE, 0.0), int(t[0])
        path = SunPath(start - DAY_MS, start + 2 * DAY_MS, place)
        up = path.elevation(t + _STEP_MS // 2) > 0
        grid = Grid(t[up], _STEP_MS)
        told = {GLOBAL: level}
        if self.parts:
            told |= {"irradiance.direct.normal": 1.01 * beam, "irradiance.diffuse.horizontal": 0.98 * dome}
        length = np.full(len(t), _STEP_MS, dtype=np.int64)
        stretch = Stretch(start, start + DAY_MS, {name: Pieces(t, length, values) for name, values in told.items()})
        sky = Sky(grid, path.at(grid.middle), place, stretch, albedo=0.2)
        day = SunDay(date, start, start + DAY_MS, *path.light_of_day(start), "hash")
        return facing.of_day(self.array, day, sky, Shown(shown[up], self.by_power))

    @property
    def array(self) -> Array:
        tilt, azimuth = self.drawn or (self.tilt, self.azimuth)
        return frames.settings().array[0].model_copy(update={"tilt": tilt, "azimuth": azimuth})
