"""Owns the closing of intervals: which are open and hold samples, so that each gets its rollup row once it is over."""

from __future__ import annotations

import sqlite3

from logger.protocols import Stretch
from logger.rollup import DAY_MS, MINUTE_MS, refresh
from logger.store import HOUR_MS, touch_hours


class Rollups:
    """Which intervals are open and hold samples, so that each gets its row when it closes."""

    def __init__(self) -> None:
        self._ends: set[int] = set()

    def watch(self, t: int, after: int = 0) -> None:
        """The minute, the hour and the day around a sample get a row once they are over; not if by `after` [ms UTC]."""
        self._ends |= {end for length in (MINUTE_MS, HOUR_MS, DAY_MS) if (end := (t // length + 1) * length) > after}

    def over(self, now: int) -> set[int]:
        """Ends of the watched intervals that are over [ms UTC]."""
        return {end for end in self._ends if end <= now}

    def forget(self, ends: set[int]) -> None:
        """Their rows stand."""
        self._ends -= ends

    def bring_up_to_date(self, connection: sqlite3.Connection, changed: list[Stretch], now: int) -> None:
        """Write the rows that changed stretches and the passing of time ask for, and note the hours as stale."""
        for start, stop in changed:
            refresh(connection, start, stop, now)
            touch_hours(connection, range(start // HOUR_MS * HOUR_MS, stop, HOUR_MS))
            self.watch(start, after=now)
            self.watch(stop - 1, after=now)
        for end in sorted(self.over(now)):
            if not any(start < end and end - MINUTE_MS < stop for start, stop in changed):
                refresh(connection, end - 1, end, now)


def joined(stretches: list[Stretch]) -> list[Stretch]:
    """The same stretches, those that lie within a minute of each other in one."""
    whole: list[Stretch] = []
    for start, stop in sorted(stretches):
        if whole and start <= whole[-1][1] + MINUTE_MS:
            whole[-1] = (whole[-1][0], max(stop, whole[-1][1]))
        else:
            whole.append((start, stop))
    return whole
