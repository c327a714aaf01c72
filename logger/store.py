"""Owns opening the store and the small writes that every writer shares.

Standard library only: the lean logger uses it.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

from logger.errors import StoreError, StoreHeld, StoreMissing

BUSY_MS = 30_000
LOG_MOST = 8 << 20
"""Size of the write-ahead log [bytes] from which a commit shortens it, where readers let it."""
_LOG_STEP = 1 << 20
_LOG_WAIT_MS = 400
_OPENINGS = 20
PRAGMAS = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    f"PRAGMA busy_timeout = {BUSY_MS}",
    f"PRAGMA journal_size_limit = {LOG_MOST}",
)
HOUR_MS = 3_600_000
MAX_REJECTS = 5_000
MAX_RAW = 400


class WritingConnection(sqlite3.Connection):
    """A connection that writes: it keeps the write-ahead log short, and counts what was rolled back on it.

    Attributes
    ----------
    undone : int
        Grows with every rollback, so that whoever remembers what was written knows when to look again.
    """

    undone = 0

    def __init__(self, path: Path) -> None:
        super().__init__(path, timeout=BUSY_MS / 1000, isolation_level=None)
        self._log = path.with_name(path.name + "-wal")
        self._log_worth = LOG_MOST
        for pragma in PRAGMAS:
            self.execute(pragma)

    def keep_log_short(self) -> None:
        """Copy the log into the store and empty it, once it has grown long.

        SQLite copies by itself every thousand pages, but starts the log anew only in a moment without readers of an
        older state: readers that overlap would let it grow for ever. So a commit waits for them, a little, from a size
        on; where one reads for longer, again a megabyte later. https://sqlite.org/wal.html#avoiding_excessively_large_wal_files
        """
        size = self._log.stat().st_size if self._log.exists() else 0
        if size < LOG_MOST:  # also where SQLite has shortened it by itself
            self._log_worth = LOG_MOST
        if size < self._log_worth:
            return
        (pages,) = self.execute("PRAGMA wal_autocheckpoint").fetchone()
        (page,) = self.execute("PRAGMA page_size").fetchone()
        if size < 2 * pages * page:  # a bulk load copies seldom on purpose
            return
        self.execute(f"PRAGMA busy_timeout = {_LOG_WAIT_MS}")
        try:
            (busy, _, _) = self.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        finally:
            self.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        self._log_worth = size + _LOG_STEP if busy else LOG_MOST


def open_writer(path: Path) -> WritingConnection:
    """Open an existing, prepared store for writing; transactions are the caller's (`transaction`).

    Raises
    ------
    StoreMissing, StoreError
    """
    _must_exist(path)
    try:
        return WritingConnection(path)
    except sqlite3.Error as fault:
        raise StoreError(f"store {path}: {fault}") from None


class _ReadingConnection(sqlite3.Connection):
    """A connection that reads, also where this user may read alone and SQLite cannot make its side files.

    Without a log the file stands still and is read as it is; with a log but no index of it, as a copy leaves it, the
    log is read too, into an index in memory. Either way nobody has the store open. Once someone has, the side files
    show it, and the connection opens itself anew in the ordinary way before it next asks.
    """

    _still: tuple[bool, bool] | None = None
    """Which side files (log, its index) there were, where the store stood still as it was opened."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._open()

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        self._look_again()
        return super().execute(*arguments)

    def cursor(self, *arguments: Any, **named: Any) -> Any:
        self._look_again()
        return super().cursor(*arguments, **named)

    def _look_again(self) -> None:
        if self._still is not None and self._side_files() != self._still:
            self._open()

    def _open(self) -> None:
        for tries_left in reversed(range(_OPENINGS)):
            try:
                return self._begin("mode=ro")
            except sqlite3.OperationalError as fault:
                if fault.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                    raise
                still = self._side_files()
                if still[1]:  # someone has just opened it, or it cannot be read at all
                    if tries_left:
                        continue
                    raise
            self._begin("mode=ro&vfs=unix-none" if still[0] else "mode=ro&immutable=1")
            if self._side_files() == still:
                self._still = still
                return None
        raise sqlite3.OperationalError("others open and close it all the time; try again")

    def _begin(self, how: str) -> None:
        path = self._path
        super().__init__(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=BUSY_MS / 1000)
        # Opening a connection object anew empties it of whatever else it held.
        self._path, self._still = path, None
        try:
            self.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
            if "vfs" in how:  # an index in memory is for who has the store alone, and locks nothing
                self.execute("PRAGMA locking_mode = EXCLUSIVE")
            self.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error:
            self.close()
            raise

    def _side_files(self) -> tuple[bool, bool]:
        return self._beside("-wal").exists(), self._beside("-shm").exists()

    def _beside(self, ending: str) -> Path:
        return self._path.with_name(self._path.name + ending)


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a store for reading alone; also as a user who may not write beside it.

    Fetch what a statement gives at once: a half-read one holds an old state, and with it the write-ahead log.

    Raises
    ------
    StoreMissing, StoreError
    """
    _must_exist(path)
    if not os.access(path, os.R_OK):
        raise StoreError(f"store {path}: this user may not read it; its owner can allow it with: chmod o+r {path}")
    try:
        return _ReadingConnection(path)
    except sqlite3.Error as fault:
        raise StoreError(f"store {path}: {fault}") from None


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
    StoreMissing, StoreHeld, StoreError
        There is no store, another logger records into it, or it cannot be opened at all.
    """
    _must_exist(path)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as fault:
        raise StoreError(f"store {path}: {fault.strerror}; check the file and its owner") from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        raise StoreHeld(
            f"store {path}: another logger records into it (or it is being upgraded); stop that one first"
        ) from None
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
        _count_undone(connection)
        raise
    if isinstance(connection, WritingConnection):
        # What is committed is safe; a disk that refuses the copying will refuse the next commit too, and is told then.
        with suppress(sqlite3.Error, OSError):
            connection.keep_log_short()


@contextmanager
def savepoint(connection: sqlite3.Connection) -> Iterator[None]:
    """A part of a transaction, all or nothing by itself."""
    connection.execute("SAVEPOINT part")
    try:
        yield
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK TO part")
        _count_undone(connection)
        raise
    finally:
        # After an error of the disk the transaction, and the savepoint with it, is gone already.
        if connection.in_transaction:
            connection.execute("RELEASE part")


def _count_undone(connection: sqlite3.Connection) -> None:
    if isinstance(connection, WritingConnection):
        connection.undone += 1


class Channels:
    """The store's channel ids and word codes, made as they are met. Use inside a transaction.

    A rollback takes back the ids made before it: they are read anew after one.
    """

    def __init__(self, connection: WritingConnection) -> None:
        self._connection = connection
        self._read()

    def _read(self) -> None:
        self._undone = self._connection.undone
        self._ids: dict[str, int] = dict(self._connection.execute("SELECT name, id FROM channel"))
        self._codes: dict[tuple[int, str], int] = {
            (channel, name): code
            for channel, code, name in self._connection.execute("SELECT channel, code, name FROM label")
        }

    @property
    def ids(self) -> dict[str, int]:
        """Channel name to id, of those met so far."""
        if self._undone != self._connection.undone:
            self._read()
        return self._ids

    def id(self, name: str, unit: str) -> int:
        found = self.ids.get(name)
        if found is None:
            # Another writer may have made it since we looked.
            self._connection.execute("INSERT OR IGNORE INTO channel (name, unit) VALUES (?, ?)", (name, unit))
            (found,) = self._connection.execute("SELECT id FROM channel WHERE name = ?", (name,)).fetchone()
            self._ids[name] = found
        return int(found)

    def code(self, channel: int, word: str) -> int:
        if self._undone != self._connection.undone:
            self._read()
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


def keep_past_settings(connection: sqlite3.Connection, rows: Iterable[Iterable[Any]]) -> None:
    """Keep settings files ``(start, stop, hash, text)`` of the past; each ends where the next one begins."""
    for start, stop, digest, text in rows:
        known = connection.execute("SELECT 1 FROM settings WHERE start = ? AND hash = ?", (start, digest)).fetchone()
        if not known:
            connection.execute(
                "INSERT INTO settings (start, stop, hash, text) VALUES (?, ?, ?, ?)", (start, stop, digest, text)
            )
    connection.execute(
        "UPDATE settings AS s SET stop = (SELECT min(start) FROM settings WHERE start > s.start) "
        "WHERE stop IS NULL AND EXISTS (SELECT 1 FROM settings WHERE start > s.start)"
    )


def note(connection: sqlite3.Connection, t: int, author: str, text: str, tags: Iterable[str] = ()) -> None:
    """Write an entry into the logbook; tags are kept with a comma between them."""
    connection.execute(
        "INSERT INTO logbook (t, author, text, tags) VALUES (?, ?, ?, ?)", (t, author, text, ",".join(tags))
    )


def note_events(store: Path, events: Iterable[tuple[int, str, str]], patience_s: float) -> None:
    """Note events ``(t, kind, text)`` that are no source's, from a process that holds no connection of its own.

    Raises
    ------
    StoreError
        The store is not there, or was held by others for longer than `patience_s` [s]; nothing was noted.
    """
    try:
        with (
            closing(sqlite3.connect(f"{store.as_uri()}?mode=rw", uri=True, timeout=patience_s)) as connection,
            connection,
        ):
            connection.executemany("INSERT INTO event (t, kind, text) VALUES (?, ?, ?)", events)
    except sqlite3.Error as fault:
        raise StoreError(f"store {store}: {fault}") from None
