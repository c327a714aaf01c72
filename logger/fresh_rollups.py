"""Owns minutes, hours and days of history that falls where the store was empty: summed from the rows at hand.

`logger.rollup` says what a minute, an hour and a day are, and knows every case; it reads the samples back for that. The
usual history of a long file is simpler: numbers at rising times, instants or means that fill the hour evenly, no
marks, nobody else's samples around. Such rows are summed here before they are forgotten. Standard library only.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, pairwise
from operator import lt, mul
from typing import NamedTuple

from logger import sealed
from logger.rollup import DAY_MS, MINUTE_MS
from logger.store import HOUR_MS

_ROW = "INSERT INTO {table} (t, channel, mean, low, high, n) VALUES (?, ?, ?, ?, ?, ?)"
# Where each minute holds one sample of a channel, its row is that sample: nothing needs to pass through Python.
_ALONE = """
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT t / 60000 * 60000, channel, value, value, value, 1 FROM sample
WHERE t >= ? AND t < ? AND channel IN ({numbers}) ORDER BY t, channel
"""

Group = tuple[int, int, int]
"""Start of an interval [ms UTC], and the first and the last but one place of its rows."""


@dataclass(frozen=True, slots=True)
class Room:
    """Empty time into which rows are about to fall.

    Attributes
    ----------
    start, stop : int
        The whole days that the rows touch [ms UTC].
    before : int
        Time of the last sample of the first of these days that stands before the rows [ms UTC]; -1 where none does.
    """

    start: int
    stop: int
    before: int

    def begin(self, first: int, length: int) -> int:
        """From where on intervals of that length hold nothing but the rows, the first of them at `first` [ms UTC]."""
        start = first // length * length
        return start + length if self.before >= start else start


class _Parts(NamedTuple):
    """What the intervals of one channel hold: start [ms UTC], mean, low, high, samples, covered time [ms]."""

    t: Sequence[int]
    mean: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    n: Sequence[int]
    covered: Sequence[int]


def room(
    connection: sqlite3.Connection, times: Sequence[int], interval_ms: int | None, closed_before: int
) -> Room | None:
    """The empty time into which rows fall; None where `logger.rollup` has to look at what stands there.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside the transaction that will insert the rows, and before it does.
    times : sequence of int, shape (rows,)
        Of the rows [ms UTC], not empty.
    interval_ms : int, optional
        Length of the means [ms]; None for instants.
    closed_before : int
        Now [ms UTC].
    """
    first, last = times[0], times[-1]
    start, stop = first // DAY_MS * DAY_MS, (last // DAY_MS + 1) * DAY_MS
    if stop > closed_before or not all(map(lt, times, islice(times, 1, None))):
        return None
    if interval_ms and interval_ms > MINUTE_MS and (HOUR_MS % interval_ms or any(t % interval_ms for t in times)):
        return None
    taken = "SELECT 1 FROM sample WHERE t >= ? AND t < ? LIMIT 1"
    marked = "SELECT 1 FROM mark WHERE t >= ? AND t < ? LIMIT 1"
    if connection.execute(taken, (first, stop)).fetchone() or connection.execute(marked, (start, stop)).fetchone():
        return None
    if sealed.between(connection, "sample", start, stop):
        return None
    (before,) = connection.execute("SELECT max(t) FROM sample WHERE t >= ? AND t < ?", (start, first)).fetchone()
    return Room(start, stop, -1 if before is None else before)


def alone_in_spans(
    connection: sqlite3.Connection, within: Room, numbers: Sequence[int], source: str, interval_ms: int | None
) -> list[int]:
    """The channels over which, in these days, no span stands but the source's own of that length."""
    others = {
        row[0]
        for row in connection.execute(
            "SELECT channel FROM span WHERE start < ? AND stop > ? AND NOT (source = ? AND interval_ms IS ?)",
            (within.stop, within.start, source, interval_ms),
        )
    }
    return [number for number in numbers if number not in others]


def write(
    connection: sqlite3.Connection,
    within: Room,
    first: int,
    columns: dict[int, tuple[Sequence[int], Sequence[float]]],
    interval_ms: int | None,
) -> None:
    """Write the rows of every interval that `within` leaves to the rows alone.

    The first minute, hour and day may have begun before the rows did: those are `logger.rollup`'s.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside the transaction that inserted the samples.
    within : Room
        From `room`, before they were inserted.
    first : int
        Time of the first row [ms UTC].
    columns : dict of int to (times, values)
        Channel to its rows [ms UTC], rising, without holes.
    interval_ms : int, optional
        Length of the means [ms]; None for instants.
    """
    _clear(connection, within, first, list(columns))
    # Columns without holes share their times: what is found out about times is found out once.
    minutes = {id(times): _groups(times, MINUTE_MS) for times, _ in columns.values()}
    is_long = (interval_ms or 0) > MINUTE_MS
    are_alone = all(len(minutes[id(times)]) == len(times) for times, _ in columns.values())
    parts: dict[int, _Parts] = {}
    if is_long or are_alone:
        covered = interval_ms if interval_ms and is_long else MINUTE_MS
        for number, (times, values) in columns.items():
            parts[number] = _Parts(times, values, values, values, [1] * len(times), [covered] * len(times))
    else:
        parts = {number: _summed(minutes[id(times)], values) for number, (times, values) in columns.items()}
    begin = within.begin(first, MINUTE_MS)
    if are_alone and not is_long:
        listed = ", ".join(map(str, columns))
        connection.execute(_ALONE.format(numbers=listed), (begin, within.stop))
    elif not is_long:
        _insert(connection, "minute", parts, begin)
    hours = {number: _joined(_groups(part.t, HOUR_MS), part) for number, part in parts.items()}
    _insert(connection, "hour", hours, within.begin(first, HOUR_MS))
    days = {number: _joined(_groups(part.t, DAY_MS), part) for number, part in hours.items()}
    _insert(connection, "day", days, within.begin(first, DAY_MS))


def _clear(connection: sqlite3.Connection, within: Room, first: int, numbers: Sequence[int]) -> None:
    listed = ", ".join(map(str, numbers))
    for table, length in (("minute", MINUTE_MS), ("hour", HOUR_MS), ("day", DAY_MS)):
        connection.execute(
            f"DELETE FROM {table} WHERE t >= ? AND t < ? AND channel IN ({listed})",
            (within.begin(first, length), within.stop),
        )


def _groups(times: Sequence[int], length: int) -> list[Group]:
    keys = [t // length for t in times]
    cuts = [0, *(at for at, (one, other) in enumerate(pairwise(keys), 1) if one != other), len(keys)]
    return [(keys[begin] * length, begin, end) for begin, end in pairwise(cuts)]


def _summed(groups: Sequence[Group], values: Sequence[float]) -> _Parts:
    """Minutes of the instants, or of means no longer than one."""
    slices = [values[begin:end] for _, begin, end in groups]
    counts = list(map(len, slices))
    means = [sum(some) / count for some, count in zip(slices, counts, strict=True)]
    starts = [start for start, _, _ in groups]
    return _Parts(starts, means, list(map(min, slices)), list(map(max, slices)), counts, [MINUTE_MS] * len(starts))


def _joined(groups: Sequence[Group], parts: _Parts) -> _Parts:
    """Longer intervals, their parts weighed by the time that they cover."""
    t, mean, low, high, n, covered = [], [], [], [], [], []
    for start, begin, end in groups:
        some = parts.covered[begin:end]
        whole = sum(some)
        t.append(start)
        mean.append(sum(map(mul, parts.mean[begin:end], some)) / whole)
        low.append(min(parts.low[begin:end]))
        high.append(max(parts.high[begin:end]))
        n.append(sum(parts.n[begin:end]))
        covered.append(whole)
    return _Parts(t, mean, low, high, n, covered)


def _insert(connection: sqlite3.Connection, table: str, found: dict[int, _Parts], begin: int) -> None:
    rows = [
        (t, number, *row)
        for number, parts in found.items()
        for t, *row in zip(parts.t, parts.mean, parts.low, parts.high, parts.n, strict=True)
        if t >= begin
    ]
    if table == "minute":  # its key begins with the time
        rows.sort()
    connection.executemany(_ROW.format(table=table), rows)
