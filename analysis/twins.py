"""Owns the grey-sky twin test: two arrays under one overcast sky see the same light, whichever way they face.

Under a clear sky the ratio of two arrays, one on either side, tells a vessel's heading and nothing else. Under overcast
the light is that of the whole dome: how an array is tilted tells how much of the dome it sees, and its facing hardly
counts. So a grey week compares two sides without a compass, without a light sensor and without a model of the sky.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pvlib

from analysis import states
from analysis.expected import NINETY_FIVE, Expected
from analysis.instruments import Measured
from analysis.results import SunDay, TwinDay
from analysis.sky import Sky
from analysis.states import Codes
from analysis.sun import DAY_MS, Floats, Times
from logger.settings import Array

# Overcast: clearness under this, the light on the horizontal over that above the air (Erbs et al. 1982: 95 % of such
# light and more comes from the dome). Where only the arrays tell: their light over the clear sky's, which at these
# clearnesses is about 0.72 of that above the air.
GREY_CLEARNESS = 0.30
GREY_OF_CLEAR = 0.40
# Nearer to the horizon neither clearness nor dome is what it is elsewhere [°]; common practice, no source.
_LEAST_ELEVATION_DEG = 5.0
# How much brighter an overcast dome is on the sun's side, as a share of beam; common practice, no source.
_BRIGHT_SIDE = 0.01
# Hours that lean little enough, and how much more than the least of a day is near it; common practice, no source.
_LITTLE_LEAN, _NEAR_LEAST = 0.5, 1.3
# A ratio stands apart from the day's middle beyond so many times the middle distance, three standard deviations of even
# noise, and beyond the second; common practice, no source.
_CALM, _CALM_ANYWAY = 4.4, 0.01
# More than this of what an even dome gives comes from one side; common practice, no source.
_MOST_OF_DOME = 1.12
# Standard uncertainties of the ratio: of two power meters, each of 2 % at 95 % (accuracy that IEC 61724:1998 asks for,
# from memory); of modules of one kind, and of two kinds, in dim light (common practice, no source).
_METERS = 0.0144
# Of a meter's zero, as a share of the array's rating: a hundredth of an ampere. Where the night tells it, what it moves
# by until noon, of that hundredth; common practice, no source.
_ZERO, _ZERO_MOVES = 0.001, 0.3
# Under this share of the rating a meter's zero weighs too much even where the night tells it; common practice, no
# source.
_LEAST_SHARE = 0.02
_ONE_KIND, _TWO_KINDS = 0.007, 0.02

# The spread of the ratio is that of so long pieces, so that it is not the noise of readings; of fewer it tells nothing.
_BLOCK_MS, _LEAST_BLOCKS = 900_000, 5

WINDOW_DAYS = 7
LEAST_DAYS = 3
LEAST_MINUTES = 300.0
# Found low where the ratio's upper bound lies under the first; well again where the ratio is back over the second.
LOW_BELOW = 0.98
WELL_ABOVE = 0.97


Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Grey:
    """Which intervals of a grid lie under overcast, and how much of their light may still come from one side.

    Attributes
    ----------
    mask : ndarray of bool
    light : ndarray
        On the horizontal by a sensor [W/m²], NaN where none spoke.
    beam_share : ndarray
        Of the light on the horizontal, NaN outside the mask.
    """

    mask: npt.NDArray[np.bool_]
    light: Floats
    beam_share: Floats


def grey(sky: Sky, of_clear: Floats) -> Grey:
    """Overcast intervals, by a light sensor that faces up, else by the arrays themselves.

    Parameters
    ----------
    sky : Sky
    of_clear : ndarray
        Light on the horizontal over the clear sky's, by the array that shows the most; NaN where none was free.
    """
    above = sky.extra * np.sin(np.radians(np.maximum(sky.sun.elevation, 0.1)))
    seen = sensed(sky)
    with np.errstate(invalid="ignore"):
        by_arrays = np.where(of_clear < GREY_OF_CLEAR, of_clear * sky.clear.ghi, np.nan)
        light = np.where(np.isfinite(seen), seen, by_arrays)
        mask = (light < GREY_CLEARNESS * above) & (sky.sun.elevation >= _LEAST_ELEVATION_DEG)
    beam = np.full(len(light), np.nan)
    if mask.any():
        found = pvlib.irradiance.erbs(light[mask], sky.sun.apparent_zenith[mask], sky.day_of_year[mask])
        beam[mask] = np.clip(1.0 - np.asarray(found["dhi"]) / np.maximum(light[mask], 1e-6), 0.0, 1.0)
    return Grey(mask, seen, beam)


def sensed(sky: Sky) -> Floats:
    """Light on the horizontal by a sensor that faces up, of irradiance or of lux [W/m²]; NaN where neither spoke."""
    light = sky.measured.ghi
    return light if np.isfinite(light).all() else np.where(np.isfinite(light), light, sky.by_lux.ghi)


@dataclass(frozen=True, slots=True)
class Side:
    """One array in those grey intervals of a day in which nothing held it back.

    Attributes
    ----------
    array : Array
    step : int
        Length of an interval [ms].
    start : ndarray of int
        UTC [ms], ascending.
    got, could : ndarray
        Power; what an even dome of 1000 W/m² gives an array so tilted, its efficiency in the present light counted in
        [W].
    sway, bright : ndarray
        Relative standard uncertainties of its light by a facing that nobody knows: by what beam the sky may have let
        through, and by the bright side of the dome.
    sunlit : ndarray of bool
        Where it got more than the dome gives: a low sun breaks through, which on the horizontal hardly shows.
    zero : ndarray
        Standard uncertainty of its power by the meter's zero [W].
    """

    array: Array
    step: int
    start: Times
    got: Floats
    could: Floats
    sway: Floats
    bright: Floats
    sunlit: npt.NDArray[np.bool_]
    zero: Floats

    def on(self, day: SunDay) -> Side:
        a, b = np.searchsorted(self.start, [day.start, day.stop])
        cut = slice(a, b)
        return replace(
            self, start=self.start[cut], got=self.got[cut], could=self.could[cut], sway=self.sway[cut],
            bright=self.bright[cut], sunlit=self.sunlit[cut], zero=self.zero[cut],
        )  # fmt: skip


def side(array: Array, sky: Sky, overcast: Grey, said: Measured, could: Expected, state: Codes, zero: Floats) -> Side:
    """One array's side of the comparison, over the whole grid; its meter's zero, where the night tells it, taken off.

    Parameters
    ----------
    zero : ndarray
        Of `zeros` [A], NaN where unknown.
    """
    use = overcast.mask & np.isfinite(said.power) & (said.power >= 0) & (state == states.UNHINDERED)
    known = np.isfinite(zero) & np.isfinite(said.voltage)
    # Under a twentieth of the rating a meter's offset weighs too much, where nobody knows it.
    least = np.where(known, _LEAST_SHARE, states.JUDGING_SHARE)
    use &= np.nan_to_num(could.power) >= least * array.rated_w
    tilts = [(group.modules, group.tilt) for group in array.group or ()] or [(1, array.tilt)]
    modules = sum(n for n, _ in tilts)
    view = sum(n * dome_view(tilt, sky.albedo) for n, tilt in tilts) / modules
    steepest = math.radians(max(tilt for _, tilt in tilts))
    plane = could.electrics.plane[use]
    with np.errstate(divide="ignore", invalid="ignore"):
        efficiency = np.where(plane > 0, could.electrics.power_ratio[use] * 1000.0 / plane, 1.0)
    # Towards the sun and away from it the beam's share differs by this much of the whole light.
    lean = math.sin(steepest) / np.tan(np.radians(np.maximum(sky.sun.elevation[use], _LEAST_ELEVATION_DEG)))
    got = said.power[use] - np.where(known, zero * said.voltage, 0.0)[use]
    off = _ZERO * array.rated_w * np.where(known[use], _ZERO_MOVES, 1.0)
    dome = array.rated_w * view * np.where(np.isfinite(efficiency), efficiency, 1.0)
    with np.errstate(invalid="ignore"):
        sunlit = got > _MOST_OF_DOME * dome * overcast.light[use] / 1000.0
        # A side that shows more of a clear sky than overcast leaves is lit by more than a dome, whatever a sensor says.
        sunlit |= got > GREY_OF_CLEAR * dome * sky.clear.ghi[use] / 1000.0
    sway, bright = (np.minimum(share * lean, 1.0) for share in (overcast.beam_share[use], _BRIGHT_SIDE))
    return Side(array, sky.grid.step, sky.grid.start[use], got, dome, sway, bright, sunlit, off)


def dome_view(tilt: float, albedo: float) -> float:
    """Light of an even dome in a plane, over that on the horizontal: sky and what lies around (Liu and Jordan 1963)."""
    rise = math.cos(math.radians(tilt))
    return (1.0 + rise) / 2.0 + albedo * (1.0 - rise) / 2.0


def of_day(sides: Iterable[Side | None], day: SunDay) -> list[TwinDay]:
    """Each pair of arrays over one day's grey intervals that they share; pairs without any are left out."""
    found = []
    for one, other in combinations([side.on(day) for side in sides if side is not None], 2):
        if one.step != other.step:
            continue
        i, j = _shared(one, other)
        if not len(i):
            continue
        hours = one.step / 3_600_000
        found.append(
            TwinDay(
                one=one.array.name,
                other=other.array.name,
                day=day.day,
                start=day.start,
                stop=day.stop,
                minutes=len(i) * hours * 60.0,
                one_wh=float(one.got[i].sum() * hours),
                one_could_wh=float(one.could[i].sum() * hours),
                other_wh=float(other.got[j].sum() * hours),
                other_could_wh=float(other.could[j].sum() * hours),
                sigma=math.hypot(
                    _METERS,
                    _ONE_KIND if one.array.module == other.array.module else _TWO_KINDS,
                    float(one.zero[i].mean()) / max(float(one.got[i].mean()), 1.0),
                    float(other.zero[j].mean()) / max(float(other.got[j].mean()), 1.0),
                    _facing(one, other, i, j),
                ),
            )
        )
    return found


def _shared(one: Side, other: Side) -> tuple[Places, Places]:
    """Where two sides lie under the same dome: their grey intervals, without those in which a low sun breaks through.

    Where the sun stays low its highest hours tell most: there the dome's bright side leans the least. And an overcast
    moves the ratio of two sides by no more than readings do: what stands apart from the day's middle is a flash of sun
    on one of them.
    """
    _, i, j = np.intersect1d(one.start, other.start, assume_unique=True, return_indices=True)
    dull = ~(one.sunlit[i] | other.sunlit[j]) & (one.got[i] > 0.0) & (other.got[j] > 0.0)
    i, j = i[dull], j[dull]
    if not len(i):
        return i, j
    lean = one.bright[i] + other.bright[j]
    high = lean <= max(_NEAR_LEAST * float(lean.min()), 2.0 * _BRIGHT_SIDE * _LITTLE_LEAN)
    i, j = i[high], j[high]
    ratio = np.log(one.got[i] / other.got[j] * other.could[j] / one.could[i])
    apart = np.abs(ratio - np.median(ratio))
    calm = apart <= max(_CALM * float(np.median(apart)), _CALM_ANYWAY)
    return i[calm], j[calm]


def _facing(one: Side, other: Side, i: Places, j: Places) -> float:
    """Relative standard uncertainty of a day's ratio by what falls on one side more than on the other.

    The two sides lean to opposite hands at the worst, and a vessel may lie to one wind all week: the bright side of a
    dome adds as it stands. Beam through an overcast flickers: what it takes from the mean it shows in the spread of the
    ratio over the day, and most overcast has none.
    """
    # An interval counts by its light, as it does in the sums.
    weight = one.got[i] / one.could[i] + other.got[j] / other.could[j]

    def both(values: Floats, others: Floats) -> float:
        return float(np.average((values[i] + others[j]) / 2.0, weights=weight))

    block = one.start[i] // _BLOCK_MS
    edges = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    sums = [np.add.reduceat(values, edges) for values in (one.got[i], other.got[j], one.could[i], other.could[j])]
    beam = both(one.sway, other.sway)
    if len(edges) >= _LEAST_BLOCKS:
        beam = min(beam, float(np.std(np.log(sums[0] / sums[1] * sums[3] / sums[2]), ddof=1)))
    return beam + both(one.bright, other.bright)


@dataclass(frozen=True, slots=True)
class Compared:
    """One array against another under the grey skies of some days: energy for each watt that the dome gave.

    Attributes
    ----------
    array, other : str
    first, last : datetime.date
        Of the days that told something.
    start, stop : int
        Of those days, UTC [ms].
    days : int
    minutes : float
        Of grey light in which nothing held either back.
    ratio, low, high : float
        With its 95 % interval.
    """

    array: str
    other: str
    first: dt.date
    last: dt.date
    start: int
    stop: int
    days: int
    minutes: float
    ratio: float
    low: float
    high: float


def compared(days: Sequence[TwinDay], array: str) -> Compared | None:
    """One array against one other over some days; None where the grey light is too short to tell.

    Parameters
    ----------
    days : sequence of TwinDay
        Of one pair, in the order of time.
    array : str
        Which of the two is judged.
    """
    told = [turned(d, array) for d in days]
    told = [d for d in told if d.one_wh > 0 and d.other_wh > 0]
    minutes = sum(d.minutes for d in told)
    if len(told) < LEAST_DAYS or minutes < LEAST_MINUTES:
        return None
    ratio = (sum(d.one_wh for d in told) / sum(d.one_could_wh for d in told)) / (
        sum(d.other_wh for d in told) / sum(d.other_could_wh for d in told)
    )
    weights = np.array([d.other_could_wh * d.minutes for d in told])
    weights /= weights.sum()
    daily = np.array([d.one_wh / d.one_could_wh * d.other_could_wh / d.other_wh for d in told])
    effective = 1.0 / float((weights**2).sum())
    scatter = float((weights * (daily / ratio - 1.0) ** 2).sum()) / max(effective - 1.0, 1.0)
    shared = float((weights * np.array([d.sigma for d in told])).sum())
    half = NINETY_FIVE * math.sqrt(shared**2 + scatter)
    return Compared(
        array, told[0].other, told[0].day, told[-1].day, told[0].start, told[-1].stop, len(told), minutes,
        ratio, ratio * max(1.0 - half, 0.0), ratio * (1.0 + half),
    )  # fmt: skip


def weak(told: Compared) -> str | None:
    """The name of the weak one of two, beyond doubt; None where neither is."""
    if told.high < LOW_BELOW:
        return told.array
    # Turned round, the bounds of the ratio change places.
    return told.other if told.low > 1.0 / LOW_BELOW else None


def turned(day: TwinDay, array: str) -> TwinDay:
    """The same day with that array as the one that is judged."""
    if day.one == array:
        return day
    return replace(
        day, one=day.other, other=day.one, one_wh=day.other_wh, one_could_wh=day.other_could_wh,
        other_wh=day.one_wh, other_could_wh=day.one_could_wh,
    )  # fmt: skip


def since_changed(
    days: Iterable[TwinDay], changes: Mapping[str, Sequence[int]]
) -> dict[tuple[str, str], list[TwinDay]]:
    """The days of each pair since one of the two last changed physically, in their order."""
    pairs: dict[tuple[str, str], list[TwinDay]] = {}
    for day in days:
        begin = max((t for name in (day.one, day.other) for t in changes.get(f"array.{name}", ())), default=0)
        if day.start >= begin:
            pairs.setdefault((day.one, day.other), []).append(day)
    return pairs


def weeks(days: Sequence[TwinDay], array: str) -> list[Compared]:
    """The comparison of one pair as it stood at the end of each grey day, by the seven solar days up to it.

    A cloudy week is not lost evidence: it is the best one to tell which side is weak.
    """
    found = []
    for i, last in enumerate(days):
        within = [d for d in days[: i + 1] if d.start > last.start - WINDOW_DAYS * DAY_MS]
        told = compared(within, array)
        if told is not None:
            found.append(told)
    return found
