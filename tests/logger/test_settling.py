"""Readings come to their true time when it becomes known, whatever the wall clock did before."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger import evidence, redating, settling, store
from logger.batches import EventBatch, LiveBatch
from logger.evidence import Evidence
from logger.outbox import Outbox
from logger.plan import Plan
from logger.readings import Reading, Record
from logger.rollup import refresh
from logger.schema import prepare
from logger.settling import Mover, Settling
from logger.store import Channels, open_reader, open_writer, transaction
from logger.timeline import Timeline
from logger.writer import Writer

from .plans import channel, source
from .times import FakeClock

VOLTS = "bank.house.voltage"
SOURCE = source(channel("V"), name="cabin controller")
EIGHT = 1_717_228_800_000  # 2024-06-01T08:00:00Z
SYNCED = 1_717_407_000_000  # 2024-06-03T09:30:00Z


class Machine:
    """One machine with its store: boots, sessions, a wall clock that may be set, a kernel that may vouch for it."""

    def __init__(self, path: Path, wall_ms: int = EIGHT) -> None:
        self.path = path
        if not path.exists():
            prepare(path)
        self.clock = FakeClock(wall_ms)
        self.clock.synchronised = None
        self.plan = Plan("[site]", "h1", str(path), 30.0, (SOURCE,))
        self.said = 0
        self.begin()

    def begin(self) -> None:
        """A session begins."""
        with closing(open_reader(self.path)) as connection:
            offset, known = settling.beginning(connection, self.clock, self.plan)
        self.outbox = Outbox()
        self.timeline = Timeline(
            self.clock, lambda t, text: self.outbox.put(EventBatch(t, None, "clock step", text)), offset, known
        )
        self.writer = Writer(self.plan, self.clock, self.timeline, self.outbox)
        self.writer.flush()

    def end(self) -> None:
        """It is killed: what waits in memory is gone."""
        self.writer.close()

    def says(self) -> None:
        """A reading, its number as its value."""
        t = self.timeline.now_ms()
        record = Record((Reading(VOLTS, float(self.said)),))
        self.outbox.put(LiveBatch("cabin controller", "reading", {VOLTS: channel("V")}, ((t, record),)))
        self.said += 1

    def settle(self) -> None:
        """Flush until nothing waits to be moved any more."""
        self.writer.flush()
        for _ in range(1000):
            if not self.writer._settling.busy:
                break
            self.writer.flush()
        self.writer.flush()

    def ask(self, query: str, *values: object) -> list[tuple]:  # type: ignore[type-arg]
        with closing(store.open_reader(self.path)) as connection:
            return connection.execute(query, values).fetchall()

    def readings(self) -> list[tuple[int, float]]:
        return self.ask("SELECT t, value FROM sample ORDER BY t")

    def rows_are_right(self) -> None:
        """Every minute, hour and day equals one made afresh from the samples."""
        tables = ("minute", "hour", "day")
        grown = [self.ask(f"SELECT * FROM {table} ORDER BY t, channel") for table in tables]
        with closing(open_writer(self.path)) as connection, transaction(connection):
            for table in tables:
                connection.execute(f"DELETE FROM {table}")
            refresh(connection, 0, 1 << 42, self.timeline.utc_ms())
        assert grown == [self.ask(f"SELECT * FROM {table} ORDER BY t, channel") for table in tables]


@contextmanager
def machine(path: Path, wall_ms: int = EIGHT) -> Iterator[Machine]:
    made = Machine(path, wall_ms)
    try:
        yield made
    finally:
        made.end()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lapwing.db"


def test_a_machine_without_a_battery_learns_the_time_after_five_minutes(path: Path) -> None:
    """Booted at 08:00 on the first, set to 09:30 on the third at 300 s: the first reading was made at 09:25."""
    with machine(path) as m:
        for _ in range(30):
            m.says()
            m.clock.move(10)
        m.writer.flush()
        assert m.ask("SELECT clock FROM session") == [("unknown",)]
        m.clock.wall_ms, m.clock.synchronised = SYNCED, 0
        m.settle()
        assert m.readings() == [(SYNCED - 300_000 + 10_000 * k, float(k)) for k in range(30)]
        assert m.ask("SELECT t, reason FROM mark") == [(t, "time restored") for t, _ in m.readings()]
        assert m.ask("SELECT started, clock FROM session") == [(SYNCED - 300_000, "kernel")]
        assert m.ask("SELECT last_seen FROM source") == [(SYNCED - 10_000,)]
        assert m.ask("SELECT start FROM settings") == [(SYNCED - 300_000,)]
        assert [text for (text,) in m.ask("SELECT text FROM event WHERE kind = 'clock step'")] == [
            "the clock went forward 177900.0 s; readings keep their true spacing"
        ]
        m.says()
        m.writer.flush()
        assert m.readings()[-1] == (SYNCED, 30.0)
        assert m.ask("SELECT count(*) FROM redating") == [(0,)]
        m.clock.move(2 * 86_400)
        m.writer.flush()
        m.rows_are_right()


@pytest.mark.parametrize("kernel", [None, 0])
def test_a_clock_that_jumps_back_while_it_runs(path: Path, kernel: int | None) -> None:
    """Two hours back after twenty seconds: spacing stays ten seconds, no row is lost or merged."""
    noon = 1_717_243_200_000
    with machine(path, noon) as m:
        m.clock.synchronised = kernel
        m.writer.flush()
        for step in (0, 0, -7200, 0, 0):
            m.clock.step(step)
            m.says()
            m.writer.flush()
            m.clock.move(10)
        m.settle()
        times = [t for t, _ in m.readings()]
        assert [b - a for a, b in itertools.pairwise(times)] == [10_000] * 4
        assert [value for _, value in m.readings()] == [0, 1, 2, 3, 4]


def test_a_clock_that_was_ahead_moves_back_while_readings_come(path: Path) -> None:
    """True time is half an hour earlier: the readings move among no others, those that come meanwhile follow."""
    with machine(path) as m:
        m.writer._settling._mover._most = 7
        for _ in range(60):
            m.says()
            m.clock.move(30)
        m.writer.flush()
        m.clock.step(-1500)
        m.clock.synchronised = 0
        for _ in range(40):
            m.writer.flush()
            m.says()
            m.clock.move(30)
        m.settle()
        true = EIGHT - 1_500_000
        assert m.readings() == [(true + 30_000 * k, float(k)) for k in range(100)]
        assert m.ask("SELECT clock, started FROM session") == [("kernel", true)]
        m.clock.move(2 * 86_400)
        m.writer.flush()
        m.rows_are_right()


@pytest.mark.parametrize("wall", [0, 60_000, 2_200_000_000_000])
def test_times_that_cannot_be_are_never_used(path: Path, wall: int) -> None:
    """Before 1980 and from 2038 on, even where the kernel vouches: the line goes on after what is kept."""
    with machine(path, EIGHT) as m:
        m.clock.synchronised = 0
        m.writer.flush()
        m.says()
        m.writer.flush()
    later = Machine(path, wall)
    later.clock.synchronised = 0
    later.clock.boot_id = lambda: "another boot"  # type: ignore[method-assign]
    later.end()
    later.begin()
    with closing(later.writer):
        later.says()
        later.writer.flush()
        (first, _), (second, _) = later.readings()
        assert first < second < first + 60_000
        assert later.ask("SELECT clock FROM session ORDER BY id DESC LIMIT 1") == [("unknown",)]


def test_an_empty_store_and_a_clock_of_1970_begin_in_1980(path: Path) -> None:
    """There is nothing after which the line could go on: a year that nobody takes for true."""
    with machine(path, 60_000) as m:
        m.says()
        m.writer.flush()
        assert m.ask("SELECT strftime('%Y', t / 1000, 'unixepoch') FROM sample") == [("1980",)]


def test_two_boots_in_1970_do_not_interleave(path: Path) -> None:
    """Each power-up begins at the same wall time: the second session lies after the first."""
    for boot in ("a", "b", "c"):
        with machine(path, 60_000) as m:
            m.clock.boot_id = lambda boot=boot: boot  # type: ignore[method-assign]
            m.end()
            m.begin()
            m.said = 10 * ord(boot)
            for _ in range(5):
                m.says()
                m.clock.move(10)
            m.writer.flush()
    values = [value for _, value in m.readings()]
    assert values == sorted(values)
    assert len(values) == 15


def test_later_sessions_of_a_boot_share_its_evidence(path: Path) -> None:
    """The kernel vouched once; hours later it does not any more, and the wall clock is even set wrong: no matter."""
    with machine(path) as m:
        m.clock.synchronised = 0
        m.writer.flush()
        m.clock.move(40_000)
        m.clock.synchronised = None
        m.clock.step(-86_400)
        m.end()
        m.begin()
        m.says()
        m.writer.flush()
        assert m.readings() == [(EIGHT + 40_000_000, 0.0)]
        assert m.ask("SELECT clock FROM session") == [("kernel",), ("kernel",)]


def test_earlier_sessions_of_the_boot_are_moved_too(path: Path) -> None:
    """Three sessions before the clock is known, two of them killed: all readings come to their true time, in order."""
    with machine(path) as m:
        for _ in range(3):
            for _ in range(5):
                m.says()
                m.clock.move(10)
            m.writer.flush()
            m.end()
            m.begin()
        m.clock.wall_ms, m.clock.synchronised = SYNCED, 0
        m.settle()
        assert m.readings() == [(SYNCED - 150_000 + 10_000 * k, float(k)) for k in range(15)]
        assert {clock for (clock,) in m.ask("SELECT clock FROM session")} == {"kernel"}


def test_a_person_sets_it_right_and_may_correct_that(path: Path) -> None:
    """Within half a minute a person's word agrees; a second word overrides the first; the kernel overrides both."""
    with machine(path) as m:
        m.says()
        m.writer.flush()

        def typed(utc_ms: int) -> None:
            said = Evidence(m.clock.boot_id(), m.clock.boot_ns(), utc_ms, evidence.PERSON, evidence.PERSON_SIGMA_MS)
            with closing(open_writer(path)) as connection, transaction(connection):
                evidence.keep(connection, said)
            m.settle()

        typed(EIGHT + 20_000)
        assert m.readings() == [(EIGHT, 0.0)]
        assert m.ask("SELECT clock FROM session") == [("person",)]
        typed(EIGHT + 3_600_000)
        assert m.readings() == [(EIGHT + 3_600_000, 0.0)]
        m.clock.wall_ms, m.clock.synchronised = SYNCED, 0
        m.settle()
        assert m.readings() == [(SYNCED, 0.0)]
        typed(EIGHT)
        assert m.readings() == [(SYNCED, 0.0)]
        assert m.ask("SELECT clock FROM session") == [("kernel",)]


def test_a_receiver_is_believed_after_three_sentences_that_agree(path: Path) -> None:
    """Its first ones may hold an old date; the kernel, where it vouches, is not asked aside."""
    with machine(path) as m:
        m.says()
        for utc in (0, EIGHT - 10**9, SYNCED, SYNCED + 1000):
            m.timeline.evidence(utc, m.clock.boot_ns(), "gnss", 1000)
            m.clock.move(1)
            m.settle()
        assert m.readings() == [(EIGHT, 0.0)]
        m.timeline.evidence(SYNCED + 2000, m.clock.boot_ns())
        m.settle()
        assert m.readings() == [(SYNCED - 2000, 0.0)]
        assert m.ask("SELECT clock FROM session") == [("gnss",)]


def test_a_trusted_session_is_not_moved_by_a_later_step(path: Path) -> None:
    """The kernel vouched and vouches again after a step: told as an event, nothing that was kept changes."""
    with machine(path) as m:
        m.clock.synchronised = 0
        for step in (0, 3600, -9000, 0):
            m.clock.step(step)
            m.says()
            m.settle()
            m.clock.move(10)
        assert [t - EIGHT for t, _ in m.readings()] == [0, 10_000, 20_000, 30_000]
        assert m.ask("SELECT count(*) FROM event WHERE kind = 'clock step'") == [(2,)]
        assert m.ask("SELECT count(*) FROM mark") == [(0,)]


def test_what_is_never_known_stays_flagged(path: Path) -> None:
    """The stretch is named for the analysis, and one event says what to do."""
    with machine(path) as m:
        for _ in range(3):
            m.says()
            m.clock.move(60)
            m.writer.flush()
        with closing(open_reader(path)) as connection:
            assert settling.unsettled(connection) == [(EIGHT, EIGHT + 180_001)]
        ((text,),) = m.ask("SELECT text FROM event WHERE kind = 'clock'")
        assert text.endswith("'noonmark clock 14:32Z' tells it")


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["says", "says", "says", "flush", "step", "vouch", "silence", "kill"]),
        st.integers(1, 90),
        st.one_of(st.integers(-4000, 4000), st.integers(-2_000_000_000, 2_000_000_000)),
    ),
    min_size=5,
    max_size=40,
)


@given(MOVES, st.integers(3, 50))
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_the_clock_does_order_number_and_spacing_stay(
    tmp_path: Path, moves: list[tuple[str, int, int]], most: int
) -> None:
    """Steps of minutes and years, trust that comes and goes, kills in mid-move: within each session the readings keep
    their order, their number and the boot clock's spacing, and no two share a millisecond."""
    path = tmp_path / "moves.db"
    for left in tmp_path.glob("moves.db*"):
        left.unlink()
    with machine(path) as m:
        waiting: list[tuple[float, int, int]] = []
        kept: list[tuple[float, int, int]] = []
        session = 0
        for act, seconds, by in moves:
            m.clock.move(seconds)
            m.writer._settling._mover._most = most
            if act == "says":
                waiting.append((float(m.said), m.clock.boot_ms, session))
                m.says()
            elif act == "step":
                m.clock.step(by)
            elif act == "vouch":
                m.clock.synchronised = 0
            elif act == "silence":
                m.clock.synchronised = None
            elif act == "flush":
                m.writer.flush()
                kept, waiting = kept + waiting, []
            else:
                m.end()
                waiting, session = [], session + 1
                m.begin()
        m.settle()
        kept += waiting
        found = {value: t for t, value in m.readings()}
        assert sorted(found) == [value for value, _, _ in kept]
        assert len(set(found.values())) == len(found)
        for _, group in itertools.groupby(kept, key=lambda row: row[2]):
            rows = list(group)
            for (a, boot_a, _), (b, boot_b, _) in itertools.pairwise(rows):
                assert found[b] - found[a] == boot_b - boot_a
        m.clock.move(2 * 86_400)
        m.writer.flush()
        m.clock.move(2 * 86_400)
        m.writer.flush()
        m.rows_are_right()


@given(st.integers(-400, 400).filter(lambda minutes: minutes != 0), st.integers(1, 30), st.integers(0, 60))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_move_cut_off_after_any_piece_is_finished_later(tmp_path: Path, minutes: int, most: int, pieces: int) -> None:
    """Whatever piece was the last before the power went: the next one finishes it, nothing lost, nothing doubled."""
    path = tmp_path / "cut.db"
    for left in tmp_path.glob("cut.db*"):
        left.unlink()
    with machine(path) as m:
        for _ in range(50):
            m.says()
            m.clock.move(60)
        m.writer.flush()
    with closing(open_writer(path)) as connection:
        with transaction(connection):
            redating.begin(connection, 1, 60_000 * minutes, "person")
        mover = Mover()
        for _ in range(pieces):
            mover._most = most
            waiting = redating.jobs(connection)
            if waiting:
                mover.piece(connection, Channels(connection), waiting[0], m.clock.wall_ms)
    with closing(open_writer(path)) as connection:
        Mover().all(connection, m.clock.wall_ms)
    assert m.readings() == [(EIGHT + 60_000 * (minutes + k), float(k)) for k in range(50)]
    assert m.ask("SELECT clock, started FROM session") == [("person", EIGHT + 60_000 * minutes)]


def test_settling_writes_one_row_of_evidence_a_session(path: Path) -> None:
    """A flush every half minute for weeks must not fill the store with the same word."""
    with machine(path) as m:
        m.clock.synchronised = 0
        for _ in range(50):
            m.clock.move(30)
            m.writer.flush()
        assert m.ask("SELECT count(*) FROM clock_evidence") == [(1,)]
        assert isinstance(m.writer._settling, Settling)
