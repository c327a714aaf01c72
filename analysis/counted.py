"""Owns the second witness of a day's energy: what the controllers' own day counters counted, beside volts × amps."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.energy import of_counter
from analysis.results import ArrayDay
from analysis.sun import Floats, Times
from logger.settings import Settings

# A day is compared where so much of its daylight was heard: what is missing would count for the counter alone.
LEAST_COMPLETE = 0.95
_QUARTER_MS = 15 * 60_000
# Around solar midnight nothing is counted: a reading an hour off is the day's all the same.
_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class CounterDay:
    """What a controller counted over a solar day, and what its instruments came to.

    Attributes
    ----------
    controller : str
    start : int
        Of the day, UTC [ms].
    counted_wh : float
        By its own counter [Wh].
    measured_wh : float
        From volts and amps of its arrays, times its efficiency [Wh].
    """

    controller: str
    start: int
    counted_wh: float
    measured_wh: float


def of_days(connection: sqlite3.Connection, settings: Settings, days: Sequence[ArrayDay]) -> list[CounterDay]:
    """Days of which both are known, of every controller that counts, in the order of time.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    settings : Settings
        Which arrays hang on which controller.
    days : sequence of ArrayDay
        In any order.
    """
    found = []
    for controller in settings.controller:
        t, count = readings(connection, f"controller.{controller.name}.day_energy")
        arrays = {array.name for array in settings.array if array.controller == controller.name}
        if not len(t) or not arrays:
            continue
        by_start: dict[int, list[ArrayDay]] = {}
        for day in days:
            if day.array in arrays:
                by_start.setdefault(day.start, []).append(day)
        for start, own in sorted(by_start.items()):
            known = [d.measured_wh for d in own if d.measured_wh is not None and d.completeness >= LEAST_COMPLETE]
            # Cut out first: a counter of years is long, and a day of it short.
            a, b = np.searchsorted(t, [start - _HOUR_MS, own[0].stop + _HOUR_MS])
            (counted,) = of_counter(t[a:b], count[a:b], np.array([start, own[0].stop]))
            if len(known) == len(arrays) and np.isfinite(counted):
                found.append(
                    CounterDay(controller.name, start, float(counted), float(sum(known)) * controller.efficiency)
                )
    return sorted(found, key=lambda day: (day.start, day.controller))


def readings(connection: sqlite3.Connection, channel: str) -> tuple[Times, Floats]:
    """A counter's course from its hours: at its lowest and then at its highest, or the other way where it began again.

    A mean of minutes in which a counter fell to zero says a number that it never showed; lowest and highest do not.

    Returns
    -------
    t : ndarray of int
        UTC [ms], ascending.
    count : ndarray of float
        In the counter's unit.
    """
    rows = connection.execute(
        "SELECT t, low, high FROM hour JOIN channel ON id = channel WHERE name = ? ORDER BY t", (channel,)
    )
    t: list[int] = []
    count: list[float] = []
    for start, low, high in rows:
        fell = bool(count) and low < count[-1]
        # Where it fell it may have gone on counting before that.
        pair = (max(high, count[-1]), low) if fell else (low, high)
        t += [start + _QUARTER_MS, start + 3 * _QUARTER_MS]
        count += pair
    return np.array(t, dtype=np.int64), np.array(count)
