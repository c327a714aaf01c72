"""Owns the comparison of alike arrays in the same moment: volts and amps of one over the other's, in one light.

Two strings of like modules in one plane show the same volts and the same current within 5 % (IEC 62446-1, as two texts
cite it). Whatever the light and the warmth are, they share them; so no model stands between. A string whose volts alone
are low has part of its modules bypassed, lies partly under something, or is held off its best point; one whose current
alone is low has a string open, dirt, or shade.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from analysis import states
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.results import EVIDENCE, SunDay
from analysis.results_alike import AlikeDay
from analysis.states import Codes
from analysis.sun import Floats, Times
from logger.settings import Array, Settings

Mask = npt.NDArray[np.bool_]

# Light from which volts are compared, and from which a half that is gone is counted [W/m²]; common practice, no source.
BRIGHT_WM2, LIT_WM2 = 200.0, 100.0
# Alike strings lie within the first of each other (IEC 62446-1, as cited).
APART, WIDE_APART, FAR = 0.05, 0.10, 0.45
# Less than this is a meter's zero [V]; common practice, no source.
_LEAST_V = 1.0
# So many sound intervals tell amps for light; common practice, no source.
_LEAST_SOUND = 8
# So little lost beside the other is no loss whose kind can be told; common practice, no source.
_LEAST_LOST = 0.02


def pairs(settings: Settings) -> list[tuple[str, str]]:
    """Names of every two arrays of like modules, like count and one plane, in the order of the settings."""
    return [(a.name, b.name) for a, b in combinations(settings.array, 2) if _drawn(a) == _drawn(b)]


def _drawn(array: Array) -> tuple[object, ...]:
    facing = array.azimuth if array.tilt > 0 else 0.0
    counts = array.modules_in_series, array.strings_in_parallel
    return array.module, counts, array.tilt, facing, array.mounting, array.group


@dataclass(frozen=True, slots=True)
class Half:
    """One of two alike arrays on the grid.

    Attributes
    ----------
    name : str
    step : int
        Length of an interval [ms].
    start : ndarray of int
        UTC [ms], ascending.
    volts, amps, light : ndarray
        [V], [A], [W/m²]; NaN where unknown.
    evidence : ndarray of int8
        What the light was known by, indices into `EVIDENCE`.
    sound, free : ndarray of bool
        Where nothing held it back; where nothing but a cover did.
    """

    name: str
    step: int
    start: Times
    volts: Floats
    amps: Floats
    light: Floats
    evidence: npt.NDArray[np.int8]
    sound: Mask
    free: Mask

    def on(self, day: SunDay) -> Half:
        a, b = np.searchsorted(self.start, [day.start, day.stop])
        return self._at(slice(int(a), int(b)))

    def at(self, where: npt.NDArray[np.intp]) -> Half:
        return self._at(where)

    def _at(self, at: slice | npt.NDArray[np.intp]) -> Half:
        return Half(
            self.name, self.step, self.start[at], self.volts[at], self.amps[at], self.light[at], self.evidence[at],
            self.sound[at], self.free[at],
        )  # fmt: skip


def half(array: Array, step: int, start: Times, light: Light, said: Measured, state: Codes) -> Half:
    """One array's half of the comparison, over the whole grid."""
    sound = state == states.UNHINDERED
    return Half(
        array.name, step, start, said.voltage, said.current, light.incident, light.evidence,
        np.asarray(sound), np.asarray(sound | (state == states.COVERED)),
    )  # fmt: skip


def of_day(halves: Iterable[Half | None], alike: Sequence[tuple[str, str]], day: SunDay) -> list[AlikeDay]:
    """Each pair of alike arrays over one day; pairs without a lit interval in which both were heard are left out."""
    known = {h.name: h.on(day) for h in halves if h is not None}
    found = [_compared(known[one], known[other], day) for one, other in alike if one in known and other in known]
    return [told for told in found if told is not None]


def _compared(one: Half, other: Half, day: SunDay) -> AlikeDay | None:
    if one.step != other.step:
        return None
    if not np.array_equal(one.start, other.start):
        _, i, j = np.intersect1d(one.start, other.start, assume_unique=True, return_indices=True)
        one, other = one.at(i), other.at(j)
    light, evidence = _shared_light(one, other)
    with np.errstate(invalid="ignore", divide="ignore"):
        heard = np.isfinite(one.volts) & np.isfinite(other.volts) & (np.fmax(one.volts, other.volts) >= _LEAST_V)
        lit = heard & (light > LIT_WM2)
        bright = heard & (light > BRIGHT_WM2)
        if not lit.any():
            return None
        ratio = np.maximum(one.volts, 0.0) / np.maximum(other.volts, 1e-3)
        amps = np.where(np.fmin(one.amps, other.amps) > 0, one.amps / other.amps, np.nan)
    apart = np.abs(ratio - 1.0)
    wide = bright & (apart > WIDE_APART)
    low = np.where(ratio < 1.0, ratio, 1.0 / np.maximum(ratio, 1e-6))
    low_amps = np.where(ratio < 1.0, amps, 1.0 / amps)
    free = bright & one.free & other.free & np.isfinite(one.amps) & np.isfinite(other.amps)
    by_volts, by_amps, other_wh = _lost(one, other, free)
    sound = bright & one.sound & other.sound & (apart <= WIDE_APART)
    return AlikeDay(
        one=one.name,
        other=other.name,
        day=day.day,
        start=day.start,
        stop=day.stop,
        interval_ms=one.step,
        light=EVIDENCE[int(np.bincount(evidence[lit]).argmax())],
        bright=int(bright.sum()),
        apart_5=int((bright & (apart > APART)).sum()),
        apart_10=int(wide.sum()),
        one_low=int((wide & (ratio < 1.0)).sum()),
        lit=int(lit.sum()),
        far=int((lit & (low < FAR)).sum()),
        volts_ratio=_middle(ratio[bright]),
        amps_ratio=_middle(amps[bright]),
        low_volts_ratio=_middle(low[wide]),
        low_amps_ratio=_middle(low_amps[wide]),
        free=int(free.sum()),
        by_volts_wh=by_volts,
        by_amps_wh=by_amps,
        other_wh=other_wh,
        **_by_light(light, one, other, sound),
    )


def _shared_light(one: Half, other: Half) -> tuple[Floats, npt.NDArray[np.int8]]:
    """The light of both by the better evidence; where that is of one kind, by the one that shows more: an array that
    is its sister's light shows the less of it the more it lost."""
    more = np.fmax(one.light, other.light)
    first = (one.evidence < other.evidence) & np.isfinite(one.light)
    second = (other.evidence < one.evidence) & np.isfinite(other.light)
    light = np.where(first, one.light, np.where(second, other.light, more))
    return light, np.minimum(one.evidence, other.evidence)


def _lost(one: Half, other: Half, free: Mask) -> tuple[float, float, float]:
    """What one gave less than the other, by volts and by amps, and what the other gave [Wh]."""
    hours = one.step / 3_600_000
    v, u, i, j = (values[free] for values in (one.volts, other.volts, one.amps, other.amps))
    by_volts = float(((u - v) * (i + j)).sum()) / 2.0 * hours
    by_amps = float(((j - i) * (u + v)).sum()) / 2.0 * hours
    return by_volts, by_amps, float((u * j).sum()) * hours


def _by_light(light: Floats, one: Half, other: Half, sound: Mask) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for key, side in (("one", one), ("other", other)):
        use = sound & np.isfinite(side.amps)
        x, y = light[use] / 1000.0, side.amps[use]
        told = len(x) >= _LEAST_SOUND and float(np.ptp(y)) > 0
        k = float((x * y).sum() / (x * x).sum()) if told else None
        found[f"{key}_a_per_kw"] = k
        found[f"{key}_r2"] = (
            1.0 - float(((y - k * x) ** 2).sum() / ((y - y.mean()) ** 2).sum()) if k is not None else None
        )
    return found


def _middle(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None


@dataclass(frozen=True, slots=True)
class Beside:
    """What one array lost beside an alike one over some days.

    Attributes
    ----------
    other : str
        The alike array.
    days : int
    bright, apart_10 : int
        Intervals, as of `AlikeDay`.
    by_volts_wh, by_amps_wh : float
        What it gave less, by its volts and by its amps [Wh].
    share : float
        What its volts lost of what volts and amps lost: 1 the volts alone, its current as large or larger; 0 the
        current alone.
    """

    other: str
    days: int
    bright: int
    apart_10: int
    by_volts_wh: float
    by_amps_wh: float
    share: float


def beside(days: Sequence[AlikeDay], array: str) -> Beside | None:
    """What one array lost beside that alike one which gave most; None where none is alike, or nothing was lost."""
    others: dict[str, list[AlikeDay]] = {}
    for day in days:
        if array in (day.one, day.other):
            others.setdefault(day.other if day.one == array else day.one, []).append(day)
    found = [told for other, mine in others.items() if (told := _beside(other, mine, array)) is not None]
    return max(found, key=lambda told: told.by_volts_wh + told.by_amps_wh, default=None)


def _beside(other: str, days: Sequence[AlikeDay], array: str) -> Beside | None:
    signs = [1.0 if d.one == array else -1.0 for d in days]
    by_volts = sum(sign * d.by_volts_wh for sign, d in zip(signs, days, strict=True))
    by_amps = sum(sign * d.by_amps_wh for sign, d in zip(signs, days, strict=True))
    # What the better of the two gave: where this one is the first of a pair, the other's; else its own and the loss.
    whole = sum(
        d.other_wh if sign > 0 else d.other_wh - d.by_volts_wh - d.by_amps_wh
        for sign, d in zip(signs, days, strict=True)
    )
    lost = by_volts + by_amps
    if whole <= 0 or lost <= _LEAST_LOST * whole:
        return None
    share = max(by_volts, 0.0) / (max(by_volts, 0.0) + max(by_amps, 0.0))
    bright, apart = sum(d.bright for d in days), sum(d.apart_10 for d in days)
    return Beside(other, len(days), bright, apart, by_volts, by_amps, share)


def together(days: Sequence[AlikeDay]) -> Mapping[str, float | int | None]:
    """The figures of one pair over its days: counts are sums, ratios the middle of the days' own."""
    sums = {key: sum(getattr(d, key) for d in days) for key in COUNTS}
    sums |= {key: sum(getattr(d, key) for d in days) for key in ("by_volts_wh", "by_amps_wh", "other_wh")}
    return sums | {key: _of_days(days, key) for key in RATIOS}


COUNTS = ("bright", "apart_5", "apart_10", "one_low", "lit", "far", "free")
RATIOS = ("volts_ratio", "amps_ratio", "low_volts_ratio", "low_amps_ratio")


def _of_days(days: Sequence[AlikeDay], key: str) -> float | None:
    known = [value for d in days if (value := getattr(d, key)) is not None]
    return statistics.median(known) if known else None
