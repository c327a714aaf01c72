"""Owns minutes, hours and days of history that falls where the store was empty: summed from the rows at hand.

`logger.rollup` says what a minute, an hour and a day are, and knows every case; it reads the samples back for that. The
usual history of a long file is simpler: numbers at rising times, instants or means that fill the hour evenly, no
marks, nobody else's samples around. Such rows are summed here before they are forgotten. Standard library only.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, islice, pairwise, repeat
from operator import lt, mul, truediv
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
    """What the intervals of one channel hold: means, lowest, highest, samples, and covering parts of equal length."""

    mean: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    n: Sequence[int]
    parts: Sequence[int]


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
    columns: Mapping[int, tuple[Sequence[int], Sequence[float]]],
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
    together: dict[int, list[int]] = {}
    for number, (times, _) in columns.items():
        together.setdefault(id(times), []).append(number)
    for numbers in together.values():
        times = columns[numbers[0]][0]
        _write_alike(connection, within, first, times, {number: columns[number][1] for number in numbers}, interval_ms)


def _write_alike(
    connection: sqlite3.Connection,
    within: Room,
    first: int,
    times: Sequence[int],
    columns: Mapping[int, Sequence[float]],
    interval_ms: int | None,
) -> None:
    """The same for channels that have their rows at the same times."""
    begin = within.begin(first, MINUTE_MS)
    if interval_ms and interval_ms > MINUTE_MS:
        starts, parts = times, {number: _single(values) for number, values in columns.items()}
    else:
        starts, places = _groups(times, MINUTE_MS)
        if len(starts) == len(times):
            parts = {number: _single(values) for number, values in columns.items()}
            listed = ", ".join(map(str, columns))
            connection.execute(_ALONE.format(numbers=listed), (begin, within.stop))
        else:
            parts = {number: _summed(places, values) for number, values in columns.items()}
            _insert(connection, "minute", starts, parts, begin)
    for table, length in (("hour", HOUR_MS), ("day", DAY_MS)):
        starts, places = _groups(starts, length)
        parts = {number: _joined(places, part, is_hour=table == "hour") for number, part in parts.items()}
        _insert(connection, table, starts, parts, within.begin(first, length))


def _clear(connection: sqlite3.Connection, within: Room, first: int, numbers: Sequence[int]) -> None:
    listed = ", ".join(map(str, numbers))
    for table, length in (("minute", MINUTE_MS), ("hour", HOUR_MS), ("day", DAY_MS)):
        connection.execute(
            f"DELETE FROM {table} WHERE t >= ? AND t < ? AND channel IN ({listed})",
            (within.begin(first, length), within.stop),
        )


def _groups(times: Sequence[int], length: int) -> tuple[list[int], list[slice]]:
    """The intervals in which times lie, and the places of their rows."""
    keys = [t // length for t in times]
    cuts = [0, *(at for at, (one, other) in enumerate(pairwise(keys), 1) if one != other), len(keys)]
    return [keys[begin] * length for begin in cuts[:-1]], list(map(slice, cuts, cuts[1:]))


def _single(values: Sequence[float]) -> _Parts:
    """Intervals that hold one value each."""
    ones = [1] * len(values)
    return _Parts(values, values, values, ones, ones)


def _summed(places: Sequence[slice], values: Sequence[float]) -> _Parts:
    """Intervals that hold instants, or means no longer than a minute."""
    some = list(map(values.__getitem__, places))
    counts = list(map(len, some))
    means = list(map(truediv, map(sum, some), counts))
    return _Parts(means, list(map(min, some)), list(map(max, some)), counts, [1] * len(counts))


def _joined(places: Sequence[slice], parts: _Parts, is_hour: bool) -> _Parts:
    """Longer intervals: an hour from parts of equal length, a day from hours, each weighed by what covers it."""
    if is_hour and parts.mean is parts.low:
        found = _summed(places, parts.mean)
        return found._replace(parts=found.n)
    means = list(map(parts.mean.__getitem__, places))
    if is_hour:
        counts = list(map(len, means))
        sums = list(map(sum, means))
    else:
        weights = list(map(parts.parts.__getitem__, places))
        counts = list(map(sum, weights))
        sums = [sum(map(mul, some, weight)) for some, weight in zip(means, weights, strict=True)]
    return _Parts(
        list(map(truediv, sums, counts)),
        list(map(min, map(parts.low.__getitem__, places))),
        list(map(max, map(parts.high.__getitem__, places))),
        list(map(sum, map(parts.n.__getitem__, places))),
        counts,
    )


def _insert(
    connection: sqlite3.Connection, table: str, starts: Sequence[int], found: dict[int, _Parts], begin: int
) -> None:
    skip = bisect_left(starts, begin)
    rows = chain.from_iterable(
        zip(
            starts[skip:],
            repeat(number),
            parts.mean[skip:],
            parts.low[skip:],
            parts.high[skip:],
            parts.n[skip:],
            strict=False,
        )
        for number, parts in found.items()
    )
    # The key of minutes begins with the time, that of the others with the channel.
    connection.executemany(_ROW.format(table=table), sorted(rows) if table == "minute" else rows)
