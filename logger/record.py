"""Owns reading the record: what channels it holds, over what time, and any stretch of one at a chosen fineness."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from logger import reading, sealed
from logger.rollup import DAY_MS, MINUTE_MS
from logger.rows import Rows, from_store
from logger.sealed import one_moment
from logger.store import HOUR_MS

_FOR_EVER = 1 << 52
_FINENESS = (("minute", MINUTE_MS), ("hour", HOUR_MS), ("day", DAY_MS))


@dataclass(frozen=True, slots=True)
class Series:
    """One channel over a stretch, gaps left out.

    Attributes
    ----------
    channel, unit : str
    step_ms : int
        Fineness: the length each row covers.
    t : list of int
        Interval starts, UTC [ms].
    mean, low, high : list of float
        Mean and extremes of each interval [unit].
    """

    channel: str
    unit: str
    step_ms: int
    t: list[int]
    mean: list[float]
    low: list[float]
    high: list[float]


class Record:
    """The record in a store and the archive beside it, read-only."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def channels(self) -> dict[str, tuple[int, str]]:
        """Name to (id, unit) of every channel ever kept."""
        return {name: (i, unit) for i, name, unit in self._connection.execute("SELECT id, name, unit FROM channel")}

    def bounds(self) -> tuple[int, int] | None:
        """First and last time of the record, UTC [ms]; None where it is empty."""
        with one_moment(self._connection):
            ends = sealed.ends(self._connection, "sample")
            oldest = self._connection.execute("SELECT min(t) FROM day").fetchone()[0]
        if ends is None:
            return None
        return min(ends[0], oldest) if oldest is not None else ends[0], ends[1]

    def words(self, channel: str) -> dict[int, str]:
        """Code to word of a text channel."""
        return dict(
            self._connection.execute(
                "SELECT code, label.name FROM label JOIN channel ON channel.id = label.channel WHERE channel.name = ?",
                (channel,),
            )
        )

    def last(self, channel: str) -> tuple[int, float] | None:
        """Time [ms UTC] and value of the last reading."""
        known = self.channels().get(channel)
        if known is None:
            return None
        with one_moment(self._connection):
            # The last hour that has a row tells where to look: the channel may have been silent for years.
            (hour,) = self._connection.execute("SELECT max(t) FROM hour WHERE channel = ?", (known[0],)).fetchone()
            rows = from_store(self._connection, "sample", hour or 0, _FOR_EVER, {known[0]})
            if not len(rows) and hour is not None:
                rows = reading.rows(self._connection, "sample", hour, hour + HOUR_MS, {known[0]})
        return (int(rows.t[-1]), float(rows.values[0, -1])) if len(rows) else None

    def samples(self, channels: Iterable[str], start: int, stop: int) -> dict[str, tuple[list[int], list[float]]]:
        """Times [ms UTC] and values of all samples of some channels with ``start <= t < stop``, marked ones too.

        A channel that was never kept, or holds nothing there, is left out.
        """
        known = self.channels()
        numbers = {known[name][0]: name for name in channels if name in known}
        if not numbers:
            return {}
        rows = reading.rows(self._connection, "sample", start, stop, numbers)
        found = {}
        for number, name in numbers.items():
            own = rows.where(rows.channel == number)
            if len(own):
                found[name] = own.t.tolist(), own.values[0].tolist()
        return found

    def series(self, channel: str, start: int, stop: int, most: int = 2000) -> Series | None:
        """One channel over ``start <= t < stop``, as fine as `most` rows allow; None for a channel never kept.

        Means longer than a minute have no minute rows; they are read from the samples themselves.
        """
        known = self.channels().get(channel)
        if known is None:
            return None
        number, unit = known
        table, step = next(((t, s) for t, s in _FINENESS if (stop - start) / s <= most), _FINENESS[-1])
        if table == "minute":
            return self._minutes(channel, number, unit, start, stop)
        rows = self._connection.execute(
            f"SELECT t, mean, low, high FROM {table} WHERE channel = ? AND t >= ? AND t < ? ORDER BY t",
            (number, start, stop),
        ).fetchall()
        t, mean, low, high = (list(column) for column in zip(*rows, strict=True)) if rows else ([], [], [], [])
        return Series(channel, unit, step, t, mean, low, high)

    def _minutes(self, channel: str, number: int, unit: str, start: int, stop: int) -> Series:
        rows = reading.rows(self._connection, "minute", start, stop, {number})
        if len(rows):
            return _as_series(channel, unit, MINUTE_MS, rows)
        (step,) = self._connection.execute(
            "SELECT min(interval_ms) FROM span WHERE channel = ? AND start < ? AND stop > ? AND interval_ms > ?",
            (number, stop, start, MINUTE_MS),
        ).fetchone()
        if step is None:
            return Series(channel, unit, MINUTE_MS, [], [], [], [])
        return _as_series(channel, unit, step, reading.rows(self._connection, "sample", start, stop, {number}))


def _as_series(channel: str, unit: str, step: int, rows: Rows) -> Series:
    mean, low, high = (rows.values[min(n, len(rows.values) - 1)].tolist() for n in range(3))
    return Series(channel, unit, step, rows.t.tolist(), mean, low, high)
