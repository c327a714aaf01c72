"""The small writes that every writer shares: all or nothing, ids that hold, tables that stay bounded."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger import store as store_module
from logger.errors import StoreError, StoreMissing
from logger.schema import prepare
from logger.store import (
    MAX_RAW,
    MAX_REJECTS,
    Channels,
    keep_rejects,
    keep_settings,
    open_reader,
    open_writer,
    touch_hours,
    transaction,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    prepare(tmp_path / "lapwing.db")
    return tmp_path / "lapwing.db"


@pytest.fixture
def writer(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(open_writer(path)) as connection:
        yield connection


@pytest.mark.parametrize("opener", [open_reader, open_writer])
def test_a_store_is_never_made_by_opening_it(opener: object, tmp_path: Path) -> None:
    """A mistyped path makes no empty store; the message says what makes one."""
    with pytest.raises(StoreMissing, match="there is none yet; record or import something first"):
        getattr(store_module, opener.__name__)(tmp_path / "lapwing.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["open_reader", "open_writer"])
def test_what_is_no_database_is_said(name: str, tmp_path: Path) -> None:
    """A damaged or foreign file ends in the tree of errors, with its path."""
    (tmp_path / "x.db").write_text("nonsense " * 200, encoding="utf-8")
    with pytest.raises(StoreError, match=r"store .*x\.db: file is not a database"):
        getattr(store_module, name)(tmp_path / "x.db")


def test_a_reader_cannot_write(path: Path) -> None:
    """Whatever shows the record cannot change it."""
    with closing(open_reader(path)) as reader, pytest.raises(sqlite3.OperationalError, match="readonly database"):
        reader.execute("DELETE FROM channel")


def test_a_path_with_odd_letters_can_be_read(tmp_path: Path) -> None:
    """Blanks, percent and question marks in a folder's name are no parts of an address."""
    path = tmp_path / "at 50 % ? #1" / "häfen.db"
    prepare(path)
    with closing(open_reader(path)) as reader:
        assert reader.execute("SELECT count(*) FROM channel").fetchone() == (0,)


def test_a_transaction_is_all_or_nothing(writer: sqlite3.Connection) -> None:
    """What fails half way leaves nothing, and the next transaction can begin."""
    insert = "INSERT INTO logbook (t, author, text) VALUES (1, 'mate', ?)"
    with pytest.raises(sqlite3.IntegrityError, match=r"NOT NULL .* logbook\.text"), transaction(writer):
        writer.executemany(insert, [("x",), (None,)])
    assert writer.execute("SELECT count(*) FROM logbook").fetchone() == (0,)
    with transaction(writer):
        writer.execute(insert, ("x",))
    assert writer.execute("SELECT count(*) FROM logbook").fetchone() == (1,)


def test_a_reader_sees_only_whole_transactions(path: Path, writer: sqlite3.Connection) -> None:
    """While one writes, others read what was there before, without waiting."""
    with closing(open_reader(path)) as reader:
        with transaction(writer):
            writer.execute("INSERT INTO logbook (t, author, text) VALUES (1, 'mate', 'x')")
            assert reader.execute("SELECT count(*) FROM logbook").fetchone() == (0,)
        assert reader.execute("SELECT count(*) FROM logbook").fetchone() == (1,)


def test_two_writers_agree_on_ids_and_codes(path: Path, writer: sqlite3.Connection) -> None:
    """A channel or a word that another process made meanwhile keeps the id it got there."""
    mine = Channels(writer)
    with closing(open_writer(path)) as other:
        theirs = Channels(other)
        with transaction(other):
            stage = theirs.id("controller.cabin.stage", "text")
            bulk = theirs.code(stage, "bulk")
            assert theirs.code(stage, "float") != bulk
        with transaction(writer):
            assert mine.id("controller.cabin.stage", "text") == stage
            assert mine.code(stage, "bulk") == bulk
            assert mine.code(stage, "off") not in (bulk, mine.code(stage, "float"))
    assert Channels(writer).code(stage, "bulk") == bulk


def test_codes_start_at_zero_for_each_channel(writer: sqlite3.Connection) -> None:
    """Words are kept as small integers, each channel its own."""
    channels = Channels(writer)
    with transaction(writer):
        for name in ("controller.cabin.stage", "controller.gantry.stage"):
            channel = channels.id(name, "text")
            assert [channels.code(channel, word) for word in ("bulk", "float", "bulk")] == [0, 1, 0]


def test_touched_hours_count_their_touches(writer: sqlite3.Connection) -> None:
    """Whoever judges an hour can see that it changed again meanwhile."""
    touch_hours(writer, [0, 3_600_000])
    touch_hours(writer, [3_600_000])
    assert writer.execute("SELECT hour, seq FROM stale ORDER BY hour").fetchall() == [(0, 1), (3_600_000, 2)]


def test_rejects_are_bounded(writer: sqlite3.Connection) -> None:
    """The newest stay, each cut at a length, so that a babbling line cannot fill the disk."""
    with transaction(writer):
        keep_rejects(writer, ((n, "s", b"x" * 1000, "no record") for n in range(MAX_REJECTS + 7)))
    count, oldest, longest = writer.execute("SELECT count(*), min(t), max(length(raw)) FROM reject").fetchone()
    assert (count, oldest, longest) == (MAX_REJECTS, 7, MAX_RAW)


def test_settings_are_kept_from_when_they_came_into_force(writer: sqlite3.Connection) -> None:
    """The same file twice is one stretch; another ends the one before; the first may come back."""
    for t, digest in ((10, "a"), (20, "a"), (30, "b"), (40, "a")):
        keep_settings(writer, t, digest, f"text of {digest}")
    rows = writer.execute("SELECT start, stop, hash FROM settings ORDER BY start").fetchall()
    assert rows == [(10, 30, "a"), (30, 40, "b"), (40, None, "a")]
