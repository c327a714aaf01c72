"""Owns short ways to fill, seal and compare stores in tests of the archive."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from logger import reading, rollup
from logger.archive import Archive, Done
from logger.rows import Rows
from logger.schema import prepare
from logger.sealed import DAY_MS, at_work
from logger.store import WritingConnection, open_writer, transaction

FIRST = 19_724 * DAY_MS  # 2024-01-02T00:00Z
VOLTS, AMPS, STAGE = 1, 2, 3
CHANNELS = {
    VOLTS: ("bank.house.voltage", "V"),
    AMPS: ("bank.house.current", "A"),
    STAGE: ("controller.cabin.stage", "text"),
}
MINUTE, HOUR = 60_000, 3_600_000
FOR_EVER = 1 << 52

Sample = tuple[int, int, float]
Span = tuple[int, int, int, int]


@contextmanager
def store(path: Path, samples: Iterable[Sample], spans: Iterable[Span] = ()) -> Iterator[WritingConnection]:
    """A store with these samples ``(t, channel, value)`` and spans ``(channel, start, stop, length)``, rolled up."""
    prepare(path)
    with closing(open_writer(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        with transaction(connection):
            connection.executemany("INSERT INTO channel VALUES (?, ?, ?)", [(n, *c) for n, c in CHANNELS.items()])
            connection.executemany("INSERT INTO label VALUES (?, ?, ?)", [(STAGE, 0, "off"), (STAGE, 1, "bulk")])
            connection.executemany(
                "INSERT INTO span VALUES (?, ?, ?, ?, 'start', ?)", [(*s, f"s{n}") for n, s in enumerate(spans)]
            )
            connection.execute("INSERT INTO settings (start, hash, text) VALUES (0, 'abc', '[site]')")
            insert(connection, samples)
        yield connection


def insert(connection: sqlite3.Connection, samples: Iterable[Sample]) -> None:
    """Samples as a live writer brings them: with their rollups, inside the caller's transaction."""
    rows = list(samples)
    connection.executemany("INSERT OR REPLACE INTO sample VALUES (?, ?, ?)", rows)
    if rows:
        rollup.refresh(connection, min(rows)[0], max(rows)[0] + 1, FOR_EVER)


def seal(connection: WritingConnection, path: Path, now: int, hot_days: int = 1) -> Done:
    with at_work(path):
        return Archive(connection).seal(hot_days, now)


def everything(connection: sqlite3.Connection) -> tuple[list[Sample], dict[str, list[tuple[float, ...]]]]:
    """All samples, and all rows of minutes, hours and days, wherever they lie."""
    samples = listed(reading.rows(connection, "sample", 0, FOR_EVER))
    tables = {"minute": listed(reading.rows(connection, "minute", 0, FOR_EVER))}
    for table in ("hour", "day"):
        tables[table] = connection.execute(
            f"SELECT t, channel, mean, low, high, n FROM {table} ORDER BY t, channel"
        ).fetchall()
    return samples, tables


def listed(rows: Rows) -> list[tuple[float, ...]]:
    return list(zip(rows.t.tolist(), rows.channel.tolist(), *rows.values.tolist(), strict=True))


def held(connection: sqlite3.Connection, table: str = "sample") -> list[int]:
    """Times of the rows that the store itself holds."""
    return [t for (t,) in connection.execute(f"SELECT t FROM {table} ORDER BY t")]
