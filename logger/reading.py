"""Owns the one way to rows of samples and minutes, wherever they lie: in the store, in sealed files, or in both."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator

from logger import sealed
from logger.rows import Rows, empty, from_store, joined
from logger.sealed import DAY_MS, Kind, Sealed, one_moment


def rows(
    connection: sqlite3.Connection, kind: Kind, start: int, stop: int, channels: Collection[int] | None = None
) -> Rows:
    """Rows with ``start <= t < stop``, in the order of the key.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    kind : str
        ``sample`` or ``minute``.
    start, stop : int
        UTC [ms].
    channels : collection of int, optional
        The store's numbers of the channels; None means all.

    Raises
    ------
    StoreError
        A sealed file is missing or damaged; the message names it.
    """
    with one_moment(connection):
        there = from_store(connection, kind, start, stop, channels)
        files = sealed.between(connection, kind, start, stop)
        if not files:
            return there
        # A late row lies in the store until its day is sealed anew, and counts.
        return there.over(joined([in_file(connection, file, start, stop, channels) for file in files]))


def in_file(
    connection: sqlite3.Connection, file: Sealed, start: int, stop: int, channels: Collection[int] | None = None
) -> Rows:
    """Rows of one sealed file with ``start <= t < stop``."""
    if start >= file.stop or stop <= file.start:
        return empty(file.kind)
    from logger import parquet_files  # noqa: PLC0415 - heavy, and needed only where something is sealed

    ids = dict(connection.execute("SELECT name, id FROM channel"))
    path = sealed.archive_folder(connection) / file.file
    return parquet_files.read(path, file.kind, ids, start, stop, channels)


def day_by_day(
    connection: sqlite3.Connection, kind: Kind, start: int, stop: int, channels: Collection[int] | None = None
) -> Iterator[Rows]:
    """The same, a UTC day at a time, so that memory stays flat however long the span is."""
    ends = sealed.ends(connection, kind)
    if ends is None:
        return
    begin, end = max(start, ends[0]), min(stop, ends[1] + 1)
    while begin < end:
        following = min((begin // DAY_MS + 1) * DAY_MS, end)
        found = rows(connection, kind, begin, following, channels)
        if len(found):
            yield found
        begin = following
