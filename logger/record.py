"""Owns reading the record: what channels it holds, over what time, and any stretch of one at a chosen fineness."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from logger.rollup import DAY_MS, MINUTE_MS
from logger.store import HOUR_MS

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
    """The record in a store, read-only."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def channels(self) -> dict[str, tuple[int, str]]:
        """Name to (id, unit) of every channel ever kept."""
        return {name: (i, unit) for i, name, unit in self._connection.execute("SELECT id, name, unit FROM channel")}

    def bounds(self) -> tuple[int, int] | None:
        """First and last time of the record, UTC [ms]; None where it is empty."""
        # Apart: for both at once SQLite would read the whole table.
        first, last = self._connection.execute(
            "SELECT (SELECT min(t) FROM sample), (SELECT max(t) FROM sample)"
        ).fetchone()
        oldest = self._connection.execute("SELECT min(t) FROM day").fetchone()[0]
        if first is None:
            return None
        return min(first, oldest) if oldest is not None else first, last

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
        row = self._connection.execute(
            "SELECT t, value FROM sample WHERE channel = ? ORDER BY t DESC LIMIT 1", (known[0],)
        ).fetchone()
        return (int(row[0]), float(row[1])) if row else None

    def series(self, channel: str, start: int, stop: int, most: int = 2000) -> Series | None:
        """One channel over ``start <= t < stop``, as fine as `most` rows allow; None for a channel never kept.

        Means longer than a minute have no minute rows; they are read from the samples themselves.
        """
        known = self.channels().get(channel)
        if known is None:
            return None
        number, unit = known
        table, step = next(((t, s) for t, s in _FINENESS if (stop - start) / s <= most), _FINENESS[-1])
        rows = self._connection.execute(
            f"SELECT t, mean, low, high FROM {table} WHERE channel = ? AND t >= ? AND t < ? ORDER BY t",
            (number, start, stop),
        ).fetchall()
        if table == "minute" and not rows:
            rows = self._connection.execute(
                "SELECT t, value, value, value FROM sample WHERE channel = ? AND t >= ? AND t < ? ORDER BY t",
                (number, start, stop),
            ).fetchall()
            steps = self._connection.execute(
                "SELECT min(interval_ms) FROM span WHERE channel = ? AND start < ? AND stop > ?", (number, stop, start)
            ).fetchone()
            step = steps[0] or step
        t, mean, low, high = (list(column) for column in zip(*rows, strict=True)) if rows else ([], [], [], [])
        return Series(channel, unit, step, t, mean, low, high)
