"""What the one writer keeps, and what it outlives."""

from __future__ import annotations

import logging
import os
import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger import store
from logger.batches import EventBatch, LiveBatch
from logger.errors import StoreError, StoreMissing
from logger.intervals import joined
from logger.outbox import FLUSH_AT, MAX_HELD, MOST_AT_ONCE, Outbox
from logger.plan import Plan
from logger.protocols import Stretch
from logger.readings import Reading, Record
from logger.rollup import refresh
from logger.schema import prepare
from logger.store import HOUR_MS, Channels, claim, open_writer, transaction
from logger.timeline import Timeline
from logger.writer import Writer

from ..aboard.rig import until
from .plans import channel
from .times import FakeClock

VOLTS, AMPS, STAGE = "bank.house.voltage", "bank.house.current", "controller.cabin.stage"
CHANNELS = {
    VOLTS: channel(1, VOLTS),
    AMPS: channel(2, AMPS, unit="A", low=-100.0, high=100.0),
    STAGE: channel(3, STAGE, is_text=True),
}
NOON = 1_781_265_600_000


def live(*moments: tuple[int, dict[str, float | str]], state: str = "reading") -> LiveBatch:
    records = tuple((t, Record(tuple(Reading(*pair) for pair in said.items()))) for t, said in moments)
    return LiveBatch("cabin controller", state, CHANNELS, records)


class Desk:
    """A store in a folder, a clock at noon, a writer; the store may be one that cannot be written yet."""

    def __init__(self, path: Path, prepared: bool = True) -> None:
        self.path = path
        if not path.exists():
            prepare(path)
        self.clock = FakeClock(NOON)
        self.outbox = Outbox()
        timeline = Timeline(self.clock, lambda t, text: self.outbox.put(EventBatch(t, None, "clock step", text)))
        self.plan = Plan("[site]", "h1", str(path), 30.0, (), prepared=prepared)
        self.writer = Writer(self.plan, self.clock, timeline, self.outbox)

    def ask(self, query: str, *values: object) -> list[tuple[object, ...]]:
        with closing(store.open_reader(self.path)) as connection:
            return connection.execute(query, values).fetchall()


@contextmanager
def desk(path: Path, prepared: bool = True) -> Iterator[Desk]:
    made = Desk(path, prepared)
    try:
        yield made
    finally:
        made.writer.close()


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    return tmp_path / "lapwing.db"


def test_a_flush_keeps_everything_in_one_commit(store_path: Path) -> None:
    """Samples, words, marks, rejects, events, the source, the session, the settings, the stale hour."""
    with desk(store_path) as d:
        d.outbox.put(live((NOON + 1000, {VOLTS: 27.1, AMPS: 4.2, STAGE: "bulk"}), (NOON + 2000, {VOLTS: 999.0})))
        d.outbox.put(LiveBatch("cabin controller", "reading", CHANNELS, (), ((NOON, b"boot", "not a reading"),), 7))
        d.outbox.put(EventBatch(NOON, "cabin controller", "gap", "45.0 s without a reading"))
        assert d.writer.flush()
        assert d.ask("SELECT t, name, value FROM sample JOIN channel ON id = channel ORDER BY t, name") == [
            (NOON + 1000, AMPS, 4.2),
            (NOON + 1000, VOLTS, 27.1),
            (NOON + 1000, STAGE, 0.0),
            (NOON + 2000, VOLTS, 999.0),
        ]
        assert d.ask("SELECT code, name FROM label") == [(0, "bulk")]
        assert d.ask("SELECT t, reason FROM mark") == [(NOON + 2000, "out of range")]
        assert d.ask("SELECT t, source, raw, reason FROM reject") == [
            (NOON, "cabin controller", b"boot", "not a reading")
        ]
        assert d.ask("SELECT t, session, source, kind, text FROM event") == [
            (NOON, 1, "cabin controller", "gap", "45.0 s without a reading")
        ]
        assert d.ask("SELECT * FROM source") == [("cabin controller", "reading", NOON + 2000, 4, 7)]
        assert d.ask("SELECT boot_id, started, monotonic_ns, stopped_cleanly FROM session") == [
            (d.clock.boot_id(), NOON, 5_000_000_000, 0)
        ]
        assert d.ask("SELECT start, stop, hash, text FROM settings") == [(NOON, None, "h1", "[site]")]
        assert d.ask("SELECT hour, seq FROM stale") == [(NOON, 1)]
        assert d.ask("SELECT count(*) FROM span") == [(0,)]
        assert d.writer.finish()
        assert d.ask("SELECT stopped_cleanly FROM session") == [(1,)]


def test_counts_grow_over_sessions(store_path: Path) -> None:
    """A source's readings and rejects are counted over its whole life."""
    for second in (1, 2):
        with desk(store_path) as d:
            d.outbox.put(live((NOON + 1000 * second, {VOLTS: 27.1})))
            d.writer.flush()
    assert d.ask("SELECT readings, last_seen FROM source") == [(2, NOON + 2000)]
    assert d.ask("SELECT count(*) FROM settings") == [(1,)]


def test_a_reading_whose_place_is_taken_moves_to_the_next_millisecond(store_path: Path) -> None:
    """A clock that comes to the same time once more overwrites nothing and loses nothing; marks move along."""
    with desk(store_path) as d:
        for volts in (27.1, 27.2, 999.0):
            d.outbox.put(live((NOON, {VOLTS: volts, AMPS: 4.2})))
            d.writer.flush()
        assert d.ask("SELECT t - ?, value FROM sample JOIN channel ON id = channel WHERE name = ?", NOON, VOLTS) == [
            (0, 27.1),
            (1, 27.2),
            (2, 999.0),
        ]
        assert d.ask("SELECT t - ? FROM mark", NOON) == [(2,)]


def test_rows_are_written_as_intervals_close(store_path: Path) -> None:
    """The minute's row comes after the minute, the hour's after the hour, even when nothing more is heard."""
    with desk(store_path) as d:
        d.outbox.put(live((NOON + 1000, {VOLTS: 27.0}), (NOON + 2000, {VOLTS: 28.0})))
        d.writer.flush()
        assert d.ask("SELECT count(*) FROM minute") == [(0,)]
        d.clock.move(60)
        d.writer.flush()
        assert d.ask("SELECT t, mean, low, high, n FROM minute") == [(NOON, 27.5, 27.0, 28.0, 2)]
        assert d.ask("SELECT count(*) FROM hour") == [(0,)]
        d.clock.move(3600)
        d.writer.flush()
        assert d.ask("SELECT t, mean, n FROM hour") == [(NOON, 27.5, 2)]
        d.clock.move(86_400)
        d.writer.flush()
        assert d.ask("SELECT t, mean, n FROM day") == [(NOON // 86_400_000 * 86_400_000, 27.5, 2)]


def test_what_an_earlier_session_left_open_is_closed(store_path: Path) -> None:
    """It was killed within the minute; the next one writes the rows."""
    with desk(store_path) as d:
        d.outbox.put(live((NOON + 1000, {VOLTS: 27.0})))
        d.writer.flush()
    later = Desk(store_path)
    with closing(later.writer):
        later.clock.move(2 * 86_400)
        later.writer.flush()
        assert [later.ask(f"SELECT count(*) FROM {table}") for table in ("minute", "hour", "day")] == [[(1,)]] * 3


MOMENTS = st.lists(
    st.tuples(st.integers(0, 200_000), st.sampled_from([VOLTS, AMPS]), st.floats(0, 90), st.booleans()),
    min_size=1,
    max_size=40,
)


@given(MOMENTS)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_rollups_equal_what_the_samples_say(tmp_path: Path, moments: list[tuple[int, str, float, bool]]) -> None:
    """However the readings fall into flushes: once all is closed, every row equals one made afresh."""
    path = tmp_path / "rollups.db"
    path.unlink(missing_ok=True)
    with desk(path) as d:
        for passed_ms, name, value, flushes in moments:
            d.clock.move(passed_ms / 1000)
            d.outbox.put(live((d.clock.now_ms(), {name: value})))
            if flushes:
                d.writer.flush()
        d.writer.flush()
        d.clock.move(2 * 86_400)
        d.writer.flush()
        tables = ("minute", "hour", "day")
        grown = [d.ask(f"SELECT * FROM {table} ORDER BY t, channel") for table in tables]
        with closing(open_writer(path)) as connection, transaction(connection):
            for table in tables:
                connection.execute(f"DELETE FROM {table}")
            refresh(connection, NOON, d.clock.now_ms(), d.clock.now_ms())
        assert grown == [d.ask(f"SELECT * FROM {table} ORDER BY t, channel") for table in tables]
        assert sum(row[5] for row in grown[0]) == len(moments)  # type: ignore[misc]


def test_a_locked_store_costs_nothing(
    store_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Another writer holds it: readings stay in memory, one message, and all is written when it lets go."""
    caplog.set_level(logging.INFO)
    monkeypatch.setattr(store, "PRAGMAS", (*store.PRAGMAS[:-1], "PRAGMA busy_timeout = 20"))
    with desk(store_path) as d:
        d.writer.flush()
        with closing(open_writer(store_path)) as other, transaction(other):
            for second in range(3):
                d.outbox.put(live((NOON + 1000 * second, {VOLTS: float(second)})))
                d.clock.move(10)
                assert not d.writer.flush()
        assert d.writer.flush()
        d.writer.flush()
        assert d.ask("SELECT value FROM sample ORDER BY t") == [(0.0,), (1.0,), (2.0,)]
        assert d.ask("SELECT t - ?, kind, text FROM event", NOON) == [
            (10_000, "store trouble", "could not be written (database is locked); readings were kept in memory"),
            (30_000, "store restored", "written again after 20 s"),
        ]
    assert len(caplog.records) == 2


def test_much_to_write_is_written_early_unless_the_store_fails() -> None:
    """A long file does not wait for the flush interval; a full disk is not tried again without a pause."""
    outbox, clock = Outbox(), FakeClock()
    outbox.put(FakeBlock(FLUSH_AT, []))
    outbox.wait(clock, 30, early=True)
    assert clock.waits == []
    outbox.wait(clock, 30, early=False)
    assert clock.waits == [30]
    outbox.close()
    outbox.wait(clock, 30, early=False)
    assert clock.waits == [30]


class FaultyBatch:
    """Fails as often as told."""

    size = 1
    can_wait = False

    def __init__(self, *faults: Exception) -> None:
        self._faults = list(faults)

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        channels.id("bank.house.midpoint_voltage", "V")
        if self._faults:
            raise self._faults.pop(0)
        return []


def test_a_fault_in_mid_transaction_loses_and_doubles_nothing(store_path: Path) -> None:
    """The disk fails once: all of the flush comes again, channels that were made in it too."""
    with desk(store_path) as d:
        d.outbox.put(live((NOON, {VOLTS: 27.1})))
        d.outbox.put(FaultyBatch(sqlite3.OperationalError("disk I/O error")))
        assert not d.writer.flush()
        assert d.ask("SELECT count(*) FROM session") == [(0,)]
        assert d.writer.flush()
        assert d.ask("SELECT name, value FROM sample JOIN channel ON id = channel") == [(VOLTS, 27.1)]
        assert d.ask("SELECT count(*) FROM session") == [(1,)]


@pytest.mark.parametrize("fault", [sqlite3.IntegrityError("no"), OverflowError("too large"), KeyError("x")])
def test_a_batch_that_can_never_be_written_holds_up_no_other(store_path: Path, fault: Exception) -> None:
    """It is left out with a message; what stands beside it is kept."""
    with desk(store_path) as d:
        d.outbox.put(FaultyBatch(fault, fault, fault))
        d.outbox.put(live((NOON, {VOLTS: 27.1})))
        assert d.writer.flush()
        assert d.ask("SELECT name, value FROM sample JOIN channel ON id = channel") == [(VOLTS, 27.1)]


def test_memory_is_bounded_and_the_newest_stay(store_path: Path) -> None:
    """While the store cannot be written the oldest readings go first, and that is told."""
    with desk(store_path) as d:
        for n in range(MAX_HELD // 2 + 10):
            d.outbox.put(live((NOON + n, {VOLTS: float(n % 90)})))
        assert d.writer.flush()
        assert d.ask("SELECT count(*), min(t) - ?, max(t) - ? FROM sample", NOON, NOON) == [
            (MAX_HELD // 2, 10, MAX_HELD // 2 + 9)
        ]
        assert d.ask("SELECT t - ?, kind, text FROM event", NOON) == [
            (
                0,
                "lost readings",
                "10 readings from 2026-06-12T12:00:00Z to 2026-06-12T12:00:00Z had to go: memory was full",
            )
        ]


def test_what_gathered_is_written_in_pieces(store_path: Path) -> None:
    """Half an hour held in memory does not lock the store for a second; what stands already does not come again."""
    with desk(store_path) as d:
        for n in range(MOST_AT_ONCE // 2 + 10):
            d.outbox.put(live((NOON + n, {VOLTS: 27.0})))
        d.outbox.put(FaultyBatch(sqlite3.OperationalError("disk I/O error")))
        assert not d.writer.flush()
        # A record weighs two: itself and its reading.
        assert d.ask("SELECT count(*) FROM sample") == [(MOST_AT_ONCE // 2,)]
        assert d.writer.flush()
        assert d.ask("SELECT count(*), min(t) - ?, max(t) - ? FROM sample", NOON, NOON) == [
            (MOST_AT_ONCE // 2 + 10, 0, MOST_AT_ONCE // 2 + 9)
        ]


def test_a_full_memory_drops_no_block_of_a_file() -> None:
    """Its source reads on behind it: dropped rows would never come again."""
    outbox, block = Outbox(), FakeBlock(10, [])
    outbox.put(block)
    for n in range(MAX_HELD // 2 + 10):
        outbox.put(live((NOON + n, {VOLTS: 1.0})))
    lost = outbox.take_lost()
    assert lost
    assert (lost.count, lost.first) == (15, NOON)
    assert outbox.take()[0] is block
    assert outbox.take_lost() is None


def test_a_store_that_is_taken_away_and_put_back(store_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A disk was unmounted: nothing is written where it was mounted, and nothing is lost when it is back."""
    caplog.set_level(logging.INFO)
    disk = store_path.parent / "disk"
    disk.mkdir()
    with desk(disk / "lapwing.db") as d:
        d.writer.flush()
        disk.rename(store_path.parent / "away")
        for second in range(3):
            d.outbox.put(live((NOON + 1000 * second, {VOLTS: float(second)})))
            assert not d.writer.flush()
        assert not disk.exists()
        (store_path.parent / "away").rename(disk)
        assert d.writer.flush()
        assert d.ask("SELECT value FROM sample ORDER BY t") == [(0.0,), (1.0,), (2.0,)]
        assert [kind for (kind,) in d.ask("SELECT kind FROM event")] == ["store trouble", "store restored"]
    assert len(caplog.records) == 2


def test_a_store_that_becomes_anothers(caplog: pytest.LogCaptureFixture) -> None:
    """A copy was put back by root: readings stay in memory until the file is ours again."""
    caplog.set_level(logging.INFO)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lapwing.db"
        with desk(path) as d, nobody_special(path):
            d.outbox.put(live((NOON, {VOLTS: 27.0})))
            d.writer.flush()
            rights(path, 0o444, 0o555)
            d.outbox.put(live((NOON + 1000, {VOLTS: 27.1})))
            # Who has it open may go on; a fault has it opened again.
            d.outbox.put(FaultyBatch(sqlite3.OperationalError("disk I/O error")))
            assert not d.writer.flush()
            d.outbox.put(live((NOON + 2000, {VOLTS: 27.2})))
            assert not d.writer.flush()
            rights(path, 0o666, 0o777)
            assert d.writer.flush()
            assert d.ask("SELECT value FROM sample ORDER BY t") == [(27.0,), (27.1,), (27.2,)]
            assert [kind for (kind,) in d.ask("SELECT kind FROM event")] == ["store trouble", "store restored"]
    assert len(caplog.records) == 2


def test_a_store_that_is_anothers_from_the_start_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is held and brought up to date once it is given over; the session begins where the readings do."""
    # As somebody else this process may not start Python again.
    monkeypatch.setattr(Writer, "_by_another_process", lambda self, *how: prepare(self._store))
    caplog.set_level(logging.INFO)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lapwing.db"
        prepare(path)
        with nobody_special(path):
            rights(path, 0o444, 0o555)
            with desk(path, prepared=False) as d:
                for second in range(3):
                    d.outbox.put(live((NOON + 1000 * second, {VOLTS: float(second)})))
                    d.clock.move(60)
                    assert not d.writer.flush()
                rights(path, 0o666, 0o777)
                assert d.writer.flush()
                assert d.ask("SELECT value FROM sample ORDER BY t") == [(0.0,), (1.0,), (2.0,)]
                assert d.ask("SELECT started FROM session") == [(NOON,)]
                assert [kind for (kind,) in d.ask("SELECT kind FROM event")] == ["store trouble", "store restored"]
                with pytest.raises(StoreError, match="another logger records into it"), claim(path):
                    pass
    assert len(caplog.records) == 2


def rights(path: Path, file: int, folder: int) -> None:
    me = os.geteuid()
    os.seteuid(os.getuid())
    for part in ("", "-wal", "-shm"):
        if (there := path.with_name(path.name + part)).exists():
            there.chmod(file)
    path.parent.chmod(folder)
    os.seteuid(me)


@contextmanager
def nobody_special(path: Path) -> Iterator[None]:
    """Root may write whatever its rights: as somebody else for a while."""
    rights(path, 0o666, 0o777)
    if os.getuid() == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(os.getuid())


def test_a_deleted_store_is_begun_anew(store_path: Path) -> None:
    """Someone deletes the file under the logger: it does not write on into a file without a name."""
    with desk(store_path) as d:
        d.writer.flush()
        for part in ("", "-wal", "-shm"):
            store_path.with_name(store_path.name + part).unlink(missing_ok=True)
        d.outbox.put(live((NOON, {VOLTS: 27.1})))
        assert not d.writer.flush()
        assert d.writer.flush()
        assert d.ask("SELECT value FROM sample") == [(27.1,)]
        assert d.ask("SELECT count(*) FROM session") == [(1,)]
        with pytest.raises(StoreError, match="another logger records into it"), claim(store_path):
            pass


def test_damage_that_is_met_while_recording(store_path: Path) -> None:
    """The file is moved aside, what was held goes into a fresh one, what reads of the old one comes after it."""
    with desk(store_path) as d:
        d.outbox.put(live((NOON, {VOLTS: 27.1})))
        d.writer.flush()
        d.outbox.put(FaultyBatch(damage()))
        d.outbox.put(live((NOON + 1000, {VOLTS: 27.2})))
        assert not d.writer.flush()
        assert d.writer.flush()
        assert (27.2,) in d.ask("SELECT value FROM sample")
        until(lambda: d.ask("SELECT 1 FROM event WHERE kind = 'salvage'"), "salvage")
        assert d.ask("SELECT value FROM sample ORDER BY t") == [(27.1,), (27.2,)]
        kinds = {kind for (kind,) in d.ask("SELECT kind FROM event")}
        assert kinds == {"damaged file", "salvage", "store trouble", "store restored"}


def damage() -> sqlite3.DatabaseError:
    fault = sqlite3.DatabaseError("database disk image is malformed")
    fault.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return fault


class FakeBlock:
    """A block of a file: written in a transaction of its own."""

    can_wait = True

    def __init__(self, size: int, written: list[int], faults: int = 0) -> None:
        self.size = size
        self._written = written
        self._faults = faults

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        if self._faults:
            self._faults -= 1
            raise sqlite3.OperationalError("database is locked")
        number = channels.id(VOLTS, "V")
        connection.execute("INSERT INTO sample (t, channel, value) VALUES (?, ?, 1)", (NOON + 5, number))
        self._written.append(self.size)
        return [(NOON + 5, NOON + 6)]


def test_a_block_of_a_file_is_held_back_while_there_is_no_room() -> None:
    """A file can wait: its source stands still until the writer has taken what is there."""
    outbox, done = Outbox(), threading.Event()
    outbox.put(FakeBlock(MAX_HELD, []))

    def second() -> None:
        outbox.put(FakeBlock(1, []))
        done.set()

    thread = threading.Thread(target=second)
    thread.start()
    assert not done.is_set()
    assert len(outbox.take()) == 1
    assert done.wait(10)
    thread.join()
    assert len(outbox.take()) == 1


def test_a_block_is_written_by_itself_and_its_open_intervals_close(store_path: Path) -> None:
    """Live readings of the same flush stand already when a block fails; the block comes again; its minute closes."""
    written: list[int] = []
    with desk(store_path) as d:
        d.clock.move(30)
        d.outbox.put(FakeBlock(5, written, faults=1))
        d.outbox.put(live((NOON, {AMPS: 4.2})))
        assert not d.writer.flush()
        assert d.ask("SELECT value FROM sample") == [(4.2,)]
        assert d.writer.flush()
        assert written == [5]
        d.clock.move(60)
        d.writer.flush()
        assert d.ask("SELECT n FROM minute") == [(1,), (1,)]


def test_two_loggers_do_not_share_a_store(store_path: Path) -> None:
    """The second one is refused with a sentence; a missing store is refused too."""
    with pytest.raises(StoreMissing, match="there is none yet"), claim(store_path):
        pass
    prepare(store_path)
    with claim(store_path), pytest.raises(StoreError, match="another logger records into it"), claim(store_path):
        pass
    with claim(store_path):
        pass


def test_neighbouring_stretches_are_joined() -> None:
    """Within a minute of each other they are one."""
    assert joined([(HOUR_MS, HOUR_MS + 1), (0, 10), (60_010, 60_020), (5, 8)]) == [(0, 60_020), (HOUR_MS, HOUR_MS + 1)]


def test_readings_in_doubt_are_kept_and_marked(store_path: Path) -> None:
    """The mark lies on the reading, also where that brought a time of its own or had to move on."""
    with desk(store_path) as d:
        own = Record((Reading(VOLTS, 27.3),), NOON - 9000)
        moments = ((NOON, Record((Reading(VOLTS, 27.1),))), (NOON + 1, own))
        marks = ((NOON, VOLTS, "jump"), (NOON + 1, VOLTS, "stuck"))
        for _ in range(2):
            d.outbox.put(LiveBatch("cabin controller", "reading", CHANNELS, moments, marks=marks))
            d.writer.flush()
        assert d.ask("SELECT t - ?, reason FROM mark ORDER BY t", NOON) == [
            (-9000, "stuck"),
            (-8999, "stuck"),
            (0, "jump"),
            (1, "jump"),
        ]
        assert d.ask("SELECT count(*) FROM sample") == [(4,)]
