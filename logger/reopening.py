"""Owns the way back of sealed rows into the store, and that rollups follow what came late to a sealed day."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from logger import reading, rollup, sealed
from logger.rows import COLUMNS, Ints, Rows, empty, filled, from_store
from logger.sealed import DAY_MS, Kind, Sealed, one_moment
from logger.store import HOUR_MS, keep_rejects, touch_hours, transaction

_MOST_ROWS = 20_000
_PARTS = 6
_ROOM = 10_000


def reopen(connection: sqlite3.Connection, stretches: Iterable[tuple[int, int]]) -> None:
    """Bring the sealed days of some stretches [ms UTC] back into the store, for data that are about to come.

    Hold `sealed.at_work` meanwhile.
    """
    for start, stop in stretches:
        for day in sealed.between(connection, "sample", start, stop):
            bring_back_day(connection, day.start)


def take_in_late(connection: sqlite3.Connection, now: int) -> list[int]:
    """Bring sealed days to which rows have come since back into the store, and roll them up.

    A live writer cannot: it never opens a sealed file, so late rows wait in the store, where readers of samples see
    them, and minutes, hours and days stand as they were. Whoever judges asks for this first. The next run of the
    archive seals those days anew. Hold `sealed.at_work` meanwhile.

    Parameters
    ----------
    connection : sqlite3.Connection
        A writer, outside a transaction.
    now : int
        UTC [ms].

    Returns
    -------
    list of int
        Beginnings of the days that were opened [ms UTC].
    """
    days = [day for day in sealed.with_rows_beside(connection) if _has_late(connection, day)]
    for day in days:
        bring_back_day(connection, day.start)
        follow(connection, day.start, day.stop, now)
    return [day.start for day in days]


def _has_late(connection: sqlite3.Connection, day: Sealed) -> bool:
    """Whether the store holds a row of a sealed day that its file does not hold."""
    for start, stop in windows(day.start, day.stop):
        here = read(connection, "sample", start, stop)
        if len(here):
            numbers = set(np.unique(here.channel).tolist())
            if not here.found_in(reading.in_file(connection, day, start, stop, numbers)).all():
                return True
    return False


def windows(start: int, stop: int) -> Iterator[tuple[int, int]]:
    """The parts in which a stretch is looked at: a whole day twice or thrice in memory would be too much."""
    step = max(-(-(stop - start) // _PARTS), HOUR_MS)
    for begin in range(start, stop, step):
        yield begin, min(begin + step, stop)


def read(connection: sqlite3.Connection, kind: Kind, start: int, stop: int) -> Rows:
    """What the store itself holds of a stretch, read hour by hour.

    A long read would keep the log of a writer from being copied into the store.
    """
    with one_moment(connection):
        query = f"SELECT count(*) FROM {kind} WHERE t >= ? AND t < ?"
        (count,) = connection.execute(query, (start, stop)).fetchone()
    # Some more for rows that come meanwhile; those beyond wait for the next run.
    room = count + _ROOM
    return filled(kind, _hours(connection, kind, start, stop, room), room)


def _hours(connection: sqlite3.Connection, kind: Kind, start: int, stop: int, room: int) -> Iterator[Rows]:
    for hour in range(start, stop, HOUR_MS):
        rows = from_store(connection, kind, hour, hour + HOUR_MS).where(slice(0, room))
        room -= len(rows)
        yield rows


def channel_numbers(connection: sqlite3.Connection) -> dict[str, int]:
    """Channel name to the store's number."""
    return dict(connection.execute("SELECT name, id FROM channel"))


def follow(connection: sqlite3.Connection, start: int, stop: int, now: int, rows: Rows | None = None) -> None:
    """Bring rollups of a day after what its samples in the store say, where they are behind.

    Of a day that was sealed before, and reopened, these are the hours in which its samples differ from its file; else
    those that nobody closed. Sealed days into which its means newly reach are brought back, and are among them.

    Parameters
    ----------
    start, stop : int
        The day, UTC [ms].
    now : int
        UTC [ms].
    rows : Rows, optional
        Its samples, where they have been read already.
    """

    def here(begin: int, end: int) -> Rows:
        return rows.between(begin, end) if rows is not None else read(connection, "sample", begin, end)

    file = sealed.reopened(connection, start)
    hours = _differing(connection, file, here) if file is not None else _without_rows(connection, start, stop, here)
    tail = max(start, stop - _longest(connection, start, stop))
    beyond = _beyond(connection, here(tail, stop), stop)
    before = reading.in_file(connection, file, tail, stop) if file is not None and tail < stop else empty("sample")
    if len(beyond) and not beyond.same(_beyond(connection, before, stop)):
        for day in sealed.between(connection, "sample", stop, int(reach(connection, beyond).max())):
            bring_back_day(connection, day.start)
            hours |= set(range(day.start, day.stop, HOUR_MS))
    _refresh(connection, hours, now)


def close_hours(connection: sqlite3.Connection, start: int, stop: int, now: int) -> None:
    """Roll up those hours of a stretch, all in the store, that nobody has."""
    _refresh(connection, _without_rows(connection, start, stop, lambda a, b: read(connection, "sample", a, b)), now)


def _refresh(connection: sqlite3.Connection, hours: Iterable[int], now: int) -> None:
    for hour in sorted(hours):
        with transaction(connection):
            rollup.refresh(connection, hour, hour + HOUR_MS, now)
            touch_hours(connection, [hour])


def _differing(connection: sqlite3.Connection, file: Sealed, here: Callable[[int, int], Rows]) -> set[int]:
    """Hours of a reopened day in which the store holds other samples than the file."""
    found = set()
    for begin, end in windows(file.start, file.stop):
        now, before = here(begin, end), reading.in_file(connection, file, begin, end)
        for hour in range(begin, end, HOUR_MS):
            if not now.between(hour, hour + HOUR_MS).same(before.between(hour, hour + HOUR_MS)):
                found.add(hour)
    return found


def _beyond(connection: sqlite3.Connection, rows: Rows, stop: int) -> Rows:
    """Those that reach past a moment [ms UTC]."""
    return rows.where(reach(connection, rows) > stop)


def _without_rows(connection: sqlite3.Connection, start: int, stop: int, here: Callable[[int, int], Rows]) -> set[int]:
    """Hours that hold samples and lack the row of a channel: nobody came back to close them."""
    known = connection.execute("SELECT t, channel FROM hour WHERE t >= ? AND t < ?", (start, stop)).fetchall()
    there = np.array([t * (1 << 20) + channel for t, channel in known], dtype=np.int64)
    found = set()
    for hour in range(start, stop, HOUR_MS):
        numbers = np.unique(here(hour, hour + HOUR_MS).channel)
        if not np.isin(hour * (1 << 20) + numbers, there).all():
            found.add(hour)
    return found


def reach(connection: sqlite3.Connection, rows: Rows) -> Ints:
    """How far each sample reaches, UTC [ms]: a mean to its end, an instant to itself."""
    if not len(rows):
        return rows.t
    spans = connection.execute(
        "SELECT channel, start, stop, interval_ms FROM span WHERE start <= ? AND stop > ? AND interval_ms > ?",
        (int(rows.t[-1]), int(rows.t[0]), rollup.MINUTE_MS),
    ).fetchall()
    reaches = rows.t.copy() if spans else rows.t
    # The shortest last, for of several spans the shortest counts.
    for channel, start, stop, interval_ms in sorted(spans, key=lambda span: -int(span[3])):
        over = np.flatnonzero((rows.channel == channel) & (rows.t >= start) & (rows.t < stop))
        reaches[over] = rows.t[over] + interval_ms
    return reaches


def bring_back_day(connection: sqlite3.Connection, start: int) -> None:
    """A sealed day, its month of minutes, and the means of days before that reach into it."""
    for month in sealed.between(connection, "minute", start, start + DAY_MS):
        bring_back(connection, month)
    longest = _longest(connection, start, start + 1)
    for day in sealed.between(connection, "sample", start - longest, start):
        before = reading.in_file(connection, day, max(day.start, start - longest), day.stop)
        _insert(connection, "sample", _beyond(connection, before, start))
    for day in sealed.between(connection, "sample", start, start + DAY_MS):
        bring_back(connection, day)


def _longest(connection: sqlite3.Connection, start: int, stop: int) -> int:
    """The longest mean that a stretch may hold [ms]; 0 where none is longer than a minute."""
    (longest,) = connection.execute(
        "SELECT coalesce(max(interval_ms), 0) FROM span WHERE start < ? AND stop >= ?", (stop, start)
    ).fetchone()
    return int(longest) if longest > rollup.MINUTE_MS else 0


def bring_back(connection: sqlite3.Connection, file: Sealed) -> None:
    """The rows of one sealed stretch: what came late stands, and counts."""
    for start, stop in windows(file.start, file.stop):
        rows = reading.in_file(connection, file, start, stop)
        if file.kind == "sample":
            _note_superseded(connection, rows, start, stop)
        _insert(connection, file.kind, rows)
    with transaction(connection):
        connection.execute("UPDATE sealed SET reopened = 1 WHERE kind = ? AND start = ?", (file.kind, file.start))


def _insert(connection: sqlite3.Connection, kind: Kind, rows: Rows) -> None:
    columns = COLUMNS[kind]
    statement = f"INSERT OR IGNORE INTO {kind} (t, channel, {', '.join(columns)}) VALUES (?, ?{', ?' * len(columns)})"
    for begin in range(0, len(rows), _MOST_ROWS):
        piece = rows.where(slice(begin, begin + _MOST_ROWS))
        with transaction(connection):
            connection.executemany(
                statement, zip(piece.t.tolist(), piece.channel.tolist(), *piece.values.tolist(), strict=True)
            )


def _note_superseded(connection: sqlite3.Connection, rows: Rows, start: int, stop: int) -> None:
    """A late row of the same time and channel wins; the value that it replaces goes to the rejects."""
    here = read(connection, "sample", start, stop)
    other = rows.keyed_in(here) & ~rows.found_in(here)
    if not other.any():
        return
    old = rows.where(other)
    names = {number: name for name, number in channel_numbers(connection).items()}
    words = {(c, code): word for c, code, word in connection.execute("SELECT * FROM label")}
    kept = [
        (t, "archive", f"{names[channel]} = {words.get((channel, value), value)}".encode(), "superseded")
        for t, channel, value in zip(old.t.tolist(), old.channel.tolist(), old.values[0].tolist(), strict=True)
    ]
    with transaction(connection):
        keep_rejects(connection, kept)
