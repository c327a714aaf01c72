"""Owns minutes, hours and days: what the samples of an interval come to. Standard library only.

A stretch of a channel holds either instants or, where `span` says so, means of a stated length. The rule, for all:

- a **minute** row comes from the instants of that minute, and from means no longer than a minute; a longer mean
  is never copied into the minutes it covers.
- an **hour** or **day** row weighs by covered time: each minute row counts one minute, each longer mean the part
  of it that lies in the interval. ``n`` counts the samples.
- words have no mean: of a text channel a row holds the word most often seen, the lowest code first.
- marked samples are left out, but those whose mark only speaks of where their time came from.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable

from logger.store import HOUR_MS

MINUTE_MS = 60_000
DAY_MS = 86_400_000

# A mark about where the time came from says nothing against the value.
UNMARKED = (
    "NOT EXISTS (SELECT 1 FROM mark m WHERE m.t = s.t AND m.channel = s.channel AND m.reason NOT IN ('time restored'))"
)

# The span over a sample decides whether it is an instant, a short mean or a long one.
_LONG = (
    "EXISTS (SELECT 1 FROM span p WHERE p.channel = s.channel AND p.interval_ms > 60000 "
    "AND p.start <= s.t AND s.t < p.stop)"
)

_MINUTE = f"""
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT s.t / 60000 * 60000, s.channel, avg(s.value), min(s.value), max(s.value), count(*)
FROM sample s
WHERE s.t >= :start AND s.t < :stop AND s.channel IN (SELECT id FROM channel WHERE unit <> 'text')
  AND {{within}} AND {UNMARKED} AND NOT {_LONG}
GROUP BY 1, 2
"""

_MINUTE_WORDS = f"""
INSERT INTO minute (t, channel, mean, low, high, n)
SELECT t, channel, value, value, value, total FROM (
  SELECT s.t / 60000 * 60000 AS t, s.channel AS channel, s.value AS value,
    sum(count(*)) OVER (PARTITION BY s.t / 60000, s.channel) AS total,
    row_number() OVER (PARTITION BY s.t / 60000, s.channel ORDER BY count(*) DESC, s.value) AS place
  FROM sample s
  WHERE s.t >= :start AND s.t < :stop AND s.channel IN (SELECT id FROM channel WHERE unit = 'text')
    AND {{within}} AND {UNMARKED} AND NOT {_LONG}
  GROUP BY s.t / 60000, s.channel, s.value
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
    within = "1" if channels is None else f"s.channel IN ({', '.join(str(int(c)) for c in sorted(channels))})"
    first, last = (
        start // MINUTE_MS * MINUTE_MS,
        min(-(-stop // MINUTE_MS), closed_before // MINUTE_MS) * MINUTE_MS,
    )
    if first < last:
        bounds = {"start": first, "stop": last}
        connection.execute(f"DELETE FROM minute AS s WHERE t >= :start AND t < :stop AND {within}", bounds)
        connection.execute(_MINUTE.format(within=within), bounds)
        connection.execute(_MINUTE_WORDS.format(within=within), bounds)
    for table, length in (("hour", HOUR_MS), ("day", DAY_MS)):
        begin = start // length * length
        end = min(-(-stop // length), closed_before // length) * length
        for t in range(begin, end, length):
            _refresh_long(connection, table, t, length, within)


def _refresh_long(connection: sqlite3.Connection, table: str, t: int, length: int, within: str) -> None:
    pieces = _pieces(connection, t, t + length, within)
    connection.execute(
        f"DELETE FROM {table} AS s WHERE t = ? AND channel IN (SELECT id FROM channel) AND {within}", (t,)
    )
    words = {row[0] for row in connection.execute("SELECT id FROM channel WHERE unit = 'text'")}
    rows = [
        (t, channel, *(_most_seen(parts) if channel in words else _weighed(parts))) for channel, parts in pieces.items()
    ]
    connection.executemany(f"INSERT INTO {table} (t, channel, mean, low, high, n) VALUES (?, ?, ?, ?, ?, ?)", rows)


Piece = tuple[float, float, float, int, float]  # mean, low, high, samples, covered time [ms]


def _pieces(connection: sqlite3.Connection, start: int, stop: int, within: str) -> dict[int, list[Piece]]:
    pieces: dict[int, list[Piece]] = {}
    for channel, mean, low, high, n in connection.execute(
        f"SELECT channel, mean, low, high, n FROM minute AS s WHERE t >= ? AND t < ? AND {within} ORDER BY t",
        (start, stop),
    ):
        pieces.setdefault(channel, []).append((mean, low, high, n, float(MINUTE_MS)))
    for channel, interval, span_start, span_stop in connection.execute(
        f"SELECT DISTINCT channel, interval_ms, start, stop FROM span AS s "
        f"WHERE interval_ms > 60000 AND start < ? AND stop > ? - interval_ms AND {within}",
        (stop, start),
    ).fetchall():
        for t, value in connection.execute(
            f"SELECT s.t, s.value FROM sample s WHERE s.channel = ? AND s.t > ? AND s.t < ? "
            f"AND s.t >= ? AND s.t < ? AND {UNMARKED} ORDER BY s.t",
            (channel, start - interval, stop, span_start, span_stop),
        ):
            covered = min(t + interval, stop) - max(t, start)
            if covered > 0:
                pieces.setdefault(channel, []).append((value, value, value, 1, float(covered)))
    return pieces


def _weighed(parts: Iterable[Piece]) -> tuple[float, float, float, int]:
    parts = list(parts)
    weight = sum(part[4] for part in parts)
    return (
        sum(part[0] * part[4] for part in parts) / weight,
        min(part[1] for part in parts),
        max(part[2] for part in parts),
        sum(part[3] for part in parts),
    )


def _most_seen(parts: Iterable[Piece]) -> tuple[float, float, float, int]:
    held: dict[float, float] = {}
    count = 0
    for value, _, _, n, covered in parts:
        held[value] = held.get(value, 0.0) + covered
        count += n
    word = min(held, key=lambda code: (-held[code], code))
    return word, word, word, count
