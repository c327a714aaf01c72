"""Owns the moving of a session's readings to their true time: in short pieces, whole after any interruption."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

from logger import rollup
from logger.batches import insert_samples
from logger.protocols import Stretch
from logger.store import HOUR_MS, Channels, touch_hours

RESTORED = "time restored"
LATE_MS = 120_000
"""Every source hands on what it read far within this time, so nothing new comes to lie below a piece of this length."""


@dataclass(frozen=True, slots=True)
class Job:
    """A session on its way to its true time.

    Attributes
    ----------
    session : int
    shift_ms : int
        How far its readings move [ms].
    low, high : int
        Where those lie that are still to be moved, ``low <= t < high`` [ms, as kept].
    clock : str
        Whose word the session's clock has, once all are moved.
    live : dict of str to list of str
        The session's live sources with their channels.
    """

    session: int
    shift_ms: int
    low: int
    high: int
    clock: str
    live: dict[str, list[str]]


def jobs(connection: sqlite3.Connection) -> list[Job]:
    """What is to be moved, in the order in which no session's readings land among those of another that still wait.

    To the future the newest session goes first, to the past the oldest.
    """
    rows = connection.execute(
        "SELECT r.session, r.shift_ms, r.low, r.high, r.clock, s.live FROM redating r "
        "JOIN session s ON s.id = r.session "
        "ORDER BY r.shift_ms < 0, CASE WHEN r.shift_ms < 0 THEN r.session ELSE -r.session END"
    ).fetchall()
    return [Job(session, shift, low, high, clock, json.loads(live)) for session, shift, low, high, clock, live in rows]


def begin(connection: sqlite3.Connection, session: int, shift_ms: int, clock: str) -> Job:
    """Note that a session is to be moved, inside the caller's transaction.

    To the future all that is not a reading moves at once, for what the session goes on to write comes after all of
    it. To the past it moves last: until then the session goes on where it was.
    """
    started, stopped, live = connection.execute(
        "SELECT started, coalesce(stopped, started), live FROM session WHERE id = ?", (session,)
    ).fetchone()
    job = Job(session, shift_ms, started, stopped + 1, clock, json.loads(live))
    connection.execute(
        "INSERT OR REPLACE INTO redating (session, shift_ms, low, high, clock) VALUES (?, ?, ?, ?, ?)",
        (job.session, job.shift_ms, job.low, job.high, job.clock),
    )
    if shift_ms > 0:
        _switch(connection, job)
    return job


def advance(
    connection: sqlite3.Connection, channels: Channels, job: Job, most: int, now: int, stop: int | None = None
) -> Stretch | None:
    """Move one piece, inside the caller's transaction; the last one ends the job.

    Parameters
    ----------
    connection : sqlite3.Connection
    channels : Channels
        Of that connection.
    job : Job
        As `jobs` gives it: the order matters.
    most : int
        Samples in the piece, about.
    now : int
        Now as the store has it: later intervals are open [ms UTC].
    stop : int, optional
        Where the readings of a session end that still goes on [ms, as kept].

    Returns
    -------
    (start, stop) or None
        Where samples arrived [ms UTC]; None while more is to be moved and nothing lay in this piece.
    """
    high = job.high if stop is None else max(stop, job.high)
    names = {name for some in job.live.values() for name in some}
    numbers = sorted(number for name, number in channels.ids.items() if name in names)
    edge = _edge(connection, job, high, numbers, most)
    low, up = (edge, high) if job.shift_ms > 0 else (job.low, edge)
    arrived = _move(connection, numbers, low, up, job.shift_ms, now)
    done = low <= job.low if job.shift_ms > 0 else up >= high
    if done:
        if job.shift_ms < 0:
            _switch(connection, job)
        connection.execute("UPDATE session SET clock = ? WHERE id = ?", (job.clock, job.session))
        connection.execute("DELETE FROM redating WHERE session = ?", (job.session,))
    elif job.shift_ms > 0:
        connection.execute("UPDATE redating SET high = ? WHERE session = ?", (low, job.session))
    else:
        connection.execute("UPDATE redating SET low = ? WHERE session = ?", (up, job.session))
    return arrived


def under_way(connection: sqlite3.Connection, session: int) -> bool:
    """Whether a session still waits for its readings to be moved."""
    return connection.execute("SELECT 1 FROM redating WHERE session = ?", (session,)).fetchone() is not None


def _edge(connection: sqlite3.Connection, job: Job, high: int, numbers: list[int], most: int) -> int:
    """Where the piece ends that begins at the far end: from above to the future, from below to the past."""
    upwards = job.shift_ms > 0
    row = connection.execute(
        f"SELECT t FROM sample WHERE t >= ? AND t < ? AND channel IN ({_listed(numbers)}) "
        f"ORDER BY t {'DESC' if upwards else ''} LIMIT 1 OFFSET ?",
        (job.low, high, most),
    ).fetchone()
    if row is None:
        return job.low if upwards else high
    return max(min(row[0], high - LATE_MS), job.low) if upwards else max(int(row[0]), job.low + 1)


def _move(
    connection: sqlite3.Connection, numbers: list[int], low: int, high: int, shift_ms: int, now: int
) -> Stretch | None:
    where = f"t >= ? AND t < ? AND channel IN ({_listed(numbers)})"
    rows = connection.execute(f"SELECT t, channel, value FROM sample WHERE {where}", (low, high)).fetchall()
    if not rows:
        return None
    marks = connection.execute(f"SELECT t, channel, reason FROM mark WHERE {where}", (low, high)).fetchall()
    connection.execute(f"DELETE FROM sample WHERE {where}", (low, high))
    connection.execute(f"DELETE FROM mark WHERE {where}", (low, high))
    placed = insert_samples(connection, [(t + shift_ms, channel, value) for t, channel, value in rows])

    def place(t: int, channel: int) -> int:
        return placed.get((t + shift_ms, channel), t + shift_ms)

    connection.executemany(
        "INSERT OR IGNORE INTO mark (t, channel, reason) VALUES (?, ?, ?)",
        [
            *((place(t, channel), channel, reason) for t, channel, reason in marks),
            *((place(t, channel), channel, RESTORED) for t, channel, _ in rows),
        ],
    )
    arrived = rows[0][0] + shift_ms, place(*rows[-1][:2]) + 1
    # Where they lay nothing is open: a wrong clock may have been ahead of the true one.
    left = rows[0][0], rows[-1][0] + 1
    for (start, stop), closed in ((left, max(now, high + rollup.DAY_MS)), (arrived, now)):
        rollup.refresh(connection, start, stop, closed, numbers)
        touch_hours(connection, range(start // HOUR_MS * HOUR_MS, stop, HOUR_MS))
    return arrived


def _switch(connection: sqlite3.Connection, job: Job) -> None:
    """Move all that is not a reading: the session itself, its events, its rejects, when its sources were heard."""
    started, stopped = connection.execute(
        "SELECT started, coalesce(stopped, started) FROM session WHERE id = ?", (job.session,)
    ).fetchone()
    shift, within = job.shift_ms, (job.shift_ms, started, stopped)
    connection.execute(
        "UPDATE session SET started = started + ?, stopped = stopped + ? WHERE id = ?", (shift, shift, job.session)
    )
    connection.execute("UPDATE event SET t = t + ? WHERE t >= ? AND t <= ? AND session = ?", (*within, job.session))
    for source in job.live:
        connection.execute("UPDATE reject SET t = t + ? WHERE t >= ? AND t <= ? AND source = ?", (*within, source))
        connection.execute(
            "UPDATE source SET last_seen = last_seen + ? WHERE last_seen >= ? AND last_seen <= ? AND name = ?",
            (*within, source),
        )
    connection.execute("UPDATE settings SET start = start + ? WHERE start = ?", (shift, started))
    connection.execute("UPDATE settings SET stop = stop + ? WHERE stop = ?", (shift, started))


def _listed(numbers: list[int]) -> str:
    return ", ".join(str(number) for number in numbers)
