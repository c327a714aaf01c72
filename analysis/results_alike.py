"""Owns the values of the table `alike_day`: two arrays that are alike, compared in one and the same moment."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AlikeDay:
    """Two arrays of like modules, count and plane over the lit intervals of one solar day that both were heard in.

    Attributes
    ----------
    one, other : str
        Names of arrays, in the order of the settings.
    day : datetime.date
    start, stop : int
        UTC [ms].
    interval_ms : int
        Length of an interval.
    light : str
        What the light was known by, mostly.
    bright, apart_5, apart_10 : int
        Intervals with light over 200 W/m², and those of them in which the volts of one over the other's are off one by
        more than 5 and 10 %.
    one_low : int
        Of those apart by more than 10 %, those in which `one` was the lower.
    lit, far : int
        Intervals with light over 100 W/m², and those of them in which the lower volts are under 0.45 of the higher.
    volts_ratio, amps_ratio : float or None
        One over the other, the middle of the bright intervals.
    low_volts_ratio, low_amps_ratio : float or None
        The lower one (in volts) over the other, the middle of the intervals apart by more than 10 %.
    free : int
        Bright intervals in which nothing but a cover held either back.
    by_volts_wh, by_amps_wh : float
        What `one` gave less than the other in them, by its volts and by its amps: the two add up to the whole [Wh].
    other_wh : float
        What the other gave in them [Wh].
    one_a_per_kw, other_a_per_kw : float or None
        Amps for each kW/m² where neither was held back nor apart by 10 %.
    one_r2, other_r2 : float or None
        How much of the current's way that explains.
    """

    one: str
    other: str
    day: dt.date
    start: int
    stop: int
    interval_ms: int
    light: str
    bright: int
    apart_5: int
    apart_10: int
    one_low: int
    lit: int
    far: int
    volts_ratio: float | None
    amps_ratio: float | None
    low_volts_ratio: float | None
    low_amps_ratio: float | None
    free: int
    by_volts_wh: float
    by_amps_wh: float
    other_wh: float
    one_a_per_kw: float | None
    one_r2: float | None
    other_a_per_kw: float | None
    other_r2: float | None
