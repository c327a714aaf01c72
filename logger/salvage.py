"""Owns bringing back what still reads of a damaged store, row by row, beside a logger that records.

``python -m logger.salvage DAMAGED STORE``. Repeating it adds nothing: every row keeps its key. When all that reads
is in the store the damaged file is renamed ``.salvaged``; it is never thrown away. Standard library only.
"""

from __future__ import annotations

import fcntl
import math
import os
import shutil
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from itertools import islice
from pathlib import Path

from logger.errors import NoonmarkError
from logger.rollup import refresh
from logger.store import (
    HOUR_MS,
    Channels,
    WritingConnection,
    keep_past_settings,
    open_writer,
    touch_hours,
    transaction,
)
from logger.trouble import SALVAGED

Row = tuple[object, ...]

_PIECE_ROWS = 2_000
_SPLIT, _DEEPEST = 64, 2
_HEADER = 100
_LATEST_MS = 4_102_444_800_000  # the year 2100
_ROLLUP = "INSERT INTO {table} (t, channel, mean, low, high, n) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET \
mean = excluded.mean, low = excluded.low, high = excluded.high, n = excluded.n WHERE excluded.n > n"
_PLAIN = {
    "session": "boot_id, started, monotonic_ns, stopped_cleanly, clock",
    "event": "t, source, kind, text",
    "logbook": "t, author, text, tags",
    "finding": "rule, subject, state, priority, since, until, summary, evidence, causes, method",
}


class Damaged:
    """A damaged store, read as far as it goes. Reading steps over what does not read.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path)
        self._connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
        # So that a file that is shorter than its header says is read as far as it goes.
        self._connection.execute("PRAGMA writable_schema = ON")
        self.holes = 0

    def close(self) -> None:
        self._connection.close()

    def reads(self) -> bool:
        """Whether it can be read at all."""
        try:
            self._connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.Error:
            return False
        return True

    def rows(self, table: str, columns: str, key: str, where: str = "1") -> Iterator[Row]:
        """Rows of a table in the order of a whole-number key, from its first column on; what does not read is left out.

        The key must be the first of `columns`.
        """
        low, high = -1, _LATEST_MS
        try:
            for row in self._select(table, columns, key, where, low, high):
                if isinstance(row[0], int):
                    low = row[0]
                yield row
        except sqlite3.Error:
            self.holes += 1
            yield from self._beyond(table, columns, key, where, low)

    def _beyond(self, table: str, columns: str, key: str, where: str, low: int) -> Iterator[Row]:
        """From the far end back to the damage, then whatever lies between the two ends of it."""
        high = _LATEST_MS
        with suppress(sqlite3.Error):
            for row in self._select(table, columns, key, where, low, high, "DESC"):
                if isinstance(row[0], int):
                    high = row[0]
                yield row
        yield from self._between(table, columns, key, where, low, high, 0)

    def _between(self, table: str, columns: str, key: str, where: str, low: int, high: int, deep: int) -> Iterator[Row]:
        step = max((high - low) // _SPLIT, 1)
        if deep >= _DEEPEST or high == _LATEST_MS or high - low < 2:
            return
        for begin in range(low, high, step):
            end = min(begin + step + 1, high)
            reached = begin
            try:
                for row in self._select(table, columns, key, where, begin, end):
                    if isinstance(row[0], int):
                        reached = row[0]
                    yield row
            except sqlite3.Error:
                if step > 1:
                    yield from self._between(table, columns, key, where, reached, end, deep + 1)

    def _select(
        self, table: str, columns: str, key: str, where: str, low: int, high: int, order: str = "ASC"
    ) -> Iterator[Row]:
        query = f"SELECT {columns} FROM {table} WHERE {where} AND {key} > ? AND {key} < ? ORDER BY {key} {order}"
        yield from self._connection.execute(query, (low, high))


class Salvage:
    """What reads of a damaged store, on its way into the one in use."""

    def __init__(self, damaged: Damaged, store: WritingConnection) -> None:
        self._damaged, self._store = damaged, store
        self._numbers: dict[int, int] = {}
        self._words: dict[tuple[int, int], int] = {}
        self._hours: set[int] = set()
        self.samples = 0

    def run(self) -> str:
        """Bring everything over; what was done, in a sentence."""
        self._channels()
        self._spans()
        self._samples()
        self._rollups()
        self._settings()
        for table, columns in _PLAIN.items():
            self._rows_of(table, columns)
        holes = self._damaged.holes
        rest = f"{holes} tables did not read to their end" if holes else "all its tables read to their end"
        return f"{self.samples} readings brought back; {rest}"

    def _channels(self) -> None:
        with transaction(self._store):
            channels = Channels(self._store)
            for old, name, unit in self._damaged.rows("channel", "id, name, unit", "id"):
                if isinstance(name, str) and isinstance(unit, str) and isinstance(old, int):
                    self._numbers[old] = channels.id(name, unit)
            for code, channel, word in self._damaged.rows("label", "code, channel, name", "code"):
                if isinstance(channel, int) and isinstance(code, int) and channel in self._numbers:
                    self._words[channel, code] = channels.code(self._numbers[channel], str(word))

    def _spans(self) -> None:
        columns = "start, channel, stop, interval_ms, label, source"
        with transaction(self._store):
            for start, channel, *rest in self._damaged.rows("span", columns, "start"):
                if (number := self._number(channel)) is not None:
                    self._store.execute(
                        "INSERT OR IGNORE INTO span (start, channel, stop, interval_ms, label, source) "
                        "VALUES (?, ?, ?, ?, ?, ?)",
                        (start, number, *rest),
                    )

    def _samples(self) -> None:
        self._copy_marks()
        rows = self._sound(self._damaged.rows("sample", "t, channel, value", "t"))
        while piece := list(islice(rows, _PIECE_ROWS)):
            with transaction(self._store):
                query = "INSERT OR IGNORE INTO sample (t, channel, value) VALUES (?, ?, ?)"
                self.samples += self._store.executemany(query, piece).rowcount
            self._hours |= {t // HOUR_MS * HOUR_MS for t, _, _ in piece}
        for hour in sorted(self._hours):
            with transaction(self._store):
                refresh(self._store, hour, hour + HOUR_MS, time.time_ns() // 1_000_000)
                touch_hours(self._store, [hour])

    def _copy_marks(self) -> None:
        rows = self._damaged.rows("mark", "t, channel, reason", "t")
        while piece := list(islice(rows, _PIECE_ROWS)):
            with transaction(self._store):
                self._store.executemany(
                    "INSERT OR IGNORE INTO mark (t, channel, reason) VALUES (?, ?, ?)",
                    [(t, n, str(why)) for t, channel, why in piece if (n := self._number(channel)) is not None],
                )

    def _sound(self, rows: Iterator[Row]) -> Iterator[tuple[int, int, float]]:
        """Of damaged pages some rows read and are nonsense."""
        for t, channel, value in rows:
            number = self._number(channel)
            if number is None or not isinstance(t, int) or not isinstance(value, (int, float)):
                continue
            if isinstance(channel, int) and math.isfinite(value):
                yield t, number, self._words.get((channel, int(value)), value)

    def _rollups(self) -> None:
        """Rows that the samples cannot give again: their samples are sealed elsewhere, or did not read."""
        for old, number in self._numbers.items():
            for table in ("minute", "hour", "day"):
                rows = self._damaged.rows(table, "t, mean, low, high, n", "t", where=f"channel = {old}")
                while piece := list(islice(rows, _PIECE_ROWS)):
                    with transaction(self._store):
                        self._store.executemany(
                            _ROLLUP.format(table=table), [(t, number, *rest) for t, *rest in piece if None not in rest]
                        )

    def _settings(self) -> None:
        """The settings files by which earlier days are judged; each ends where the next one begins."""
        rows = [row[1:] for row in self._damaged.rows("settings", "id, start, stop, hash, text", "id")]
        with transaction(self._store):
            keep_past_settings(self._store, rows)

    def _rows_of(self, table: str, columns: str) -> None:
        same = " AND ".join(f"{column.strip()} IS ?" for column in columns.split(","))
        places = ", ".join("?" * len(columns.split(",")))
        with transaction(self._store):
            for _, *row in self._damaged.rows(table, f"id, {columns}", "id"):
                if not self._store.execute(f"SELECT 1 FROM {table} WHERE {same}", row).fetchone():
                    self._store.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({places})", row)

    def _number(self, channel: object) -> int | None:
        return self._numbers.get(channel) if isinstance(channel, int) else None


def salvage(aside: Path, store: Path) -> str:
    """Bring over what reads, and note it in the store.

    Returns
    -------
    str
        What was done.

    Raises
    ------
    StoreError
        The store in use cannot be opened.
    """
    with closing(open_writer(store)) as connection:
        with _readable(aside, store) as damaged:
            said = Salvage(damaged, connection).run() if damaged else "nothing of it reads"
        text = f"{aside.name}: {said}"
        with transaction(connection):
            connection.execute(
                "INSERT INTO event (t, session, source, kind, text) VALUES (?, NULL, NULL, ?, ?)",
                (time.time_ns() // 1_000_000, SALVAGED, text),
            )
    aside.rename(aside.with_name(aside.name + ".salvaged"))
    for part in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            (log := aside.with_name(aside.name + part)).rename(log.with_name(f"{aside.name}.salvaged{part}"))
    return text


@contextmanager
def _readable(aside: Path, store: Path) -> Iterator[Damaged | None]:
    """The damaged store, or a copy with a header that reads, where the header alone is lost."""
    with closing(Damaged(aside)) as damaged:
        if damaged.reads():
            yield damaged
            return
    work = aside.with_name(aside.name + ".work")
    try:
        if not _with_a_header(aside, store, work):
            yield None
            return
        with closing(Damaged(work)) as damaged:
            yield damaged if damaged.reads() else None
    finally:
        for part in ("", "-wal", "-shm"):
            work.with_name(work.name + part).unlink(missing_ok=True)


def _with_a_header(aside: Path, store: Path, work: Path) -> bool:
    """A copy that begins as the fresh store does: page size and format are the same in both."""
    size = aside.stat().st_size
    if size <= _HEADER or size * 2 > shutil.disk_usage(aside.parent).free:
        return False
    shutil.copyfile(aside, work)
    with store.open("rb") as fresh, work.open("r+b") as copy:
        header = bytearray(fresh.read(_HEADER))
        page = int.from_bytes(header[16:18], "big")
        header[28:32] = (size // page).to_bytes(4, "big")
        header[32:40] = bytes(8)  # no free pages are known of
        copy.write(header)
    return True


def main(arguments: list[str]) -> int:
    aside, store = map(Path, arguments)
    os.nice(19)
    with aside.open("rb") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return 0  # one is at it already
        try:
            sys.stderr.write(f"store {store}: {salvage(aside, store)}\n")
        except (NoonmarkError, sqlite3.Error, OSError) as fault:
            # The next start tries again.
            sys.stderr.write(f"{aside}: salvage broken off ({fault}); the next start goes on with it\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
