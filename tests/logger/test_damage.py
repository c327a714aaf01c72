"""A damaged store is moved aside, a fresh one begun, and what reads of the old one is brought back."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger import damage, salvage
from logger.errors import StoreError
from logger.rollup import refresh
from logger.schema import prepare, prepare_sound
from logger.store import HOUR_MS, Channels, claim, keep_settings, open_writer, transaction
from tests.aboard.rig import until

NOON = 1_781_265_600_000
HOURS, PER_HOUR = 24, 360
PAGE = 2048


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A day of volts and of a stage, with rollups, an event and a page of the logbook; stopped cleanly."""
    path = tmp_path / "lapwing.db"
    prepare(path)
    with closing(open_writer(path)) as connection, transaction(connection):
        channels = Channels(connection)
        volts, stage = channels.id("bank.house.voltage", "V"), channels.id("controller.cabin.stage", "text")
        words = [channels.code(stage, word) for word in ("bulk", "float")]
        for n in range(HOURS * PER_HOUR):
            t = NOON + n * HOUR_MS // PER_HOUR
            connection.execute("INSERT INTO sample VALUES (?, ?, ?)", (t, volts, 24.0 + n / 10_000))
            connection.execute("INSERT INTO sample VALUES (?, ?, ?)", (t, stage, words[n % 2]))
        refresh(connection, NOON, NOON + HOURS * HOUR_MS, NOON + 10 * HOURS * HOUR_MS)
        keep_settings(connection, NOON - 1000, "h1", "[site]")
        connection.execute("INSERT INTO event (t, kind, text) VALUES (?, 'gap', '45.0 s without a reading')", (NOON,))
        connection.execute("INSERT INTO logbook (t, author, text) VALUES (?, 'mate', 'washed the modules')", (NOON,))
    return path


def ask(path: Path, query: str, *values: object) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path, timeout=30)) as connection:
        return connection.execute(query, values).fetchall()


def leaf_of_samples(path: Path, which: int = 10) -> int:
    """Number of a leaf page of the sample table, from 1."""
    query = "SELECT pageno FROM dbstat WHERE name = 'sample' AND pagetype = 'leaf' ORDER BY path"
    try:
        return int(str(ask(path, query)[which][0]))
    except sqlite3.OperationalError:  # an SQLite that was built without dbstat
        return path.stat().st_size // PAGE // 2


def zero(path: Path, page: int) -> None:
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(bytes(PAGE))


def truncate(path: Path) -> None:
    os.truncate(path, path.stat().st_size * 3 // 5 // PAGE * PAGE + 100)


def spoil_header(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"\xde\xad\xbe\xef" * 25)


def spoil_all(path: Path) -> None:
    path.write_bytes(bytes(range(256)) * 400)


DAMAGES: dict[str, tuple[Callable[[Path], None], float]] = {
    "page 3 is zero": (lambda path: zero(path, 3), 0.0),
    "a page of samples is zero": (lambda path: zero(path, leaf_of_samples(path)), 0.97),
    "the end is missing": (truncate, 0.3),
    "the header is garbage": (spoil_header, 0.99),
    "all is garbage": (spoil_all, 0.0),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_store_makes_room_and_gives_back_what_reads(name: str, store: Path) -> None:
    """Told, moved aside with a time in its name, an event in the fresh store, the readable rows back in it."""
    spoil, least = DAMAGES[name]
    before = ask(store, "SELECT t, name, value FROM sample JOIN channel ON id = channel")
    spoil(store)
    raw = store.read_bytes()
    subprocess.run([sys.executable, "-m", "logger.schema", str(store)], check=True, timeout=60)
    ((_kind, text),) = ask(store, "SELECT kind, text FROM event WHERE kind = 'damaged file'")
    until(lambda: ask(store, "SELECT 1 FROM event WHERE kind = 'salvage'"), "salvage")
    (aside,) = until(lambda: list(store.parent.glob("lapwing.db.damaged-*Z.salvaged")), "the end of it")
    assert aside.name.removesuffix(".salvaged") in str(text)
    assert aside.read_bytes() == raw
    after = ask(store, "SELECT t, name, value FROM sample JOIN channel ON id = channel")
    assert set(after) <= set(before)
    assert len(after) >= least * len(before)
    assert damage.found(store) is None
    assert damage.unfinished(store) == []
    if least > 0.9:
        assert ask(store, "SELECT start, stop, hash FROM settings") == [(NOON - 1000, None, "h1")]
        assert ask(store, "SELECT text FROM logbook") == [("washed the modules",)]
        assert ask(store, "SELECT text FROM event WHERE kind = 'gap'") == [("45.0 s without a reading",)]
        # An hour whose samples did not all read keeps the row that it had.
        assert ask(store, "SELECT count(*), min(n) FROM hour") == [(2 * HOURS, PER_HOUR)]
        assert ask(store, "SELECT count(*) FROM stale WHERE hour >= ?", NOON) == [(HOURS,)]


def test_salvage_repeats_without_doubling(store: Path) -> None:
    """A salvage that was killed is begun again by the next start."""
    zero(store, leaf_of_samples(store))
    aside = damage.set_aside(store)
    prepare(store)
    salvage.salvage(aside, store)
    tables = ("settings", "sample", "minute", "hour", "day", "logbook", "session")
    first = [ask(store, f"SELECT count(*) FROM {table}") for table in tables]
    aside.with_name(aside.name + ".salvaged").rename(aside)
    assert damage.unfinished(store) == [aside]
    assert salvage.salvage(aside, store).endswith("did not read to their end")
    assert [ask(store, f"SELECT count(*) FROM {table}") for table in tables] == first


def test_what_is_recorded_meanwhile_stands(store: Path) -> None:
    """The fresh store's own numbers of channels and words are kept; a reading of its own is not written over."""
    zero(store, leaf_of_samples(store))
    aside = damage.set_aside(store)
    prepare(store)
    with closing(open_writer(store)) as connection, transaction(connection):
        channels = Channels(connection)
        stage = channels.id("controller.cabin.stage", "text")
        connection.execute("INSERT INTO sample VALUES (?, ?, ?)", (NOON, stage, channels.code(stage, "float")))
        keep_settings(connection, NOON + 5000, "h2", "[site]")
    salvage.salvage(aside, store)
    settings = ask(store, "SELECT start, stop, hash FROM settings ORDER BY start")
    assert settings == [(NOON - 1000, NOON + 5000, "h1"), (NOON + 5000, None, "h2")]
    words = (
        "SELECT label.name FROM sample s JOIN channel c ON c.id = s.channel "
        "JOIN label ON label.channel = c.id AND code = value WHERE c.name LIKE '%stage' ORDER BY t LIMIT 3"
    )
    assert ask(store, words) == [("float",), ("float",), ("bulk",)]


def test_a_sound_store_is_left_where_it_is(store: Path) -> None:
    """Neither a whole one, nor an empty one, nor one that another logger has, nor a text named by mistake."""
    assert damage.found(store) is None
    prepare_sound(store)
    with claim(store):
        assert damage.found(store) is None
    text = store.with_name("noonmark.toml")
    text.write_text('[site]\nname = "Lapwing" # °\n' * 200, encoding="utf-8")
    assert damage.found(text) is None
    empty = store.with_name("empty.db")
    empty.touch()
    assert damage.found(empty) is None
    assert damage.found(store.with_name("none.db")) is None
    assert sorted(path.name for path in store.parent.glob("*.db*")) == ["empty.db", "lapwing.db"]


def test_the_look_at_a_start_is_bounded(store: Path) -> None:
    """A store that is too large to be looked at in time is taken as sound: damage is met while recording."""
    zero(store, leaf_of_samples(store))
    assert damage.found(store)
    assert damage.found(store, seconds=0) is None


def test_a_store_that_cannot_be_moved_is_told(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder is not ours."""

    def refuse(self: Path, target: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(StoreError, match=r"damaged, and cannot be moved aside \(Permission denied\); check the folder"):
        damage.set_aside(store)
