"""Whoever may only read sees the record, whatever state its files are in; and readers never hold the log long."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from logger.errors import StoreError
from logger.schema import prepare
from logger.store import LOG_MOST, Channels, WritingConnection, open_reader, open_writer, savepoint, transaction

NOBODY = 65534
ROOT = Path(__file__).parents[2]
READ = """
import json, os, sys
from pathlib import Path
from logger.errors import StoreError
from logger.store import open_reader
path = Path(sys.argv[1])
# Only now: the interpreter's own files may be closed to others.
os.setgroups([])
os.setgid(int(sys.argv[2]))
os.setuid(int(sys.argv[2]))
connection = open_reader(path)
for _ in sys.stdin:
    texts = [text for (text,) in connection.execute("SELECT text FROM logbook ORDER BY id")]
    print(json.dumps(texts), flush=True)
connection.close()
"""
WRITE = """
import os, signal, sys
from pathlib import Path
from logger.store import open_writer
connection = open_writer(Path(sys.argv[1]))
connection.execute("INSERT INTO logbook (t, author, text) VALUES (1, 'mate', 'before the end')")
if sys.argv[2] == "kill":
    os.kill(os.getpid(), signal.SIGKILL)
print("written", flush=True)
sys.stdin.readline()
connection.close()
"""


another_user = pytest.mark.skipif(os.geteuid() != 0, reason="needs root, to read as another user")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that others may look into; pytest's own are closed to them."""
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.fixture
def path(folder: Path) -> Path:
    prepare(folder / "lapwing.db")
    return folder / "lapwing.db"


class Onlooker:
    """Another user's process with one open reader, which looks when asked."""

    def __init__(self, path: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", READ, str(path), str(NOBODY)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={"PYTHONPATH": str(ROOT)},
        )

    def sees(self) -> Any:
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def __enter__(self) -> Onlooker:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()


def _writes(path: Path, how: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-P", "-c", WRITE, str(path), how],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": str(ROOT)},
    )


def _side_files(path: Path) -> set[str]:
    return {p.name.removeprefix(path.name) for p in path.parent.glob(f"{path.name}-*")}


@another_user
def test_another_user_reads_while_it_is_written(path: Path) -> None:
    """The store is open elsewhere; what was just committed is seen."""
    with _writes(path, "stay") as writer:
        assert writer.stdout
        assert writer.stdout.readline() == "written\n"
        with Onlooker(path) as onlooker:
            assert onlooker.sees() == ["before the end"]
        writer.communicate("\n")


@another_user
def test_another_user_reads_after_a_kill(path: Path) -> None:
    """The writer is gone and left its side files: what it had committed is seen, and nothing is repaired."""
    with _writes(path, "kill") as writer:
        writer.wait()
    assert _side_files(path) == {"-wal", "-shm"}
    before = path.read_bytes()
    with Onlooker(path) as onlooker:
        assert onlooker.sees() == ["before the end"]
    assert path.read_bytes() == before


@another_user
def test_another_user_reads_after_a_clean_stop(path: Path) -> None:
    """No side files, and none can be made: the file is read as it stands."""
    with _writes(path, "stay") as writer:
        writer.communicate("\n")
    assert _side_files(path) == set()
    with Onlooker(path) as onlooker:
        assert onlooker.sees() == ["before the end"]
    assert _side_files(path) == set()


@another_user
def test_another_user_reads_a_copy_without_its_index(path: Path) -> None:
    """The file and its log were copied, the index was not: what stands only in the log is seen."""
    with _writes(path, "kill") as writer:
        writer.wait()
    copy = path.parent / "copy.db"
    shutil.copy(path, copy)
    shutil.copy(f"{path}-wal", f"{copy}-wal")
    before = (copy.read_bytes(), Path(f"{copy}-wal").read_bytes())
    with Onlooker(copy) as onlooker:
        assert onlooker.sees() == ["before the end"]
    assert (copy.read_bytes(), Path(f"{copy}-wal").read_bytes()) == before
    assert _side_files(copy) == {"-wal"}


@another_user
@pytest.mark.parametrize("left", ["nothing", "log"])
def test_a_reader_of_a_still_store_sees_it_come_to_life(path: Path, left: str) -> None:
    """One reader, held open: a logger starts, and the same reader sees what that commits."""
    if left == "log":
        with _writes(path, "kill") as writer:
            writer.wait()
        Path(f"{path}-shm").unlink()
    with Onlooker(path) as onlooker:
        first = onlooker.sees()
        with closing(open_writer(path)) as connection:
            connection.execute("INSERT INTO logbook (t, author, text) VALUES (2, 'mate', 'alive')")
            assert onlooker.sees() == [*first, "alive"]
        assert onlooker.sees() == [*first, "alive"]


@another_user
def test_a_store_that_may_not_be_read_is_said(path: Path) -> None:
    """The message says what would allow it."""
    path.chmod(0o600)
    done = subprocess.run(
        [sys.executable, "-P", "-c", READ, str(path), str(NOBODY)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert f"this user may not read it; its owner can allow it with: chmod o+r {path}" in done.stderr


def test_what_a_killed_writer_left_is_read_by_its_owner(path: Path) -> None:
    """The same user needs no detour."""
    with _writes(path, "kill") as writer:
        writer.wait()
    with closing(open_reader(path)) as reader:
        assert reader.execute("SELECT text FROM logbook").fetchall() == [("before the end",)]


# -- the log ------------------------------------------------------------------------------------------------------


def _log_size(path: Path) -> int:
    log = path.with_name(path.name + "-wal")
    return log.stat().st_size if log.exists() else 0


def _fill(connection: WritingConnection, n: int) -> None:
    with transaction(connection):
        connection.execute("INSERT INTO logbook (t, author, text) VALUES (?, 'mate', ?)", (n, "x" * 500_000))


class Relay:
    """Two readers in threads: neither lets go before the other has begun to read, so that one always reads."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._turns = (threading.Semaphore(1), threading.Semaphore(0))
        self._begun = threading.Semaphore(0)
        self._end = threading.Event()
        self._threads = [threading.Thread(target=self._read, args=(n,)) for n in (0, 1)]

    def _read(self, n: int) -> None:
        with closing(open_reader(self._path)) as reader:
            while not self._end.is_set():
                self._turns[n].acquire()
                held = reader.execute("SELECT t FROM logbook")
                held.fetchone()
                self._begun.release()
                self._turns[1 - n].release()
                # The other takes its turn, and hands it back, while this one still reads.
                self._turns[n].acquire()
                self._turns[n].release()
                held.close()

    def __enter__(self) -> Relay:
        for thread in self._threads:
            thread.start()
        self._begun.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        for turn in self._turns:
            turn.release(2)
        for thread in self._threads:
            thread.join()


def test_readers_that_overlap_do_not_let_the_log_grow(path: Path) -> None:
    """One reader always reads an older state: SQLite by itself would never start the log anew."""
    with closing(open_writer(path)) as writer:
        _fill(writer, 0)
        _fill(writer, 1)
        largest = 0
        with Relay(path):
            for n in range(2, 80):
                _fill(writer, n)
                largest = max(largest, _log_size(path))
        assert largest <= 16 << 20
        assert writer.execute("SELECT count(*) FROM logbook").fetchone() == (80,)


def test_a_reader_that_holds_on_costs_little_and_the_log_shrinks_after_it(path: Path) -> None:
    """While a half-read statement pins the log every commit still succeeds; after it the log is short again."""
    with closing(open_writer(path)) as writer, closing(open_reader(path)) as reader:
        _fill(writer, 0)
        _fill(writer, 1)
        held = reader.execute("SELECT t FROM logbook")
        held.fetchone()
        for n in range(2, 30):
            _fill(writer, n)
        assert _log_size(path) > LOG_MOST
        held.close()
        for n in range(30, 33):
            _fill(writer, n)
        assert _log_size(path) <= LOG_MOST
        assert writer.execute("PRAGMA busy_timeout").fetchone() == (30_000,)


# -- ids ------------------------------------------------------------------------------------------------------------


def test_ids_of_a_rolled_back_transaction_are_not_trusted(path: Path) -> None:
    """What a rollback took away is made anew, though another writer has taken the number meanwhile."""
    with closing(open_writer(path)) as writer, closing(open_writer(path)) as other:
        channels = Channels(writer)
        with suppress(RuntimeError), transaction(writer):
            stage = channels.id("controller.cabin.stage", "text")
            channels.code(stage, "bulk")
            raise RuntimeError
        with transaction(other):
            Channels(other).id("bank.house.voltage", "V")
        with transaction(writer):
            again = channels.id("controller.cabin.stage", "text")
            channels.code(again, "bulk")
        names = dict(writer.execute("SELECT id, name FROM channel"))
        assert names[again] == "controller.cabin.stage"
        assert writer.execute("SELECT channel, name FROM label").fetchall() == [(again, "bulk")]


def test_ids_of_a_rolled_back_part_are_not_trusted(path: Path) -> None:
    """The rest of the transaction goes on, with ids that exist."""
    with closing(open_writer(path)) as writer:
        channels = Channels(writer)
        with transaction(writer):
            with suppress(RuntimeError), savepoint(writer):
                channels.id("bank.house.voltage", "V")
                raise RuntimeError
            found = channels.id("bank.house.current", "A")
            assert set(channels.ids) == {"bank.house.current"}
        assert writer.execute("SELECT id, name FROM channel").fetchall() == [(found, "bank.house.current")]


def test_what_is_no_store_stays_an_error(tmp_path: Path) -> None:
    """The detours for still stores hide no damage."""
    (tmp_path / "x.db").write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    with pytest.raises(StoreError, match=r"store .*x\.db"):
        open_reader(tmp_path / "x.db")
