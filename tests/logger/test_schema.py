"""The store has the tables and columns of the contract, survives being prepared again, and refuses a later one."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import sqlite_utils
from sqlite_utils.migrations import Migrations

from logger.errors import StoreError, StoreTooNew
from logger.schema import migrations, prepare
from logger.store import open_reader, open_writer

# The contract: columns of each table in any order, the key in its order; later columns may be added.
CONTRACT = {
    "channel": ("id name unit", "id"),
    "sample": ("t channel value", "t channel"),
    "label": ("channel code name", "channel code"),
    "minute": ("t channel mean low high n", "t channel"),
    "hour": ("t channel mean low high n", "channel t"),
    "day": ("t channel mean low high n", "channel t"),
    "span": ("channel start stop interval_ms label source", None),
    "mark": ("t channel reason", None),
    "reject": ("t source raw reason", None),
    "event": ("t session source kind text", None),
    "session": ("id boot_id started monotonic_ns stopped_cleanly clock", "id"),
    "source": ("name state last_seen readings rejects", "name"),
    "settings": ("start stop hash text", None),
    "logbook": ("t author text tags", None),
    "yield_day": ("method", None),
    "expected": ("method", None),
    "state": ("method", None),
    "ladder": ("clear_sky_wh bank_wh method", "array day"),
    "loop_resistance": ("method", None),
    "enclosure_model": ("method", None),
    "bank_state": ("method", None),
    "finding": ("id rule subject state priority since until summary evidence causes method", "id"),
}
WITHOUT_ROWID = ("sample", "minute", "hour", "day", "label")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "lapwing.db"
    prepare(path)
    return path


@pytest.fixture
def reader(store: Path) -> Iterator[sqlite3.Connection]:
    with closing(open_reader(store)) as connection:
        yield connection


@pytest.mark.parametrize("table", CONTRACT)
def test_tables_have_their_columns_and_key(table: str, reader: sqlite3.Connection) -> None:
    """Other tools are written against these names."""
    columns, key = CONTRACT[table]
    rows = reader.execute(f"PRAGMA table_info({table})").fetchall()
    assert set(columns.split()) <= {row[1] for row in rows}
    if key is not None:
        assert [row[1] for row in sorted(rows, key=lambda row: row[5]) if row[5]] == key.split()


@pytest.mark.parametrize("table", WITHOUT_ROWID)
def test_narrow_tables_have_no_row_ids(table: str, reader: sqlite3.Connection) -> None:
    """A sample costs 25 bytes without and half as much again with them."""
    (sql,) = reader.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    assert "WITHOUT ROWID" in sql


def test_every_connection_waits_and_syncs(store: Path) -> None:
    """WAL, FULL and incremental vacuum (SQLite pragma documentation: FULL is 2, incremental is 2); 30 s of patience."""
    with closing(open_writer(store)) as writer, closing(open_reader(store)) as reader:
        assert writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert writer.execute("PRAGMA synchronous").fetchone() == (2,)
        assert writer.execute("PRAGMA auto_vacuum").fetchone() == (2,)
        for connection in (writer, reader):
            assert connection.execute("PRAGMA busy_timeout").fetchone() == (30_000,)


def _content(path: Path) -> list[str]:
    with closing(open_reader(path)) as reader:
        return list(reader.iterdump())


def test_preparing_again_changes_nothing(store: Path) -> None:
    """Migrations are idempotent: the second call leaves every row and table as it was."""
    with closing(open_writer(store)) as writer:
        writer.execute("INSERT INTO channel (name, unit) VALUES ('bank.house.voltage', 'V')")
    before = _content(store)
    prepare(store)
    assert _content(store) == before


def test_each_past_schema_can_be_upgraded(tmp_path: Path) -> None:
    """A store left after any migration comes up to date, with its rows, and equals a new one."""
    prepare(tmp_path / "new.db")
    names = [migration.name for migration in migrations.pending(sqlite_utils.Database(memory=True))]
    for last in names:
        path = tmp_path / f"{last}.db"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            migrations.apply(sqlite_utils.Database(connection), stop_before=_after(names, last))
            connection.execute("INSERT INTO channel (name, unit) VALUES ('bank.house.voltage', 'V')")
            connection.commit()
        prepare(path)
        with closing(open_reader(path)) as old, closing(open_reader(tmp_path / "new.db")) as new:
            assert old.execute("SELECT name FROM channel").fetchall() == [("bank.house.voltage",)]
            query = "SELECT name, sql FROM sqlite_master ORDER BY name"
            assert old.execute(query).fetchall() == new.execute(query).fetchall()


def _after(names: list[str], last: str) -> str | None:
    place = names.index(last) + 1
    return names[place] if place < len(names) else None


def test_a_later_store_is_refused(store: Path) -> None:
    """A migration that this version does not know: nothing is touched, and the message says what to do."""
    later = Migrations("noonmark")

    @later()
    def moon_phases(db: sqlite_utils.Database) -> None:
        db.execute("CREATE TABLE moon (phase REAL)")

    with closing(sqlite3.connect(store)) as connection:
        later.apply(sqlite_utils.Database(connection))
        connection.commit()
    before = _content(store)
    with pytest.raises(StoreTooNew, match=r"later Noonmark wrote it \(it knows moon_phases\); update this one"):
        prepare(store)
    assert _content(store) == before


def test_folders_are_made(tmp_path: Path) -> None:
    """The store's folder need not exist."""
    prepare(tmp_path / "deep" / "down" / "lapwing.db")
    assert (tmp_path / "deep" / "down" / "lapwing.db").exists()


def test_what_is_no_store_is_left_alone(tmp_path: Path) -> None:
    """Another file under that name stays byte for byte, and the message says so."""
    path = tmp_path / "lapwing.db"
    path.write_text("not a database, " * 100, encoding="utf-8")
    with pytest.raises(StoreError, match="file is not a database; if it is damaged, 'noonmark record' moves it aside"):
        prepare(path)
    assert path.read_text(encoding="utf-8") == "not a database, " * 100


def test_a_folder_that_cannot_be_is_said(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "x").write_text("", encoding="utf-8")
    with pytest.raises(StoreError, match=r"store .*/x/lapwing.db: cannot be opened .*; check the folder and its owner"):
        prepare(tmp_path / "x" / "lapwing.db")


def test_the_child_process_tells_its_fault(tmp_path: Path) -> None:
    """``python -m logger.schema`` prepares the store, or says on standard error why not and exits 1."""
    command = [sys.executable, "-m", "logger.schema"]
    done = subprocess.run([*command, str(tmp_path / "a.db")], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    (tmp_path / "x").write_text("", encoding="utf-8")
    failed = subprocess.run([*command, str(tmp_path / "x" / "a.db")], capture_output=True, text=True, check=False)
    assert failed.returncode == 1
    assert failed.stderr.startswith("store ")
    assert "Traceback" not in failed.stderr
