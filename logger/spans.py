"""Owns the `span` table's rows: over which stretches a channel holds means, and of what length."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Sequence
from itertools import pairwise

Stretch = tuple[int, int]


def runs(times: Sequence[int], interval_ms: int) -> list[Stretch]:
    """Stretches that means at these starts cover, a hole of up to one interval bridged.

    Parameters
    ----------
    times : sequence of int
        Starts [ms UTC], ascending.
    interval_ms : int
        Length of each mean [ms].

    Returns
    -------
    list of (int, int)
        Start of the first mean, end of the last [ms UTC].
    """
    if not times:
        return []
    most = 2 * interval_ms
    found, begin = [], times[0]
    for before, after in pairwise(times):
        if after - before > most:
            found.append((begin, before + interval_ms))
            begin = after
    found.append((begin, times[-1] + interval_ms))
    return found


def lengths(connection: sqlite3.Connection, channels: Collection[int], start: int, stop: int) -> set[int]:
    """Lengths [ms] of all means that some channels hold somewhere in a stretch."""
    rows = connection.execute(
        "SELECT DISTINCT interval_ms FROM span WHERE start < ? AND stop > ? "
        f"AND channel IN ({', '.join(map(str, channels))})",
        (stop, start),
    )
    return {row[0] for row in rows}


def note(connection: sqlite3.Connection, channel: int, source: str, interval_ms: int, label: str, run: Stretch) -> bool:
    """Note that a channel holds means of that length over a stretch; whether that was news.

    Neighbours of the same channel, source and length within one interval become one row. What the same source said
    of the stretch before, with another length or label, gives way: the import made last wins.
    """
    start, stop = run
    rows = connection.execute(
        "SELECT start, stop, interval_ms, label FROM span "
        "WHERE channel = ? AND source = ? AND start <= ? AND stop >= ?",
        (channel, source, stop + interval_ms, start - interval_ms),
    ).fetchall()
    alike = [row for row in rows if row[2:] == (interval_ms, label)]
    unlike = [row for row in rows if row[2:] != (interval_ms, label) and row[0] < stop and row[1] > start]
    if not unlike and any(row[0] <= start and row[1] >= stop for row in alike):
        return False
    connection.executemany(
        "DELETE FROM span WHERE channel = ? AND source = ? AND start = ?",
        [(channel, source, row[0]) for row in (*alike, *unlike)],
    )
    rest = [(begin, end, *kind) for begin, end, *kind in _cut(unlike, start, stop)]
    start, stop = min([start, *(row[0] for row in alike)]), max([stop, *(row[1] for row in alike)])
    connection.executemany(
        "INSERT INTO span (channel, start, stop, interval_ms, label, source) VALUES (?, ?, ?, ?, ?, ?)",
        [(channel, *row, source) for row in [*rest, (start, stop, interval_ms, label)]],
    )
    return True


def _cut(rows: Sequence[tuple[int, int, int, str]], start: int, stop: int) -> list[tuple[int, int, int, str]]:
    """What remains of other rows outside a stretch."""
    rest = []
    for begin, end, interval_ms, label in rows:
        if begin < start:
            rest.append((begin, start, interval_ms, label))
        if end > stop:
            rest.append((stop, end, interval_ms, label))
    return rest
