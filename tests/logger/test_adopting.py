"""A store that was lost leaves half of its record in the archive: a fresh one takes it up, and overwrites nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from logger import reading, rollup, sealed
from logger.adopting import ADOPTED, adopt
from logger.archive import Archive
from logger.schema import prepare
from logger.sealed import DAY_MS
from logger.store import Channels, WritingConnection, keep_settings, open_writer, transaction
from logger.words import time_in_words
from tests.logger.archives import FIRST, FOR_EVER, HOUR, MINUTE, STAGE, VOLTS, everything, insert, seal, store
from tests.logger.test_archive import FOUR_DAYS, LATER, MEAN_SPAN, MEANS


@contextmanager
def fresh(path: Path) -> Iterator[WritingConnection]:
    """A store begun anew in the place of one that is gone; it has met the words in another order."""
    for name in ("", "-wal", "-shm"):
        path.with_name(path.name + name).unlink(missing_ok=True)
    prepare(path)
    with closing(open_writer(path)) as connection:
        with transaction(connection):
            channels = Channels(connection)
            channels.id("fan.electrics.speed", "1/min")
            stage = channels.id("controller.cabin.stage", "text")
            assert channels.code(stage, "bulk") == 0
            keep_settings(connection, LATER, "def", "[site] # later")
        yield connection


def named(connection: sqlite3.Connection) -> tuple[dict[str, list[object]], dict[str, list[tuple[object, ...]]]]:
    """All that the record holds, by names instead of numbers, words instead of codes."""
    names = dict(connection.execute("SELECT id, name FROM channel"))
    words = {(names[c], float(code)): word for c, code, word in connection.execute("SELECT * FROM label")}
    samples, tables = everything(connection)
    told: dict[str, list[object]] = {}
    for t, channel, value in sorted(samples):
        told.setdefault(names[channel], []).append((t, words.get((names[channel], value), value)))
    rows = {
        table: sorted((t, names[c], *(words.get((names[c], v), v) for v in rest[:3]), rest[3]) for t, c, *rest in found)
        for table, found in tables.items()
    }
    return told, rows


@pytest.mark.parametrize("minutes_too", [False, True])
def test_a_fresh_store_reads_as_the_old_one_did(tmp_path: Path, minutes_too: bool) -> None:
    """Samples, minutes, hours, days, words, spans, marks and settings: all that files hold, and what comes of it."""
    path, now = tmp_path / "x.db", LATER + (500 * DAY_MS if minutes_too else 0)
    # Without an hour of "bulk" a day: between two words that were seen as often the number of the code decides.
    samples = [row for row in FOUR_DAYS if row[1] != STAGE or (row[0] - FIRST) % DAY_MS // HOUR != 3]
    samples += [row for row in MEANS if row[0] < FIRST + 4 * DAY_MS - HOUR]
    with store(path, samples, [MEAN_SPAN]) as connection:
        with transaction(connection):
            marked = [(t, VOLTS, "out of range") for t, channel, _ in samples if channel == VOLTS and t % 7 == 0]
            connection.executemany("INSERT INTO mark VALUES (?, ?, ?)", marked)
            rollup.refresh(connection, FIRST, FIRST + 6 * DAY_MS, FOR_EVER)
        seal(connection, path, now)
        before = named(connection)
        assert len(marked) > 3
    with fresh(path) as connection:
        done = seal(connection, path, now)
        assert named(connection) == before
        assert len(done.days) == 4
        kept = connection.execute("SELECT t, name, reason FROM mark JOIN channel ON id = channel ORDER BY t").fetchall()
        assert kept == [(t, "bank.house.voltage", reason) for t, _, reason in sorted(marked)]
        assert connection.execute("SELECT start, stop, hash FROM settings ORDER BY start").fetchall() == [
            (0, LATER, "abc"),
            (LATER, None, "def"),
        ]
        assert seal(connection, path, now).days == []
    with closing(sqlite3.connect(path)) as reader:
        (held,) = time_in_words(reader, "controller.cabin.stage", [FIRST], DAY_MS)
    assert set(held) == {"off", "bulk"}


def test_what_was_recorded_since_stands(tmp_path: Path) -> None:
    """A row of the fresh store wins over the file's, and nothing else of that day is written over."""
    path = tmp_path / "x.db"
    with store(path, FOUR_DAYS) as connection:
        seal(connection, path, LATER)
        (count,) = connection.execute("SELECT sum(n) FROM sealed").fetchone()
    with fresh(path) as connection:
        with transaction(connection):
            number = Channels(connection).id("bank.house.voltage", "V")
            insert(connection, [(FIRST, number, 99.0), (FIRST + 30_000, number, 98.0)])
        seal(connection, path, LATER)
        rows = reading.rows(connection, "sample", 0, FOR_EVER)
        own = rows.where(rows.channel == number)
        assert len(rows) == count + 1
        assert own.values[0, :2].tolist() == [99.0, 12.01]
        assert 98.0 in own.values[0]
        (high,) = connection.execute("SELECT high FROM day WHERE t = ? AND channel = ?", (FIRST, number)).fetchone()
        assert high == 99.0


def test_a_file_that_does_not_read_is_set_aside(tmp_path: Path) -> None:
    """It keeps its bytes under another name, the record says so, and the others are taken up."""
    path = tmp_path / "x.db"
    with store(path, FOUR_DAYS) as connection:
        seal(connection, path, LATER)
    damaged = tmp_path / "archive" / "x-2024-01-03.parquet"
    data = damaged.read_bytes()[:-20]
    damaged.write_bytes(data)
    with fresh(path) as connection, sealed.at_work(path):
        assert adopt(connection) == [FIRST, FIRST + 2 * DAY_MS, FIRST + 3 * DAY_MS]
        assert adopt(connection) == []
        told = [text for (text,) in connection.execute("SELECT text FROM event WHERE kind = ? ORDER BY id", (ADOPTED,))]
    (aside,) = (tmp_path / "archive").glob("x-2024-01-03.parquet.damaged-*")
    assert aside.read_bytes() == data
    assert told == [
        "3 files that the store did not know were taken up",
        f"{aside.name}: does not read and was set aside",
    ]


def test_files_of_others_are_left_alone(tmp_path: Path) -> None:
    """Neither another store's files, nor anything that merely lies there."""
    with store(tmp_path / "y.db", FOUR_DAYS) as connection:
        seal(connection, tmp_path / "y.db", LATER)
    (tmp_path / "archive" / "x-notes.txt").write_text("mine")
    with store(tmp_path / "x.db", [(FIRST, VOLTS, 1.0), (FIRST + MINUTE, VOLTS, 1.0)]) as connection:
        assert sealed.unknown_files(connection) == []
        assert [day.isoformat() for day in Archive(connection).seal(1, LATER).days] == ["2024-01-02"]
        assert len(reading.rows(connection, "sample", 0, FOR_EVER)) == 2
