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
import glob
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logger import adopting, parquet_files, reading, reopening, sealed
from logger.about import about, marks
from logger.rows import Flags, Rows, from_store
from logger.sealed import DAY_MS, Kind
from logger.settling import unsettled
from logger.store import HOUR_MS, WritingConnection, transaction

MINUTE_DAYS = 400
"""Minutes stay in the store so long [d], then whole months of them are sealed."""
# Other writers wait while a piece is taken away or brought back: far below the half second that is promised to them.
_PIECE_S = 0.15
_FIRST_PIECE_MS = 300_000
_VACUUM_PAGES = 2_000

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
    """The archive of one store. Hold `sealed.at_work` while using it.

    Parameters
    ----------
    connection : WritingConnection
        Outside a transaction.
    progress : callable, optional
        Called with a word about what is at hand.
    """

    def __init__(self, connection: WritingConnection, progress: Progress = lambda text: None) -> None:
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
        for start in adopting.adopt(self._connection):
            self._progress(date_of(start).isoformat())
            self._roll_up(start, now, done)
        hot = (now - hot_days * DAY_MS) // DAY_MS * DAY_MS
        # Readings whose clock nobody vouches for may yet be moved to another day.
        moving = unsettled(self._connection)

        def settled(stretch: tuple[int, int]) -> bool:
            return not any(start < stretch[1] and stop > stretch[0] for start, stop in moving)

        for day in filter(settled, self._held("sample", 0, hot, _day)):
            self._progress(date_of(day[0]).isoformat())
            if sealed.is_sealed(self._connection, "sample", day[0]):
                if not self._clear("sample", *day):
                    continue
                done.reopened.append(date_of(day[0]))
                reopening.bring_back_day(self._connection, day[0])
            self._seal_day(*day, now, done)
        # Means that reached into a day that is sealed by now.
        for day in filter(settled, self._held("sample", 0, hot, _day)):
            self._clear("sample", *day)
        old = min(_month(now - MINUTE_DAYS * DAY_MS)[0], _month(hot)[0])
        for month in filter(settled, self._held("minute", 0, old, _month)):
            self._progress(f"minutes of {date_of(month[0]):%Y-%m}")
            if sealed.is_sealed(self._connection, "minute", month[0]):
                if not self._clear("minute", *month):
                    continue
                for file in sealed.between(self._connection, "minute", *month):
                    reopening.bring_back(self._connection, file)
            self._write("minute", *month, reopening.read(self._connection, "minute", *month), done)
            self._clear("minute", *month)
        self._give_space_back()
        return done

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

    def _roll_up(self, start: int, now: int, done: Done) -> None:
        """Bring a sealed day back for its minutes, hours and days alone, and seal it as it was."""
        reopening.bring_back_day(self._connection, start)
        reopening.close_hours(self._connection, *_day(start), now)
        self._seal_day(*_day(start), now, done)

    # -- into a file ----------------------------------------------------------------------------------------

    def _seal_day(self, start: int, stop: int, now: int, done: Done) -> None:
        rows = reopening.read(self._connection, "sample", start, stop)
        reopening.follow(self._connection, start, stop, now, rows)
        self._write("sample", start, stop, rows, done)
        self._clear("sample", start, stop, rows)

    def _write(self, kind: Kind, start: int, stop: int, rows: Rows, done: Done) -> None:
        day = date_of(start)
        name = f"{self._stem}-{day.isoformat()}" if kind == "sample" else f"{self._stem}-minutes-{day:%Y-%m}"
        path = self._folder / f"{name}.parquet"
        names = {number: name for name, number in reopening.channel_numbers(self._connection).items()}
        meta = about(self._connection, start, stop)
        if kind == "sample":
            meta["marks"] = marks(self._connection, start, stop)
        parquet_files.write(path, kind, rows, names, meta)
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
        files = sealed.between(self._connection, kind, start, stop) if rows is None else []
        late, length = False, _FIRST_PIECE_MS if kind == "sample" else HOUR_MS
        for begin, end in reopening.windows(start, stop):
            if rows is not None:
                in_file = rows.between(begin, end)
            elif (held := self._channels_of(kind, begin, end)) and files:
                in_file = reading.in_file(self._connection, files[0], begin, end, held)
            else:
                continue
            at = begin
            while at < end:
                piece = min(at + length, end)
                with transaction(self._connection):
                    began = time.monotonic()
                    if not sealed.is_sealed(self._connection, kind, start):
                        return True
                    late |= self._clear_piece(kind, at, piece, in_file.between(at, piece), stop)
                    taken = time.monotonic() - began
                at, length = piece, max(1000, int(length * min(2.0, _PIECE_S / max(taken, 1e-6))))
        return late

    def _channels_of(self, kind: Kind, start: int, stop: int) -> set[int]:
        rows = self._connection.execute(f"SELECT DISTINCT channel FROM {kind} WHERE t >= ? AND t < ?", (start, stop))
        return {channel for (channel,) in rows}

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
        reach = reopening.reach(self._connection, rows)
        beyond: Flags = reach > end
        for at in np.flatnonzero(beyond):
            days = range(end, int(reach[at]), DAY_MS)
            beyond[at] = not all(sealed.is_sealed(self._connection, "sample", day) for day in days)
        return beyond

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
