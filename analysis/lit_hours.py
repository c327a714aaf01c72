"""Owns what the hours of light, or of an array's power, say of the clock: light after dark, and dark in full day.

However a sensor is tilted and wherever it faces, it is lit from about sunrise to about sunset. One that still has light
when the sun is well down, and has none at the other end of the day when the sun is well up, tells a clock, a zone or a
position that is wrong. A lamp over it, or a hill beside it, does one of the two and tells nothing.

An array's power begins and ends less sharply, by its plane and by what stands around: one day of it tells hours only,
and `file_clocks` looks at many.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.frames import Pieces, Stretch
from analysis.results import (
    SunDay,
)
from analysis.results_light import LightDay
from analysis.sky import BY_WEATHER
from analysis.sun import DAY_MS, MINUTE_MS, Floats, SunPath, Times
from logger.settings import Array

# Civil twilight with the sun this far down gives a plane less than the light that counts as lit; by day with the sun
# this far up the darkest cloud gives more than the light that counts as dark. Common practice, no source.
_WELL_DOWN_DEG, _WELL_UP_DEG = -4.0, 4.0
_LIT_WM2, _DARK_WM2 = 10.0, 5.0
_LEAST_MS = 20 * MINUTE_MS
# Clouds at either end move the middle of the lit hours.
_SIGMA_S = 600.0
# Light that comes so late turns morning into noon; common practice, no source.
_OFF_S = 2700.0
# Of an array's power this share of the day's own best, and of its rating, is light; so many hours of it make a day
# whose ends can be told. Common practice, no source.
_POWER_SHARE, _RATED_SHARE, _LEAST_LIT_H = 0.03, 0.01, 2.0


def never_dark(channel: str, day: SunDay, dark: Floats) -> LightDay:
    """Of a day on which a sensor was as good as lit while the sun was well down: what it said then is its offset."""
    return LightDay(channel, day.day, day.start, day.stop, float(np.median(dark)), 0.0, None, None, None)


def of_day(channel: str, day: SunDay, pieces: Pieces, path: SunPath, offset: float) -> LightDay | None:
    """What one day says of the clock by a sensor in a plane; None where it says nothing.

    Parameters
    ----------
    channel : str
        Of irradiance in a plane.
    day : SunDay
    pieces : Pieces
        Its readings of that day.
    path : SunPath
    offset : float
        Night offset that is taken off [W/m²].
    """
    if day.first_light is None or day.last_light is None or len(pieces.start) == 0:
        return None
    light, middle = pieces.value - offset, pieces.start + pieces.length // 2
    lit = light > _LIT_WM2
    if not lit.any():
        return None
    elevation = path.elevation(middle)
    after_dark = lit & (elevation < _WELL_DOWN_DEG)
    dark_by_day = (light < _DARK_WM2) & (elevation > _WELL_UP_DEG)
    morning = middle < day.noon

    def lasts(which: npt.NDArray[np.bool_]) -> bool:
        return int(pieces.length[which].sum()) >= _LEAST_MS

    late = lasts(after_dark & ~morning) and lasts(dark_by_day & morning)
    early = lasts(after_dark & morning) and lasts(dark_by_day & ~morning)
    shift = _middle_of(middle[lit], day.noon)
    sound = not after_dark.any() and not dark_by_day.any() and abs(shift) < _SIGMA_S
    if not (late or early or sound):
        return None
    return LightDay(channel, day.day, day.start, day.stop, offset, 0.0, None, shift, _SIGMA_S)


def _middle_of(lit: Times, noon: int) -> float:
    """By how much the middle of the lit hours comes after noon [s]; they begin after the longest dark of all."""
    dark = np.diff(lit, append=lit[0] + DAY_MS)
    ends = int(np.argmax(dark))
    first, last = int(lit[(ends + 1) % len(lit)]), int(lit[ends])
    middle = (first + last + (DAY_MS if last < first else 0)) / 2
    return ((middle - noon + DAY_MS / 2) % DAY_MS - DAY_MS / 2) / 1000


def of_weather(stretch: Stretch, suns: Sequence[SunDay], path: SunPath) -> list[LightDay | None]:
    """What each day says of the clock of an imported weather series; a satellite's light is lit as any other is."""
    pieces = stretch[BY_WEATHER]
    if not len(pieces.start):
        return [None] * len(suns)
    return [of_day(BY_WEATHER, sun, pieces.between(sun.start, sun.stop), path, 0.0) for sun in suns]


def believed(stretch: Stretch, told: Sequence[LightDay | None]) -> Stretch:
    """The stretch without a weather series' light of days on which it came at the wrong hours."""
    off = [day for day in told if day is not None and abs(day.noon_shift_s or 0.0) > _OFF_S]
    if not off:
        return stretch
    pieces = stretch[BY_WEATHER]
    kept = ~np.any([(pieces.start >= day.start) & (pieces.start < day.stop) for day in off], axis=0)
    return stretch.with_pieces({BY_WEATHER: Pieces(pieces.start[kept], pieces.length[kept], pieces.value[kept])})


def ends_of_power(array: Array, day: SunDay, stretch: Stretch, window: tuple[int, int]) -> tuple[float, float] | None:
    """When an array's power began after sunrise, and ended after sunset [min]; None where one of them was not seen.

    Parameters
    ----------
    array : Array
    day : SunDay
    stretch : Stretch
    window : tuple of int
        The part of the day that was read, UTC [ms].
    """
    if day.first_light is None or day.last_light is None:
        return None
    told = _power(array, stretch, *window)
    if len(told.start) < 2:
        return None
    lit = told.value > max(_POWER_SHARE * float(np.quantile(told.value, 0.98)), _RATED_SHARE * array.rated_w)
    if float(told.length[lit].sum()) < _LEAST_LIT_H * 3_600_000:
        return None
    at = np.flatnonzero(lit)
    first, last = int(at[0]), int(at[-1])
    stops = told.start + told.length
    # A record that breaks off tells where it broke off: dark must have been read before the light, and after it.
    begun = told.start[first] - (stops[first - 1] if first else day.first_light)
    ended = (told.start[last + 1] if last + 1 < len(stops) else day.last_light) - stops[last]
    if begun > (told.step if first else 0) or ended > (told.step if last + 1 < len(stops) else 0):
        return None
    return (int(told.start[first]) - day.first_light) / MINUTE_MS, (int(stops[last]) - day.last_light) / MINUTE_MS


def _power(array: Array, stretch: Stretch, start: int, stop: int) -> Pieces:
    volts, amps = (stretch[f"array.{array.name}.{q}"].between(start, stop) for q in ("voltage", "current"))
    if len(volts.start) and np.array_equal(volts.start, amps.start):
        return Pieces(volts.start, volts.length, volts.value * amps.value)
    return stretch[f"array.{array.name}.power"].between(start, stop)
