"""Owns which part of the vessel somebody has hands in, and until when. Standard library only.

While it lasts, what the part's instruments say is kept and judges nothing.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from logger.store import HOUR_MS, touch_hours


@dataclass(frozen=True, slots=True)
class HandsOn:
    """One stretch of work.

    Attributes
    ----------
    subject : str
        As ``array.cabin``.
    start, stop : int
        UTC [ms]; it ends by itself.
    """

    subject: str
    start: int
    stop: int


def begin(connection: sqlite3.Connection, subject: str, start: int, stop: int) -> HandsOn:
    """Put hands in a part; work that is under way on it goes on until the new end. Inside a write transaction."""
    number, work = _under_way(connection, subject, start) or (None, HandsOn(subject, start, stop))
    if number is None:
        connection.execute("INSERT INTO hands_on (subject, start, stop) VALUES (?, ?, ?)", (subject, start, stop))
    else:
        connection.execute("UPDATE hands_on SET stop = ? WHERE id = ?", (stop, number))
    _touch(connection, work.start, max(work.stop, stop))
    return HandsOn(subject, work.start, stop)


def end(connection: sqlite3.Connection, subject: str, now: int) -> HandsOn | None:
    """Take the hands out of a part before the time that was set; None where there were none. In a transaction."""
    found = _under_way(connection, subject, now)
    if found is None:
        return None
    number, work = found
    connection.execute("UPDATE hands_on SET stop = ? WHERE id = ?", (now, number))
    _touch(connection, work.start, work.stop)
    return HandsOn(subject, work.start, now)


def between(connection: sqlite3.Connection, start: int, stop: int) -> list[HandsOn]:
    """Work that touches ``start <= t < stop`` [ms UTC], by its beginning."""
    rows = connection.execute(
        "SELECT subject, start, stop FROM hands_on WHERE start < ? AND stop > ? ORDER BY start, id", (stop, start)
    )
    return [HandsOn(*row) for row in rows]


def _under_way(connection: sqlite3.Connection, subject: str, now: int) -> tuple[int, HandsOn] | None:
    row = connection.execute(
        "SELECT id, start, stop FROM hands_on WHERE subject = ? AND start <= ? AND stop > ? ORDER BY id DESC LIMIT 1",
        (subject, now, now),
    ).fetchone()
    return (row[0], HandsOn(subject, row[1], row[2])) if row else None


def _touch(connection: sqlite3.Connection, start: int, stop: int) -> None:
    touch_hours(connection, range(start // HOUR_MS * HOUR_MS, stop, HOUR_MS))
