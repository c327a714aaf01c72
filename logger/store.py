"""Owns opening the store and the small writes that every writer shares.

Standard library only: the lean logger uses it.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.errors import StoreError, StoreMissing

BUSY_MS = 30_000
PRAGMAS = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    f"PRAGMA busy_timeout = {BUSY_MS}",
)
HOUR_MS = 3_600_000
MAX_REJECTS = 5_000
MAX_RAW = 400


def open_writer(path: Path) -> sqlite3.Connection:
    """Open an existing, prepared store for writing; transactions are the caller's (`transaction`).

    Raises
    ------
    StoreMissing, StoreError
    """
    _must_exist(path)
    try:
        connection = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None)
        for pragma in PRAGMAS:
            connection.execute(pragma)
    except sqlite3.Error as fault:
        raise StoreError(f"store {path}: {fault}") from None
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a store for reading alone.

    Raises
    ------
    StoreMissing, StoreError
    """
    _must_exist(path)
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_MS / 1000)
        connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as fault:
        raise StoreError(f"store {path}: {fault}") from None
    return connection


def _must_exist(path: Path) -> None:
    if not path.exists():
        raise StoreMissing(f"store {path}: there is none yet; record or import something first")


@contextmanager
def claim(path: Path) -> Iterator[None]:
    """Hold the store for one logger; readers and other writers are not kept out.

    The lock is the kernel's and dies with the process. SQLite uses another kind, which is dropped as soon as any
    descriptor of the file closes: this one is therefore opened before the first connection and closed after the last.

    Raises
    ------
    StoreMissing, StoreError
        There is no store, or another logger records into it.
    """
    _must_exist(path)
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        raise StoreError(f"store {path}: another logger records into it; stop that one first") from None
    try:
        yield
    finally:
        os.close(descriptor)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One short write transaction, all or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # A full disk or a failed write has already rolled back by itself; a failed COMMIT has not.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


class Channels:
    """The store's channel ids and word codes, made as they are met. Use inside a transaction."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.ids: dict[str, int] = dict(connection.execute("SELECT name, id FROM channel"))
        self._codes: dict[tuple[int, str], int] = {
            (channel, name): code for channel, code, name in connection.execute("SELECT channel, code, name FROM label")
        }

    def id(self, name: str, unit: str) -> int:
        found = self.ids.get(name)
        if found is None:
            # Another writer may have made it since we looked.
            self._connection.execute("INSERT OR IGNORE INTO channel (name, unit) VALUES (?, ?)", (name, unit))
            (found,) = self._connection.execute("SELECT id FROM channel WHERE name = ?", (name,)).fetchone()
            self.ids[name] = found
        return int(found)

    def code(self, channel: int, word: str) -> int:
        found = self._codes.get((channel, word))
        if found is None:
            row = self._connection.execute(
                "SELECT code FROM label WHERE channel = ? AND name = ?", (channel, word)
            ).fetchone()
            if row is None:
                row = self._connection.execute(
                    "INSERT INTO label (channel, code, name) "
                    "SELECT ?, coalesce(max(code), -1) + 1, ? FROM label WHERE channel = ? RETURNING code",
                    (channel, word, channel),
                ).fetchone()
            found = self._codes[(channel, word)] = int(row[0])
        return found


def touch_hours(connection: sqlite3.Connection, hours: Iterable[int]) -> None:
    """Note that samples of these UTC hours [ms, start] changed, for whoever judges them next."""
    connection.executemany(
        "INSERT INTO stale (hour, seq) VALUES (?, 1) ON CONFLICT (hour) DO UPDATE SET seq = seq + 1",
        ((hour,) for hour in hours),
    )


def keep_rejects(connection: sqlite3.Connection, rows: Iterable[tuple[int, str, bytes, str]]) -> None:
    """Keep rejects ``(t, source, raw, reason)``; the table is bounded, the oldest go first."""
    connection.executemany(
        "INSERT INTO reject (t, source, raw, reason) VALUES (?, ?, ?, ?)",
        ((t, source, raw[:MAX_RAW], reason) for t, source, raw, reason in rows),
    )
    connection.execute("DELETE FROM reject WHERE id <= (SELECT max(id) FROM reject) - ?", (MAX_REJECTS,))


def keep_settings(connection: sqlite3.Connection, t: int, digest: str, text: str) -> None:
    """Note which settings file is in force from `t` on; the one before it ends there."""
    last = connection.execute("SELECT id, hash FROM settings WHERE stop IS NULL ORDER BY start DESC LIMIT 1").fetchone()
    if last and last[1] == digest:
        return
    if last:
        connection.execute("UPDATE settings SET stop = ? WHERE id = ?", (t, last[0]))
    connection.execute("INSERT INTO settings (start, hash, text) VALUES (?, ?, ?)", (t, digest, text))
