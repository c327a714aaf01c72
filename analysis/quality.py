"""Owns the quality of what was recorded: for each channel how much is there, and how much of it cannot be.

Values are counted as they were read, marked ones too, and no correction is made: this is the sheet that a stranger asks
for before believing a record.
"""

from __future__ import annotations

import sqlite3
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from analysis.standing import stuck_after_s
from analysis.sun import DAY_MS, MINUTE_MS, Floats, Times
from logger import reading

# Light on a plane [W/m²]: beyond the sun's own 1361 there is cloud enhancement, up to some 1500 for minutes; beyond
# 2000 there is none (the bounds by which open records of measured light are filtered).
_OVER_WM2 = (1300, 1500, 2000)
# A light sensor whose lowest reading of a whole day is above this was never dark; common practice, no source.
_NEVER_DARK_WM2 = 50.0
# By night a light sensor says its offset, to the last digit the same for hours.
_DARK_WM2, _REST_SHARE = 20.0, 0.01
_SIGMAS = 4.0
_THIN = 0.25
# Readings that differ by less than the second decimal are one reading said again.
_DECIMALS = 2
# An instrument that speaks every quarter of an hour is heard all day; common practice, no source.
_MOSTLY, _LEAST_ALIKE = 0.9, 24


@dataclass(frozen=True, slots=True)
class Light:
    """What of light cannot be: counts of intervals, and of days.

    Attributes
    ----------
    negative, over_1300, over_1500, over_2000 : int
        Intervals with light below nothing, and over so many W/m².
    days_never_dark : int
        Days whose lowest reading is above 50 W/m².
    """

    negative: int
    over_1300: int
    over_1500: int
    over_2000: int
    days_never_dark: int


@dataclass(frozen=True, slots=True)
class Quality:
    """One channel over a span of whole solar days.

    Attributes
    ----------
    channel, unit : str
    interval_s : float
        Length of its intervals: of a file's means; of readings that come evenly, how far apart; else a minute.
    intervals, heard, missing : int
        There could be, there are, there are not.
    marked : dict
        Reason to readings that were marked: kept, and left out of the analysis.
    lowest, highest : float
        In the channel's unit.
    at_lowest : int
        Intervals at exactly the lowest: many of them are a floor, below which the instrument cannot read.
    repeats : int
        Intervals that say, to the second decimal, what the one before said.
    longest_same_h : float
        For how long at most nothing moved.
    stuck_h : float
        For how long at most one reading, other than nought, stood where the thing itself cannot stand still.
    beyond_4_sigma : int
        Intervals further from the mean than four standard deviations.
    days, days_whole, days_under_quarter, days_empty : int
        Of the span; heard all day; heard for less than a quarter of it, empty ones among them; not heard.
    light : Light or None
        Of channels of irradiance.
    """

    channel: str
    unit: str
    interval_s: float
    intervals: int
    heard: int
    missing: int
    marked: dict[str, int]
    lowest: float
    highest: float
    at_lowest: int
    repeats: int
    longest_same_h: float
    stuck_h: float
    beyond_4_sigma: int
    days: int
    days_whole: int
    days_under_quarter: int
    days_empty: int
    light: Light | None

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def of_span(connection: sqlite3.Connection, start: int, stop: int) -> list[Quality]:
    """The quality of every channel of numbers that was heard in whole solar days, by name.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    start, stop : int
        Where the first solar day begins and the last ends, UTC [ms].
    """
    words = {row[0] for row in connection.execute("SELECT DISTINCT channel FROM label")}
    known = connection.execute("SELECT id, name, unit FROM channel ORDER BY name").fetchall()
    found = [
        _of_channel(connection, number, name, unit, start, stop) for number, name, unit in known if number not in words
    ]
    return [quality for quality in found if quality is not None]


def _of_channel(
    connection: sqlite3.Connection, number: int, name: str, unit: str, start: int, stop: int
) -> Quality | None:
    t, low, mean, high, step = _intervals(connection, number, start, stop)
    if not len(t):
        return None
    days = round((stop - start) / DAY_MS)
    a_day = DAY_MS // step
    day = (t - start) // DAY_MS
    heard = np.bincount(day, minlength=days)
    marks = connection.execute(
        "SELECT reason, count(*) FROM mark WHERE channel = ? AND t >= ? AND t < ? GROUP BY reason",
        (number, start, stop),
    )
    same = (np.diff(np.round(mean, _DECIMALS)) == 0) & (np.diff(t) == step)
    sigma = float(mean.std(ddof=1)) if len(mean) > 1 else 0.0
    return Quality(
        channel=name,
        unit=unit,
        interval_s=step / 1000,
        intervals=days * a_day,
        heard=len(t),
        missing=days * a_day - len(t),
        marked=dict(marks),
        lowest=float(low.min()),
        highest=float(high.max()),
        at_lowest=int((low == low.min()).sum()),
        repeats=int(same.sum()),
        longest_same_h=_longest(same) * step / 3_600_000,
        stuck_h=_stuck_h(name, same & (np.abs(mean[1:]) > _at_rest(unit, mean)), step),
        beyond_4_sigma=int((np.abs(mean - mean.mean()) > _SIGMAS * sigma).sum()),
        days=days,
        days_whole=int((heard >= a_day).sum()),
        days_under_quarter=int((heard < _THIN * a_day).sum()),
        days_empty=int((heard == 0).sum()),
        light=_light(low, high, day, heard) if unit == "W/m²" else None,
    )


def _light(low: Floats, high: Floats, day: Times, heard: Times) -> Light:
    darkest = np.full(len(heard), np.inf)
    np.minimum.at(darkest, day, low)
    negative, *over = (int(counted.sum()) for counted in (low < 0, *(high > bound for bound in _OVER_WM2)))
    never_dark = int((darkest[heard > 0] > _NEVER_DARK_WM2).sum())
    return Light(negative, over[0], over[1], over[2], never_dark)


def _at_rest(unit: str, mean: Floats) -> float:
    """What an instrument may say for hours, because it measures nothing."""
    if unit == "W/m²":
        return _DARK_WM2
    return _REST_SHARE * float(np.abs(mean).max()) if unit == "W" else 0.0


def _stuck_h(channel: str, same: np.ndarray[Any, np.dtype[np.bool_]], step: int) -> float:
    most_s = stuck_after_s(channel)
    hours = _longest(same) * step / 3_600_000
    return hours if most_s is not None and hours * 3600 > most_s else 0.0


def _longest(same: np.ndarray[Any, np.dtype[np.bool_]]) -> int:
    """Intervals in the longest run of one reading; 0 where no two are alike."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    runs = edges[1::2] - edges[0::2]
    return int(runs.max()) + 1 if len(runs) else 0


def _intervals(
    connection: sqlite3.Connection, number: int, start: int, stop: int
) -> tuple[Times, Floats, Floats, Floats, int]:
    """Starts, lowest, mean and highest of a channel's intervals, and their length [ms]: a file's means where the span
    holds any, as they were read, else closed minutes."""
    lengths = connection.execute(
        "SELECT interval_ms FROM span WHERE channel = ? AND interval_ms > ? AND start < ? AND stop > ? "
        "GROUP BY interval_ms ORDER BY sum(min(stop, ?) - max(start, ?)) DESC",
        (number, MINUTE_MS, stop, start, stop, start),
    ).fetchall()
    if lengths:
        rows = reading.rows(connection, "sample", start, stop, {number})
        return rows.t, rows.values[0], rows.values[0], rows.values[0], int(lengths[0][0])
    rows = reading.rows(connection, "minute", start, stop, {number})
    mean, low, high, _ = rows.values
    return rows.t, low, mean, high, _usual_step(rows.t)


def _usual_step(t: Times) -> int:
    """How far the minutes of readings lie apart: further than one only where nearly all of them do so alike."""
    if len(t) < _LEAST_ALIKE:
        return MINUTE_MS
    steps, counts = np.unique(np.diff(t), return_counts=True)
    usual = int(counts.argmax())
    even = counts[usual] >= _MOSTLY * counts.sum() and DAY_MS % steps[usual] == 0
    return int(steps[usual]) if even else MINUTE_MS
