"""Owns minutes, hours and days: what the samples of an interval come to. Standard library only.

A stretch of a channel holds either instants or, where `span` says so, means of a stated length. The rule, for all:

- a **minute** row comes from the instants of that minute, and from means no longer than a minute; a longer mean
  is never copied into the minutes it covers.
- an **hour** or **day** row weighs by covered time: each minute row counts one minute, each longer mean the part
  of it that lies in the interval. ``n`` counts the samples.
- words have no mean: of a text channel a row holds the word most often seen, the lowest code first.
- where several spans cover a sample, the shortest of their lengths is its own.
- marked samples are left out, but those whose mark only speaks of where their time came from.
- rows of a sealed day stand as they are: its samples lie in a file. Late ones wait until the day is reopened.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from itertools import pairwise
from operator import mul
from typing import TYPE_CHECKING

from logger import sealed
from logger.store import HOUR_MS

if TYPE_CHECKING:
    from logger.fresh import Fresh, HourSum, Row

MINUTE_MS = 60_000
DAY_MS = 86_400_000

# A mark about where the time came from says nothing against the value.
HARMLESS = "('time restored')"
UNMARKED = f"NOT EXISTS (SELECT 1 FROM mark m WHERE m.t = s.t AND m.channel = s.channel AND m.reason NOT IN {HARMLESS})"

# The span over a sample decides whether it is an instant, a short mean or a long one.
_LENGTH = "(SELECT min(p.interval_ms) FROM span p WHERE p.channel = s.channel AND p.start <= s.t AND s.t < p.stop)"

_MINUTE = """
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT s.t / 60000 * 60000, s.channel, avg(s.value), min(s.value), max(s.value), count(*)
FROM sample s WHERE {where}
GROUP BY 1, 2
"""

# A sample that stands on the minute is alone in it where all do: no two share a time.
_MINUTE_ALONE = """
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT s.t, s.channel, s.value, s.value, s.value, 1 FROM sample s WHERE {where}
"""

_MINUTE_WORDS = """
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT t, channel, value, value, value, total FROM (
  SELECT s.t / 60000 * 60000 AS t, s.channel AS channel, s.value AS value,
    sum(count(*)) OVER (PARTITION BY s.t / 60000, s.channel) AS total,
    row_number() OVER (PARTITION BY s.t / 60000, s.channel ORDER BY count(*) DESC, s.value) AS place
  FROM sample s WHERE {where}
  GROUP BY s.t / 60000, s.channel, s.value
) WHERE place = 1
"""

_INSERT = "INSERT INTO {table} (t, channel, mean, low, high, n) VALUES (?, ?, ?, ?, ?, ?)"
_LONGER = {"hour": HOUR_MS, "day": DAY_MS}
# More of them would make the statement long; SQLite's own limit is 500 parts.
_MOST_STRETCHES = 40

# What lies in each hour: minutes, and the parts of longer means. `first` counts a mean once a day.
_MINUTE_PIECES = """
SELECT t / 3600000 * 3600000 AS begin, channel, mean, low, high, n, n AS first, 60000 AS covered
FROM minute WHERE t >= :start AND t < :stop AND channel IN ({numbers})
"""
_LONG_PIECES = """
SELECT hour * 3600000 AS begin, channel, value, value, value, 1, k = 0 OR hour % 24 = 0,
  min(t + length, hour * 3600000 + 3600000) - max(t, hour * 3600000)
FROM (
  SELECT s.t AS t, s.channel AS channel, s.value AS value, {length} AS length, k, s.t / 3600000 + k AS hour
  FROM sample s CROSS JOIN (
    WITH RECURSIVE step(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM step WHERE k <= {longest} / 3600000)
    SELECT k FROM step
  ) WHERE s.t >= max({begin}, :start - {longest}) AND s.t < min({end}, :stop)
    AND s.channel IN ({numbers}) AND {unmarked}
) WHERE length > 60000 AND hour * 3600000 >= :start AND hour * 3600000 < :stop AND t + length > hour * 3600000
"""
# Means that lie within one hour each.
_HELD_PIECES = """
SELECT s.t / 3600000 * 3600000, s.channel, s.value, s.value, s.value, 1, 1, {length}
FROM sample s WHERE s.t >= max({begin}, :start) AND s.t < min({end}, :stop) AND s.channel IN ({numbers}) AND {unmarked}
"""
_SUMS = """
SELECT begin, channel, sum(mean * covered) / sum(covered), min(low), max(high), sum(n), sum(first),
  sum(covered) FROM ({pieces}) GROUP BY begin, channel{word}
"""


def refresh(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    closed_before: int,
    channels: Collection[int] | None = None,
    fresh: Fresh | None = None,
) -> None:
    """Make every closed minute, hour and day that touches ``start <= t < stop`` say what its samples say.

    Hours and days into which a mean that starts there reaches are among them.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    start, stop : int
        The stretch that changed [ms UTC].
    closed_before : int
        Intervals that end after this moment [ms UTC] are open and get no row.
    channels : collection of int, optional
        Only these channels changed; None means all.
    fresh : Fresh, optional
        What the only samples of these channels in a part of the stretch come to; all of it is closed.
    """
    kinds = dict(connection.execute("SELECT id, unit = 'text' FROM channel"))
    wanted = set(kinds) if channels is None else set(channels) & set(kinds)
    for words in (False, True):
        numbers = {number for number in wanted if bool(kinds[number]) is words}
        if numbers:
            reach = max(_longest(connection, start, stop, numbers).values(), default=0)
            summed = None if words else fresh
            for begin, end in sealed.open_parts(connection, start, stop):
                _refresh_minutes(connection, begin, end, closed_before, numbers, words, summed)
            for begin, end in sealed.open_parts(connection, start, stop + reach):
                _refresh_longer(connection, begin, end, closed_before, numbers, words, summed)


def _longest(connection: sqlite3.Connection, start: int, stop: int, numbers: Collection[int]) -> dict[int, int]:
    """Channels that hold means longer than a minute in a stretch, with the longest of them [ms]."""
    rows = connection.execute(
        f"SELECT channel, max(interval_ms) FROM span WHERE interval_ms > {MINUTE_MS} "
        f"AND start < ? AND stop > ? AND channel IN ({_listed(numbers)}) GROUP BY channel",
        (stop, start),
    )
    return dict(rows.fetchall())


def _refresh_minutes(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    closed_before: int,
    numbers: set[int],
    words: bool,
    fresh: Fresh | None,
) -> None:
    first = start // MINUTE_MS * MINUTE_MS
    last = min(-(-stop // MINUTE_MS), closed_before // MINUTE_MS) * MINUTE_MS
    if fresh and fresh.told_by_minute:
        begin, end = max(first, fresh.minutes[0]), min(last, fresh.minutes[1])
        if begin < end:
            connection.executemany(_INSERT.format(table="minute"), fresh.minute_rows(begin, end))
            _ask_minutes(connection, first, begin, numbers, words)
            first = end
    _ask_minutes(connection, first, last, numbers, words)


def _ask_minutes(connection: sqlite3.Connection, first: int, last: int, numbers: set[int], words: bool) -> None:
    if first >= last:
        return
    bounds = {"start": first, "stop": last}
    connection.execute(
        f"DELETE FROM minute WHERE t >= :start AND t < :stop AND channel IN ({_listed(numbers)})", bounds
    )
    mixed = set(_longest(connection, first, last, numbers))
    covered = _covered(connection, first, last, mixed)
    statement = _MINUTE_WORDS if words else _MINUTE
    if _aligned(connection, first, last, numbers, MINUTE_MS):
        statement = _MINUTE_ALONE
    unmarked = _unmarked(connection, first, last)
    for some, short in ((numbers - mixed, "1"), (mixed - covered, f"coalesce({_LENGTH}, 0) <= {MINUTE_MS}")):
        if some:
            where = f"s.t >= :start AND s.t < :stop AND s.channel IN ({_listed(some)}) AND {unmarked} AND {short}"
            connection.execute(statement.format(where=where), bounds)


def _covered(connection: sqlite3.Connection, start: int, stop: int, numbers: Collection[int]) -> set[int]:
    """Channels that hold nothing but long means from `start` to `stop`."""
    rows = connection.execute(
        f"SELECT channel FROM span WHERE channel IN ({_listed(numbers)}) AND start < ? AND stop > ? "
        f"GROUP BY channel HAVING count(*) = 1 AND min(start) <= ? AND max(stop) >= ?",
        (stop, start, start, stop),
    )
    return {row[0] for row in rows}


def _refresh_longer(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    closed_before: int,
    numbers: set[int],
    words: bool,
    fresh: Fresh | None,
) -> None:
    """Hours and days together, from one look at what lies in each hour."""
    bounds = {
        table: (start // length * length, min(-(-stop // length), closed_before // length) * length)
        for table, length in _LONGER.items()
    }
    bounds = {table: (begin, end) for table, (begin, end) in bounds.items() if begin < end}
    if not bounds:
        return
    first, last = min(begin for begin, _ in bounds.values()), max(end for _, end in bounds.values())
    sums: list[HourSum] = []
    if fresh:
        begin, end = max(first, fresh.hours[0]), min(last, fresh.hours[1])
        if begin < end:
            sums = [*_hourly(connection, first, begin, numbers, words), *fresh.hour_sums(begin, end)]
            first = end
    sums += _hourly(connection, first, last, numbers, words)
    for table, (begin, end) in bounds.items():
        connection.execute(
            f"DELETE FROM {table} WHERE channel IN ({_listed(numbers)}) AND t >= ? AND t < ?", (begin, end)
        )
        rows = _joined([row for row in sums if begin <= row[0] < end], _LONGER[table], words)
        connection.executemany(_INSERT.format(table=table), rows)


def _hourly(connection: sqlite3.Connection, start: int, stop: int, numbers: set[int], words: bool) -> list[HourSum]:
    """What each hour of each channel holds, of words a row for each."""
    if start >= stop:
        return []
    pieces = [_MINUTE_PIECES.format(numbers=_listed(numbers))]
    (reach,) = connection.execute(
        f"SELECT coalesce(max(interval_ms), 0) FROM span WHERE channel IN ({_listed(numbers)})"
    ).fetchone()
    for (begin, end, length), some in _long_stretches(connection, start - reach, stop, numbers).items():
        # A mean that began before may reach in, unless all stand on the lattice of the hour.
        near = max(begin, start - length), min(end, stop)
        held = length and HOUR_MS % length == 0 and _aligned(connection, *near, some, length)
        pieces.append(
            (_HELD_PIECES if held else _LONG_PIECES).format(
                length=length or _LENGTH,
                longest=length or reach,
                begin=begin,
                end=end,
                numbers=_listed(some),
                unmarked=_unmarked(connection, start - reach, stop),
            )
        )
    query = _SUMS.format(pieces=" UNION ALL ".join(pieces), word=", mean" if words else "")
    return connection.execute(query, {"start": start, "stop": stop}).fetchall()


def _aligned(connection: sqlite3.Connection, start: int, stop: int, numbers: Collection[int], length: int) -> bool:
    """Whether every sample of some channels stands on a multiple of a length."""
    off = connection.execute(
        f"SELECT 1 FROM sample WHERE t >= ? AND t < ? AND t % ? <> 0 AND channel IN ({_listed(numbers)}) LIMIT 1",
        (start, stop, length),
    )
    return off.fetchone() is None


def _long_stretches(
    connection: sqlite3.Connection, start: int, stop: int, numbers: Collection[int]
) -> dict[tuple[int, int, int], set[int]]:
    """Stretches of long means with their length and the channels that hold them.

    Where spans of a channel overlap, or there are many, one stretch stands for all of them, with a length of 0: it
    must be looked up for each sample.
    """
    rows = connection.execute(
        f"SELECT channel, start, stop, interval_ms FROM span WHERE start < ? AND stop > ? "
        f"AND channel IN ({_listed(numbers)}) ORDER BY channel, start",
        (stop, start),
    ).fetchall()
    found: dict[tuple[int, int, int], set[int]] = {}
    for channel, *stretch in rows:
        if stretch[2] > MINUTE_MS:
            found.setdefault((stretch[0], stretch[1], stretch[2]), set()).add(channel)
    overlap = any(one[0] == other[0] and one[2] > other[1] for one, other in pairwise(rows))
    if overlap or len(found) > _MOST_STRETCHES:
        return {(start, stop, 0): {row[0] for row in rows}}
    return found


def _joined(sums: list[HourSum], length: int, words: bool) -> list[Row]:
    """Rows of an hour or a day from what its hours hold."""
    if length == HOUR_MS and not words:
        return [row[:6] for row in sums]
    parts: dict[tuple[int, int], list[HourSum]] = {}
    for row in sums:
        parts.setdefault((row[0] // length * length, row[1]), []).append(row)
    return [
        (
            *key,
            *(_most_seen(rows) if words else _weighed(rows)),
            sum(row[5] if length == HOUR_MS else row[6] for row in rows),
        )
        for key, rows in parts.items()
    ]


def _weighed(rows: list[HourSum]) -> tuple[float, float, float]:
    _, _, means, lows, highs, _, _, covered = zip(*rows, strict=True)
    return sum(map(mul, means, covered)) / sum(covered), min(lows), max(highs)


def _most_seen(rows: list[HourSum]) -> tuple[float, float, float]:
    held: dict[float, int] = {}
    for row in rows:
        held[row[2]] = held.get(row[2], 0) + row[7]
    word = min(held, key=lambda code: (-held[code], code))
    return word, word, word


def _unmarked(connection: sqlite3.Connection, start: int, stop: int) -> str:
    """The condition that leaves marked samples out, cheap where there are none."""
    found = connection.execute("SELECT 1 FROM mark WHERE t >= ? AND t < ? LIMIT 1", (start, stop)).fetchone()
    return UNMARKED if found else "1"


def _listed(numbers: Collection[int]) -> str:
    return ", ".join(str(int(number)) for number in sorted(numbers))
