"""Owns sealing: old days of samples and old months of minutes move into files; late data bring them back first.

The order in which a stretch is sealed, so that an end at any moment loses and doubles nothing:

1. a file under another name, synchronised, read back and compared value by value, then renamed;
2. one transaction that notes it as sealed: from now on readers look into the file too;
3. the rows leave the store in short transactions, each only after it was compared with the file once more.

An end before 2 leaves a file that counts for nothing and is written anew; an end in 3 leaves rows that stand in both
places, are read as one, and go the next time. Rows that differ from the file came late: then the whole stretch comes
back into the store, late rows first, is rolled up and sealed anew. Of a day stay behind those means that reach into a
day whose samples still lie in the store: its rollups need them.
"""

from __future__ import annotations

import datetime as dt
import fcntl
import glob
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from logger import parquet_files, reading, rollup, sealed
from logger.errors import StoreError
from logger.rows import COLUMNS, Flags, Ints, Rows, empty, filled, from_store
from logger.sealed import DAY_MS, Kind, one_moment
from logger.store import HOUR_MS, keep_rejects, touch_hours, transaction

MINUTE_DAYS = 400
"""Minutes stay in the store so long [d], then whole months of them are sealed."""
# Other writers wait while a piece is taken away or brought back: far below the half second that is promised to them.
_PIECE_S = 0.15
_FIRST_PIECE_MS = 300_000
_MOST_ROWS = 20_000
_VACUUM_PAGES = 2_000
_ROOM = 10_000

Progress = Callable[[str], None]


@dataclass(slots=True)
class Done:
    """What a run of the archive came to.

    Attributes
    ----------
    days, months : list of datetime.date
        Days of samples and months of minutes that were sealed, by their first day.
    samples, minutes : int
        Rows in their files.
    file_bytes : int
        Size of those files.
    reopened : list of datetime.date
        Sealed days to which late data had come; they were sealed anew.
    """

    days: list[dt.date] = field(default_factory=list)
    months: list[dt.date] = field(default_factory=list)
    samples: int = 0
    minutes: int = 0
    file_bytes: int = 0
    reopened: list[dt.date] = field(default_factory=list)


@contextmanager
def at_work(store: Path, wait: bool = False) -> Iterator[None]:
    """One at a time moves rows between store and archive; a second one waits, or leaves with a message."""
    with store.with_name(store.name + ".archive").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except OSError:
            raise StoreError(f"store {store}: its archive is at work already; wait for it and ask again") from None
        yield


def date_of(t: int) -> dt.date:
    """The UTC day of a moment [ms]."""
    return dt.datetime.fromtimestamp(t / 1000, dt.UTC).date()


def _day(t: int) -> tuple[int, int]:
    """Begin and end of the UTC day of a moment [ms]."""
    return t // DAY_MS * DAY_MS, (t // DAY_MS + 1) * DAY_MS


def _month(t: int) -> tuple[int, int]:
    """Begin and end of the UTC month of a moment [ms]."""
    first = date_of(t).replace(day=1)
    after = (first + dt.timedelta(32)).replace(day=1)
    begin, end = (int(dt.datetime(d.year, d.month, 1, tzinfo=dt.UTC).timestamp()) * 1000 for d in (first, after))
    return begin, end


class Archive:
    """The archive of one store. Hold `at_work` while using it.

    Parameters
    ----------
    connection : sqlite3.Connection
        A writer, outside a transaction.
    progress : callable, optional
        Called with a word about what is at hand.
    """

    def __init__(self, connection: sqlite3.Connection, progress: Progress = lambda text: None) -> None:
        self._connection, self._progress = connection, progress
        self._folder = sealed.archive_folder(connection)
        (store,) = connection.execute("SELECT file FROM pragma_database_list WHERE name = 'main'").fetchone()
        self._stem = Path(store).stem

    def seal(self, hot_days: int, now: int) -> Done:
        """Seal what is old enough, finish what an earlier run left, and take in what came late.

        Parameters
        ----------
        hot_days : int
            Samples stay in the store so long [d].
        now : int
            UTC [ms].

        Raises
        ------
        StoreError
            A file cannot be written, or one that is needed is missing.
        sqlite3.Error
            The store cannot be written.
        """
        done = Done()
        self._sweep()
        hot = (now - hot_days * DAY_MS) // DAY_MS * DAY_MS
        for day in self._held("sample", 0, hot, _day):
            self._progress(date_of(day[0]).isoformat())
            if sealed.is_sealed(self._connection, "sample", day[0]):
                if not self._clear("sample", *day):
                    continue
                done.reopened.append(date_of(day[0]))
                self._bring_back_day(day[0])
            self._seal_day(*day, now, done)
        # Means that reached into a day that is sealed by now.
        for day in self._held("sample", 0, hot, _day):
            self._clear("sample", *day)
        for month in self._held("minute", 0, min(_month(now - MINUTE_DAYS * DAY_MS)[0], _month(hot)[0]), _month):
            self._progress(f"minutes of {date_of(month[0]):%Y-%m}")
            if sealed.is_sealed(self._connection, "minute", month[0]):
                if not self._clear("minute", *month):
                    continue
                self._bring_back("minute", *month)
            self._write("minute", *month, self._read("minute", *month), done)
            self._clear("minute", *month)
        self._give_space_back()
        return done

    def reopen(self, stretches: Iterable[tuple[int, int]]) -> None:
        """Bring the sealed days of some stretches [ms UTC] back into the store, for data that are about to come."""
        for start, stop in stretches:
            for day in sealed.between(self._connection, "sample", start, stop):
                self._bring_back_day(day.start)

    def _sweep(self) -> None:
        """Files that were never finished."""
        for dates in ("????-??-??", "minutes-????-??"):
            for part in self._folder.glob(f"{glob.escape(self._stem)}-{dates}.parquet{parquet_files.PART}"):
                part.unlink()

    def _held(
        self, table: Kind, start: int, stop: int, whole: Callable[[int], tuple[int, int]]
    ) -> Iterator[tuple[int, int]]:
        """Stretches of which the store holds rows, in order, ended before `stop`."""
        at = start
        while True:
            (t,) = self._connection.execute(f"SELECT min(t) FROM {table} WHERE t >= ?", (at,)).fetchone()
            if t is None or (stretch := whole(t))[1] > stop:
                return
            yield stretch
            at = stretch[1]

    # -- into a file ----------------------------------------------------------------------------------------

    def _seal_day(self, start: int, stop: int, now: int, done: Done) -> None:
        rows = self._read("sample", start, stop)
        before = self._file_before(start)
        if before is None or not rows.same(before):
            self._follow(rows, before, start, stop, now)
        self._write("sample", start, stop, rows, done)
        self._clear("sample", start, stop, rows)

    def _read(self, kind: Kind, start: int, stop: int) -> Rows:
        """Hour by hour: a long read would keep the log of a writer from being copied into the store."""
        with one_moment(self._connection):
            (count,) = self._connection.execute(
                f"SELECT count(*) FROM {kind} WHERE t >= ? AND t < ?", (start, stop)
            ).fetchone()
        # Some more for rows that come meanwhile; those beyond wait for the next run.
        room = count + _ROOM
        return filled(kind, self._hours(kind, start, stop, room), room)

    def _hours(self, kind: Kind, start: int, stop: int, room: int) -> Iterator[Rows]:
        for hour in range(start, stop, HOUR_MS):
            rows = from_store(self._connection, kind, hour, hour + HOUR_MS).where(slice(0, room))
            room -= len(rows)
            yield rows

    def _file_before(self, start: int) -> Rows | None:
        """What the file of a reopened day holds."""
        row = self._connection.execute(
            "SELECT file, stop FROM sealed WHERE kind = 'sample' AND start = ? AND reopened = 1", (start,)
        ).fetchone()
        if row is None or not (self._folder / row[0]).exists():
            return None
        return parquet_files.read(self._folder / row[0], "sample", self._ids(), start, row[1])

    def _ids(self) -> dict[str, int]:
        return dict(self._connection.execute("SELECT name, id FROM channel"))

    def _follow(self, rows: Rows, before: Rows | None, start: int, stop: int, now: int) -> None:
        """Bring rollups after: of a reopened day that changed, of hours left open, of sealed days that means reach."""
        hours = set(range(start, stop, HOUR_MS)) if before is not None else self._without_rows(rows, start, stop)
        reach = self._reach(rows)
        beyond = reach > stop
        old = before if before is not None else empty("sample")
        if beyond.any() and not rows.where(beyond).same(old.where(self._reach(old) > stop)):
            for day in sealed.between(self._connection, "sample", stop, int(reach.max())):
                self._bring_back_day(day.start)
                hours |= set(range(day.start, day.stop, HOUR_MS))
        for hour in sorted(hours):
            with transaction(self._connection):
                rollup.refresh(self._connection, hour, hour + HOUR_MS, now)
                touch_hours(self._connection, [hour])

    def _without_rows(self, rows: Rows, start: int, stop: int) -> set[int]:
        """Hours that hold samples and lack the row of a channel: nobody came back to close them."""
        known = self._connection.execute("SELECT t, channel FROM hour WHERE t >= ? AND t < ?", (start, stop)).fetchall()
        there = np.array([t * (1 << 20) + channel for t, channel in known], dtype=np.int64)
        found = set()
        for hour in range(start, stop, HOUR_MS):
            numbers = np.unique(rows.between(hour, hour + HOUR_MS).channel)
            if not np.isin(hour * (1 << 20) + numbers, there).all():
                found.add(hour)
        return found

    def _reach(self, rows: Rows) -> Ints:
        """How far each sample reaches, UTC [ms]: a mean to its end, an instant to itself."""
        if not len(rows):
            return rows.t
        spans = self._connection.execute(
            "SELECT channel, start, stop, interval_ms FROM span WHERE start <= ? AND stop > ? AND interval_ms > ?",
            (int(rows.t[-1]), int(rows.t[0]), rollup.MINUTE_MS),
        ).fetchall()
        reach = rows.t.copy() if spans else rows.t
        # The shortest last, for of several spans the shortest counts.
        for channel, start, stop, interval_ms in sorted(spans, key=lambda span: -int(span[3])):
            over = np.flatnonzero((rows.channel == channel) & (rows.t >= start) & (rows.t < stop))
            reach[over] = rows.t[over] + interval_ms
        return reach

    def _write(self, kind: Kind, start: int, stop: int, rows: Rows, done: Done) -> None:
        day = date_of(start)
        name = f"{self._stem}-{day.isoformat()}" if kind == "sample" else f"{self._stem}-minutes-{day:%Y-%m}"
        path = self._folder / f"{name}.parquet"
        names = {number: name for name, number in self._ids().items()}
        parquet_files.write(path, kind, rows, names, about(self._connection, start, stop))
        with transaction(self._connection):
            self._connection.execute(
                "INSERT OR REPLACE INTO sealed (kind, start, stop, file, n, first, last) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (kind, start, stop, path.name, len(rows), int(rows.t[0]), int(rows.t[-1])),
            )
        done.file_bytes += path.stat().st_size
        if kind == "sample":
            done.days.append(day)
            done.samples += len(rows)
        else:
            done.months.append(day)
            done.minutes += len(rows)

    # -- out of the store -----------------------------------------------------------------------------------

    def _clear(self, kind: Kind, start: int, stop: int, rows: Rows | None = None) -> bool:
        """Take rows that the file holds out of the store; whether others, late ones, are left there."""
        if rows is None:
            (file,) = sealed.between(self._connection, kind, start, stop)
            held = self._connection.execute(
                f"SELECT DISTINCT channel FROM {kind} WHERE t >= ? AND t < ?", (start, stop)
            )
            rows = reading.in_file(self._connection, file, start, stop, {channel for (channel,) in held})
        begin, length, late = start, _FIRST_PIECE_MS if kind == "sample" else HOUR_MS, False
        while begin < stop:
            end = min(begin + length, stop)
            with transaction(self._connection):
                began = time.monotonic()
                if not sealed.is_sealed(self._connection, kind, start):
                    return True
                late |= self._clear_piece(kind, begin, end, rows.between(begin, end), stop)
                taken = time.monotonic() - began
            begin, length = end, max(1000, int(length * min(2.0, _PIECE_S / max(taken, 1e-6))))
        return late

    def _clear_piece(self, kind: Kind, start: int, stop: int, in_file: Rows, end: int) -> bool:
        here = from_store(self._connection, kind, start, stop)
        if not len(here):
            return False
        goes = here.found_in(in_file)
        late = bool((~goes).any())
        if kind == "sample":
            goes &= ~self._still_needed(here, end)
        if goes.all():
            self._connection.execute(f"DELETE FROM {kind} WHERE t >= ? AND t < ?", (start, stop))
        else:
            gone = here.where(goes)
            self._connection.executemany(
                f"DELETE FROM {kind} WHERE t = ? AND channel = ?",
                zip(gone.t.tolist(), gone.channel.tolist(), strict=True),
            )
        return late

    def _still_needed(self, rows: Rows, end: int) -> Flags:
        """Means that reach past the end of their day, into one whose samples are not sealed."""
        reach = self._reach(rows)
        beyond: Flags = reach > end
        for at in np.flatnonzero(beyond):
            days = range(end, int(reach[at]), DAY_MS)
            beyond[at] = not all(sealed.is_sealed(self._connection, "sample", day) for day in days)
        return beyond

    # -- back into the store --------------------------------------------------------------------------------

    def _bring_back_day(self, start: int) -> None:
        """A sealed day, its month of minutes, and the means of days before that reach into it."""
        for month in sealed.between(self._connection, "minute", start, start + DAY_MS):
            self._bring_back("minute", month.start, month.stop)
        for day in sealed.between(self._connection, "sample", start - self._longest(start), start):
            before = reading.in_file(self._connection, day, day.start, day.stop)
            self._insert("sample", before.where(self._reach(before) > start))
        self._bring_back("sample", start, start + DAY_MS)

    def _longest(self, start: int) -> int:
        (longest,) = self._connection.execute(
            "SELECT coalesce(max(interval_ms), 0) FROM span WHERE start < ? AND stop >= ?", (start, start)
        ).fetchone()
        return int(longest) if longest > rollup.MINUTE_MS else 0

    def _bring_back(self, kind: Kind, start: int, stop: int) -> None:
        (file,) = sealed.between(self._connection, kind, start, stop)
        rows = reading.in_file(self._connection, file, start, stop)
        if kind == "sample":
            self._note_superseded(rows, start, stop)
        self._insert(kind, rows)
        with transaction(self._connection):
            self._connection.execute("UPDATE sealed SET reopened = 1 WHERE kind = ? AND start = ?", (kind, start))

    def _insert(self, kind: Kind, rows: Rows) -> None:
        columns = COLUMNS[kind]
        statement = (
            f"INSERT OR IGNORE INTO {kind} (t, channel, {', '.join(columns)}) VALUES (?, ?{', ?' * len(columns)})"
        )
        for begin in range(0, len(rows), _MOST_ROWS):
            piece = rows.where(slice(begin, begin + _MOST_ROWS))
            with transaction(self._connection):
                self._connection.executemany(
                    statement, zip(piece.t.tolist(), piece.channel.tolist(), *piece.values.tolist(), strict=True)
                )

    def _note_superseded(self, rows: Rows, start: int, stop: int) -> None:
        """A late row of the same time and channel wins; the value that it replaces goes to the rejects."""
        here = from_store(self._connection, "sample", start, stop)
        other = rows.keyed_in(here) & ~rows.found_in(here)
        if not other.any():
            return
        old = rows.where(other)
        names = {number: name for name, number in self._ids().items()}
        words = {(c, code): word for c, code, word in self._connection.execute("SELECT * FROM label")}
        kept = [
            (t, "archive", f"{names[channel]} = {words.get((channel, value), value)}".encode(), "superseded")
            for t, channel, value in zip(old.t.tolist(), old.channel.tolist(), old.values[0].tolist(), strict=True)
        ]
        with transaction(self._connection):
            keep_rejects(self._connection, kept)

    def _give_space_back(self) -> None:
        """The file shrinks by what was taken out, in short steps."""
        while True:
            (free,) = self._connection.execute("PRAGMA freelist_count").fetchone()
            if not free:
                break
            # Each step of this pragma frees one page, and only a script is stepped to its end.
            self._connection.executescript(f"PRAGMA incremental_vacuum({_VACUUM_PAGES})")
            (left,) = self._connection.execute("PRAGMA freelist_count").fetchone()
            if left >= free:
                break
        self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()


def about(connection: sqlite3.Connection, start: int, stop: int) -> dict[str, Any]:
    """Units, words, spans and settings that stand behind a stretch of the record, for the metadata of a file."""
    words: dict[str, dict[str, str]] = {}
    for name, code, word in connection.execute(
        "SELECT channel.name, code, label.name FROM label JOIN channel ON channel.id = label.channel"
    ):
        words.setdefault(name, {})[str(code)] = word
    spans = connection.execute(
        "SELECT name, start, stop, interval_ms, label, source FROM span JOIN channel ON id = channel "
        "WHERE start < ? AND stop > ? ORDER BY name, start",
        (stop, start),
    )
    in_force = connection.execute(
        "SELECT start, stop, hash, text FROM settings WHERE start < ? AND (stop IS NULL OR stop > ?) ORDER BY start",
        (stop, start),
    )
    return {
        "start": start,
        "stop": stop,
        "units": dict(connection.execute("SELECT name, unit FROM channel ORDER BY name")),
        "words": words,
        "spans": [list(row) for row in spans],
        "settings": [list(row) for row in in_force],
    }
