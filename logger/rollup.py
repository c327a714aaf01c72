"""Owns minutes, hours and days: what the samples of an interval come to. Standard library only.

A stretch of a channel holds either instants or, where `span` says so, means of a stated length. The rule, for all:

- a **minute** row comes from the instants of that minute, and from means no longer than a minute; a longer mean
  is never copied into the minutes it covers.
- an **hour** or **day** row weighs by covered time: each minute row counts one minute, each longer mean the part
  of it that lies in the interval. ``n`` counts the samples.
- words have no mean: of a text channel a row holds the word most often seen, the lowest code first.
- where several spans cover a sample, the shortest of their lengths is its own.
- marked samples are left out, but those whose mark only speaks of where their time came from.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection

from logger.store import HOUR_MS

MINUTE_MS = 60_000
DAY_MS = 86_400_000

# A mark about where the time came from says nothing against the value.
UNMARKED = (
    "NOT EXISTS (SELECT 1 FROM mark m WHERE m.t = s.t AND m.channel = s.channel AND m.reason NOT IN ('time restored'))"
)

# The span over a sample decides whether it is an instant, a short mean or a long one.
_LENGTH = "(SELECT min(p.interval_ms) FROM span p WHERE p.channel = s.channel AND p.start <= s.t AND s.t < p.stop)"

_MINUTE = """
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT s.t / 60000 * 60000, s.channel, avg(s.value), min(s.value), max(s.value), count(*)
FROM sample s WHERE {where}
GROUP BY 1, 2
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

# What lies in each interval of `length` ms: minutes, and the parts of longer means.
_PIECES = """
SELECT t / :length * :length AS begin, channel, mean, low, high, n, 60000 AS covered
FROM minute WHERE t >= :start AND t < :stop AND channel IN ({numbers})
"""
_LONG_PIECES = """
UNION ALL
SELECT (t / :length + k) * :length, channel, value, value, value, 1,
  min(t + interval_ms, (t / :length + k + 1) * :length) - max(t, (t / :length + k) * :length)
FROM (
  SELECT s.t AS t, s.channel AS channel, s.value AS value, {span_length} AS interval_ms
  FROM sample s WHERE s.t > :start - {longest} AND s.t < :stop AND s.channel IN ({long}) AND {unmarked}
), (
  WITH RECURSIVE step(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM step WHERE k <= {longest} / :length)
  SELECT k FROM step
)
WHERE interval_ms > 60000 AND (t / :length + k) * :length >= :start AND (t / :length + k) * :length < :stop
  AND t + interval_ms > (t / :length + k) * :length
"""
_LONGER = """
INSERT INTO {table} (t, channel, mean, low, high, n)
SELECT begin, channel, sum(mean * covered) / sum(covered), min(low), max(high), sum(n) FROM ({pieces})
GROUP BY begin, channel
"""
_LONGER_WORDS = """
INSERT INTO {table} (t, channel, mean, low, high, n)
SELECT begin, channel, word, word, word, total FROM (
  SELECT begin, channel, mean AS word, sum(sum(n)) OVER (PARTITION BY begin, channel) AS total,
    row_number() OVER (PARTITION BY begin, channel ORDER BY sum(covered) DESC, mean) AS place
  FROM ({pieces}) GROUP BY begin, channel, mean
) WHERE place = 1
"""


def refresh(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    closed_before: int,
    channels: Collection[int] | None = None,
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
    """
    kinds = dict(connection.execute("SELECT id, unit = 'text' FROM channel"))
    wanted = set(kinds) if channels is None else set(channels) & set(kinds)
    long = _longest(connection, start, stop, wanted)
    reach = stop + max(long.values(), default=0)
    for words in (False, True):
        numbers = {number for number in wanted if bool(kinds[number]) is words}
        if numbers:
            _refresh_minutes(connection, start, stop, closed_before, numbers, words)
            for table, length in (("hour", HOUR_MS), ("day", DAY_MS)):
                _refresh_longer(connection, table, length, (start, reach, closed_before), numbers, words)


def _longest(connection: sqlite3.Connection, start: int, stop: int, numbers: Collection[int]) -> dict[int, int]:
    """Channels that hold means longer than a minute in a stretch, with the longest of them [ms]."""
    rows = connection.execute(
        f"SELECT channel, max(interval_ms) FROM span WHERE interval_ms > {MINUTE_MS} "
        f"AND start < ? AND stop > ? AND channel IN ({_listed(numbers)}) GROUP BY channel",
        (stop, start),
    )
    return dict(rows.fetchall())


def _refresh_minutes(
    connection: sqlite3.Connection, start: int, stop: int, closed_before: int, numbers: set[int], words: bool
) -> None:
    first = start // MINUTE_MS * MINUTE_MS
    last = min(-(-stop // MINUTE_MS), closed_before // MINUTE_MS) * MINUTE_MS
    if first >= last:
        return
    bounds = {"start": first, "stop": last}
    connection.execute(
        f"DELETE FROM minute WHERE t >= :start AND t < :stop AND channel IN ({_listed(numbers)})", bounds
    )
    mixed = set(_longest(connection, first, last, numbers))
    covered = _covered(connection, first, last, mixed)
    statement = _MINUTE_WORDS if words else _MINUTE
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
    table: str,
    length: int,
    stretch: tuple[int, int, int],
    numbers: set[int],
    words: bool,
) -> None:
    start, stop, closed_before = stretch
    begin = start // length * length
    end = min(-(-stop // length), closed_before // length) * length
    if begin >= end:
        return
    bounds = {"start": begin, "stop": end, "length": length}
    connection.execute(
        f"DELETE FROM {table} WHERE channel IN ({_listed(numbers)}) AND t >= :start AND t < :stop", bounds
    )
    pieces = _PIECES.format(numbers=_listed(numbers))
    # A mean that starts before the first interval may reach into it.
    (reach,) = connection.execute(
        f"SELECT coalesce(max(interval_ms), 0) FROM span WHERE channel IN ({_listed(numbers)})"
    ).fetchone()
    long = _longest(connection, begin - reach, end, numbers)
    if long:
        pieces += _LONG_PIECES.format(
            span_length=_LENGTH,
            longest=max(long.values()),
            long=_listed(long),
            unmarked=_unmarked(connection, begin - reach, end),
        )
    connection.execute((_LONGER_WORDS if words else _LONGER).format(table=table, pieces=pieces), bounds)


def _unmarked(connection: sqlite3.Connection, start: int, stop: int) -> str:
    """The condition that leaves marked samples out, cheap where there are none."""
    found = connection.execute("SELECT 1 FROM mark WHERE t >= ? AND t < ? LIMIT 1", (start, stop)).fetchone()
    return UNMARKED if found else "1"


def _listed(numbers: Collection[int]) -> str:
    return ", ".join(str(int(number)) for number in sorted(numbers))
