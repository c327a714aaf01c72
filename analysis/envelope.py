"""Owns the check of a light sensor against the clear sky: its gain, its night offset, and the noon that it shows.

On a clear day the light of a flat sensor is known from the sun alone, to about a tenth. What the sensor says then tells
its gain; when it says it tells the clock and the position: measured noon against computed noon, the tool's own name.
"""

from __future__ import annotations

import warnings

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

from analysis.results import (
    SunDay,
)
from analysis.results_light import LightDay
from analysis.sky import CLEAR_EFFICACY, LUX, Sky
from analysis.sun import Floats
from analysis.witnesses import Witness

# Minutes of clear sky before a day says anything; common practice, no source.
LEAST_CLEAR_MIN = 120.0
# Light must have been heard on both sides of noon for its noon to mean anything [h from noon].
_LEAST_SPREAD_H = 2.0
_WINDOW_MIN = 10
_BRIGHT_WM2 = 100.0
_LEAST_GAIN = 0.5
# Long means are a clear sky's where at least so many of a day are steady, and nearly as bright as its level; common
# practice, no source.
_LEAST_MEANS, _NEAR_LEVEL = 4, 0.92
# Under a clear sky the share of it changes by less than this in a window.
_STEADY = 0.03
# A clock is wrong by minutes or by hours: whole quarter hours are sought within four.
_LEAST_LAG_MS, _MOST_LAG_MS = 15 * 60_000, 4 * 3_600_000


def of_day(witness: Witness, day: SunDay, sky: Sky, offset: float) -> LightDay | None:
    """What one day says of a light sensor; None where it was not read by day, or nobody knows which way it faces.

    Parameters
    ----------
    witness : Witness
    day : SunDay
    sky : Sky
        On a grid that holds the day.
    offset : float
        Night offset that was taken off, in the sensor's unit.
    """
    channel = witness.channel
    a, b = np.searchsorted(sky.grid.start, [day.start, day.stop])
    light, cloudless = sky.as_read(channel)[a:b], witness.clear(sky)
    if cloudless is None:
        return None
    clear = cloudless[a:b]
    # Limits of the search are in W/m²: of another unit its own clear sky is the measure.
    unit = CLEAR_EFFICACY if channel == LUX else 1.0
    light, clear = light / unit, clear / unit
    if not np.isfinite(light).any():
        return None
    lag = _lag(light, clear, sky.grid.step) if witness.tells_noon else 0
    late = _moved(clear, lag)
    calm = _clear_minutes(light, late, sky.grid.step)
    minutes = float(calm.sum()) * sky.grid.step / 60_000
    if minutes < LEAST_CLEAR_MIN:
        return LightDay(channel, day.day, day.start, day.stop, offset, minutes, None, None, None)
    gain = float(np.median(light[calm] / late[calm]))
    if not witness.tells_noon:
        return LightDay(channel, day.day, day.start, day.stop, offset, minutes, gain, None, None)
    lag_s = lag * sky.grid.step / 1000
    shift, sigma = _noon_shift(sky.grid.middle[a:b], light, late, calm, day.noon + round(lag_s * 1000))
    found = None if shift is None else shift + lag_s
    return LightDay(channel, day.day, day.start, day.stop, offset, minutes, gain, found, sigma)


def _lag(light: Floats, clear: Floats, step: int) -> int:
    """By how many intervals the light comes after the clear sky, where whole quarter hours say it best; else 0."""
    known = np.nan_to_num(light)
    most = _MOST_LAG_MS // step
    if len(known) <= most:
        return 0
    match = np.correlate(known, clear, mode="full")[len(clear) - 1 - most : len(clear) + most]
    best = int(np.argmax(match)) - most
    return best if abs(best) * step >= _LEAST_LAG_MS else 0


def _moved(values: Floats, lag: int) -> Floats:
    moved = np.zeros_like(values)
    if lag >= 0:
        moved[lag:] = values[: len(values) - lag]
    else:
        moved[:lag] = values[-lag:]
    return moved


def _clear_minutes(light: Floats, clear: Floats, step: int) -> npt.NDArray[np.bool_]:
    """Intervals whose light moves as a clear sky's does, whatever its gain.

    By the five criteria of Reno and Hansen (2016) as pvlib has them, with the clear sky scaled to the day's own level
    first, so that a wrong gain hides no clear day. Means longer than ten minutes cannot show a cloud's edge.
    """
    length = step / 60_000
    if length > _WINDOW_MIN / 2:
        return _smooth(light, clear)
    bright = (clear > _BRIGHT_WM2) & np.isfinite(light)
    found = np.zeros(len(light), dtype=bool)
    window = max(int(_WINDOW_MIN / length), 3)
    if bright.sum() < 2 * window:
        return found
    share = light[bright] / clear[bright]
    level = np.quantile(share, 0.75)
    steady = np.abs(share[window:] - share[:-window]) < _STEADY
    if level < _LEAST_GAIN or steady.sum() * length < LEAST_CLEAR_MIN:
        return found  # a day of cloud, told without looking at every window
    times = pd.DatetimeIndex((np.arange(bright.sum()) * step).astype("datetime64[ms]"))
    with warnings.catch_warnings(action="ignore", category=RuntimeWarning):
        # Where the level of the sky cannot be found, a day is no clear one; a person need not hear of it.
        found[bright] = pvlib.clearsky.detect_clearsky(
            light[bright], clear[bright] * level, times=times, window_length=window * length, infer_limits=True
        )
    return found


def _smooth(light: Floats, clear: Floats) -> npt.NDArray[np.bool_]:
    """The same of long means: they stay alike, near the day's own level, for a good part of the day.

    Broken cloud may give two or three hours in a row the same mean, and a low one.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(clear > _BRIGHT_WM2, light / clear, np.nan)
    around = np.stack([np.roll(share, 1), share, np.roll(share, -1)])
    known = np.asarray(np.isfinite(around).all(axis=0))
    spread = np.ptp(np.where(known, around, 0.0), axis=0)
    if not known.any():
        return known
    # Towards a low sun the share of a clear sky strays: the upper quarter is the day's level, not its maximum.
    level = float(np.quantile(share[np.isfinite(share)], 0.75))
    calm = known & (spread < 0.04) & (share > max(_LEAST_GAIN, _NEAR_LEVEL * level))
    return np.asarray(calm & (calm.sum() >= _LEAST_MEANS))


def _noon_shift(
    t: npt.NDArray[np.int64], light: Floats, clear: Floats, calm: npt.NDArray[np.bool_], noon: int
) -> tuple[float | None, float | None]:
    """By how many seconds the light's own noon comes after the sun's, with its standard uncertainty.

    Light that is late by a short time d is ``g·c(t) - g·d·dc/dt``: a straight line in c and in its slope.
    """
    hours = (t[calm] - noon) / 3_600_000
    if hours.min() > -_LEAST_SPREAD_H / 2 or hours.max() < _LEAST_SPREAD_H / 2 or np.ptp(hours) < _LEAST_SPREAD_H:
        return None, None
    slope = np.gradient(clear, t / 1000.0)[calm]
    columns = np.stack([clear[calm], slope], axis=1)
    found, _, rank, _ = np.linalg.lstsq(columns, light[calm], rcond=None)
    if rank < 2 or found[0] <= 0:
        return None, None
    residual = light[calm] - columns @ found
    # A haze that thickens through the day looks like a late clock: its error lives for hours, not minutes.
    independent = max(np.ptp(hours) / 1.0, 2.0)
    covariance = np.linalg.inv(columns.T @ columns) * float(residual.var()) * len(hours) / independent
    return float(-found[1] / found[0]), float(np.sqrt(covariance[1, 1]) / found[0])
