"""History in the store: repeatable, the last import wins, spans tell means, and order does not matter."""

from __future__ import annotations

import itertools
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger import spans
from logger.history import close_finished, keep, keep_within
from logger.history_pieces import Kept
from logger.plan import SourcePlan
from logger.readings import Block, RowReject
from logger.store import Channels, transaction
from tests.logger.histories import AMPS, VOLTS, history, store, time
from tests.logger.plans import channel

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 19_875 * DAY  # 2024-06-01T00:00Z
NOW = T0 + 100 * DAY
INSTANTS = history(time(), VOLTS, AMPS)
QUARTERS = history(time(label="end", interval_ms=15 * MINUTE), VOLTS, AMPS, name="quarters")
STAGE = history(time(), channel("w", "controller.cabin.stage", is_text=True), name="stages")


def block(rows: list[tuple[int, float | None, float | None]], **more: object) -> Block:
    columns: tuple[list[float | str | None], ...] = ([row[1] for row in rows], [row[2] for row in rows])
    return Block(**{"times": [row[0] for row in rows], "columns": columns, "marks": {}, **more})  # type: ignore[arg-type]


def bring(connection: sqlite3.Connection, plan: SourcePlan, *blocks: Block, now: int = NOW) -> Kept:
    channels, kept = Channels(connection), Kept()
    for one in blocks:
        kept.add(keep(connection, channels, plan, one, now))
    return kept


TABLES = {
    "sample": "SELECT t, name, value FROM sample JOIN channel ON id = channel",
    "mark": "SELECT t, name, reason FROM mark JOIN channel ON id = channel",
    "span": "SELECT name, start, stop, interval_ms, label, source FROM span JOIN channel ON id = channel",
    **{
        # A sum may round otherwise in memory than in the database: by the version of either.
        k: f"SELECT t, name, round(mean, 9), low, high, n FROM {k} JOIN channel ON id = channel"
        for k in ("minute", "hour", "day")
    },
}


def contents(connection: sqlite3.Connection) -> dict[str, list[tuple[object, ...]]]:
    """What the store says, whatever numbers its channels got."""
    return {table: sorted(connection.execute(query).fetchall()) for table, query in TABLES.items()}


def everything(connection: sqlite3.Connection) -> dict[str, list[tuple[object, ...]]]:
    return contents(connection) | {
        table: connection.execute(f"SELECT * FROM {table}").fetchall()
        for table in ("reject", "stale", "channel", "label")
    }


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with store(tmp_path / "x.db") as opened:
        yield opened


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    with store(tmp_path_factory.mktemp("history") / "x.db") as opened:
        yield opened


def empty(connection: sqlite3.Connection) -> None:
    for table in ("sample", "mark", "span", "minute", "hour", "day", "reject", "stale", "label", "channel"):
        connection.execute(f"DELETE FROM {table}")


def test_the_same_rows_again_change_nothing(connection: sqlite3.Connection) -> None:
    """A second import of the same rows, marks and rejects leaves every table as it was, and says so."""
    rows = block(
        [(T0 + k * MINUTE, 13.0 + k, None if k == 2 else 4.0) for k in range(5)],
        marks={(0, 0): ("out of range",)},
        rejects=(RowReject(7, b"x,y", "record too short"), RowReject(9, b"z", "record too short", T0)),
    )
    first = bring(connection, INSTANTS, rows)
    before = everything(connection)
    second = bring(connection, INSTANTS, rows)
    assert (first.new, first.same, first.marked) == (9, 0, 1)
    assert (second.new, second.same, second.superseded) == (0, 9, 0)
    assert first.rejects == second.rejects == {"record too short": (2, 7)}
    assert everything(connection) == before
    assert before["stale"] == [(T0, 1)]


SURE, DOUBTFUL = (T0, 13.1, 4.0), (T0, 14.0, 4.0)
DOUBT: dict[tuple[int, int], tuple[str, ...]] = {(0, 0): ("time non-existent",), (0, 1): ("time non-existent",)}
"""Marks of a lone row whose time is in doubt."""


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("doubtful_first", [True, False])
def test_a_time_in_doubt_gives_way_to_one_that_is_not(
    connection: sqlite3.Connection, together: bool, doubtful_first: bool
) -> None:
    """A row in a skipped hour falls on one that was there: that one stays, whatever the order; the other is kept."""
    rows = [DOUBTFUL, SURE] if doubtful_first else [SURE, DOUBTFUL]
    marks = {(rows.index(DOUBTFUL), at): why for (_, at), why in DOUBT.items()}
    one = [block(rows, marks=marks)]
    each = [block([row], marks=DOUBT if row is DOUBTFUL else {}) for row in rows]
    for _ in range(2):  # and again
        bring(connection, INSTANTS, *(one if together else each))
        found = everything(connection)
        assert found["sample"] == [(T0, "bank.house.current", 4.0), (T0, "bank.house.voltage", 13.1)]
        assert found["mark"] == []
        assert [row[1:] for row in found["reject"]] == [(T0, "history", b"bank.house.voltage = 14.0", "superseded")]


def test_a_doubt_goes_once_the_time_is_known(connection: sqlite3.Connection) -> None:
    """The first half of a file could not tell the pass of a doubled hour, the whole file can: the same value, unmarked
    and counted."""
    bring(connection, INSTANTS, block([SURE], marks={(0, 0): ("time ambiguous",)}))
    assert [row[1] for row in everything(connection)["day"]] == ["bank.house.current"]
    bring(connection, INSTANTS, block([SURE]))
    found = everything(connection)
    assert found["mark"] == []
    assert [row[1] for row in found["day"]] == ["bank.house.current", "bank.house.voltage"]


def test_the_import_made_last_wins(connection: sqlite3.Connection) -> None:
    """A differing value replaces the old one, which goes to the rejects; its marks go with it, its hour is stale."""
    bring(connection, INSTANTS, block([(T0, 200.0, 4.0)], marks={(0, 0): ("out of range",)}))
    kept = bring(connection, INSTANTS, block([(T0, 13.1, 4.0)]))
    assert (kept.new, kept.same, kept.superseded) == (0, 1, 1)
    found = everything(connection)
    assert found["sample"] == [(T0, "bank.house.current", 4.0), (T0, "bank.house.voltage", 13.1)]
    assert [row[1:] for row in found["reject"]] == [(T0, "history", b"bank.house.voltage = 200.0", "superseded")]
    assert found["mark"] == []
    assert found["stale"] == [(T0, 2)]
    assert (T0, "bank.house.voltage", 13.1, 13.1, 13.1, 1) in found["hour"]


def test_of_two_rows_for_one_moment_the_later_counts(connection: sqlite3.Connection) -> None:
    """Inside one file the later row wins the same way, cell by cell; a second import still changes nothing."""
    rows = block([(T0, 13.1, 4.0), (T0 + MINUTE, 13.2, None), (T0, 13.3, None)], marks={(0, 0): ("time ambiguous",)})
    kept = bring(connection, INSTANTS, rows)
    before = everything(connection)
    assert (kept.new, kept.superseded) == (3, 1)
    assert before["sample"][1] == (T0, "bank.house.voltage", 13.3)
    assert before["mark"] == []
    bring(connection, INSTANTS, rows)
    assert everything(connection) == before


def test_words_are_kept_as_codes(connection: sqlite3.Connection) -> None:
    """Words of a text channel become small numbers with their names beside; a changed word is superseded."""
    words = Block([T0, T0 + MINUTE], (["bulk", "float"],), {})
    assert bring(connection, STAGE, words).new == 2
    assert bring(connection, STAGE, Block([T0], (["absorption"],), {})).superseded == 1
    names = dict(connection.execute("SELECT code, name FROM label"))
    assert [names[value] for _, _, value in contents(connection)["sample"]] == ["absorption", "float"]
    assert connection.execute("SELECT raw FROM reject").fetchall() == [(b"controller.cabin.stage = bulk",)]


def test_means_have_spans_and_instants_have_none(connection: sqlite3.Connection) -> None:
    """A span reaches from the first start to the last mean's end; a long hole parts it; each channel has its own."""
    starts = [T0 + k * 15 * MINUTE for k in (0, 1, 2, 8, 9)]
    bring(connection, QUARTERS, block([(t, 13.0, None if t > starts[2] else 4.0) for t in starts]))
    bring(connection, INSTANTS, block([(T0 + 20 * MINUTE, 12.0, 1.0)]))
    end = ("end", "quarters")
    assert contents(connection)["span"] == [
        ("bank.house.current", T0, T0 + 45 * MINUTE, 15 * MINUTE, *end),
        ("bank.house.voltage", T0, T0 + 45 * MINUTE, 15 * MINUTE, *end),
        ("bank.house.voltage", T0 + 120 * MINUTE, T0 + 150 * MINUTE, 15 * MINUTE, *end),
    ]
    assert (T0 + 20 * MINUTE, "bank.house.voltage", 12.0) in contents(connection)["sample"]


def test_a_mended_interval_gives_way(connection: sqlite3.Connection) -> None:
    """Where the settings said the wrong length, the import after the mending says the right one, there alone."""
    wrong = history(time(label="end", interval_ms=MINUTE), VOLTS, AMPS, name="quarters")
    rows = [(T0 + k * 15 * MINUTE, 13.0, 4.0) for k in range(8)]
    bring(connection, wrong, block(rows))
    assert len(contents(connection)["minute"]) == 16
    bring(connection, QUARTERS, block(rows))
    found = contents(connection)
    assert found["minute"] == []
    assert {row[1:4] for row in found["span"]} == {(T0, T0 + 2 * HOUR, 15 * MINUTE)}


def test_rows_after_now_are_closed_when_the_clock_is_behind(connection: sqlite3.Connection) -> None:
    """A machine that woke in 1970 still gets rollups; the interval in which now lies gets none yet."""
    rows = block([(T0 + k * 10 * MINUTE, 13.0, 4.0) for k in range(12)])
    bring(connection, INSTANTS, rows, now=5 * DAY + 7)
    assert len(contents(connection)["day"]) == 2
    bring(connection, INSTANTS, block([(T0 + 3 * DAY, 13.0, 4.0)]), now=T0 + 3 * DAY + 30 * MINUTE)
    assert {row[0] for row in contents(connection)["hour"]} == {T0, T0 + HOUR}


def test_another_writer_gets_its_turn(connection: sqlite3.Connection, tmp_path: Path) -> None:
    """A long block is kept in pieces that commit by themselves, so that others can write in between."""
    stop, turns = threading.Event(), itertools.count()

    def write() -> None:
        with closing(sqlite3.connect(tmp_path / "x.db", timeout=30, isolation_level=None)) as mine:
            while not stop.is_set():
                with transaction(mine):
                    mine.execute("INSERT INTO logbook (t, author, text) VALUES (0, 'a', 'b')")
                next(turns)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        kept = bring(connection, INSTANTS, block([(T0 + k * 1000, 13.0 + k % 7, 4.0) for k in range(60_000)]))
    finally:
        stop.set()
        thread.join()
    assert kept.new == 120_000
    assert next(turns) > 3


def test_within_a_transaction_of_the_caller_all_or_nothing(connection: sqlite3.Connection) -> None:
    """A follower keeps its rows together with its position: when that fails, none of them is there."""
    channels = Channels(connection)
    before = everything(connection)

    def cut_short() -> None:
        with transaction(connection):
            keep_within(connection, channels, INSTANTS, block([(T0, 13.0, 4.0)]), NOW)
            raise RuntimeError("power")

    with pytest.raises(RuntimeError, match="power"):
        cut_short()
    assert everything(connection) == before


def test_what_an_import_left_open_is_closed_by_the_next(connection: sqlite3.Connection) -> None:
    """The day that was not over at the last import gets its row at the next, also where no logger runs."""
    noon = T0 + 12 * HOUR
    bring(connection, INSTANTS, block([(noon + k * MINUTE, 13.0, 4.0) for k in range(30)]), now=noon + 30 * MINUTE)
    assert contents(connection)["hour"] == contents(connection)["day"] == []
    close_finished(connection, T0 + 20 * HOUR)
    assert contents(connection)["day"] == []
    close_finished(connection, T0 + 30 * HOUR)
    assert [row[:1] + row[2:] for row in contents(connection)["day"]] == [
        (T0, 4.0, 4.0, 4.0, 30),
        (T0, 13.0, 13.0, 13.0, 30),
    ]
    assert len(contents(connection)["hour"]) == 2


# -- properties ---------------------------------------------------------------------------------------------


@st.composite
def imports(draw: st.DrawFn) -> list[tuple[SourcePlan, Block]]:
    """Imports that do not contradict each other: each value is a function of time and channel."""
    found = []
    for _ in range(draw(st.integers(1, 4))):
        plan = draw(st.sampled_from([INSTANTS, QUARTERS]))
        step = draw(st.sampled_from([MINUTE, 15 * MINUTE, 7 * MINUTE + 500]))
        first = draw(st.integers(0, 200)) * 15 * MINUTE
        rows: list[tuple[int, float | None, float | None]] = []
        for k in sorted(draw(st.sets(st.integers(0, 40), min_size=1, max_size=15))):
            t = T0 + first + k * step
            rows.append((t, (t // 1000) % 97 / 7 if draw(st.booleans()) else None, (t // 1000) % 13 / 3))
        found.append((plan, block(rows)))
    return found


@settings(max_examples=60)
@given(data=st.data(), brought=imports())
def test_order_and_repetition_do_not_matter(
    shared: sqlite3.Connection, data: st.DataObject, brought: list[tuple[SourcePlan, Block]]
) -> None:
    """Imports that agree give the same store in any order, repeated, and cut into any pieces."""
    empty(shared)
    for plan, one in brought:
        bring(shared, plan, one)
    expected = contents(shared)
    empty(shared)
    again = data.draw(st.permutations([*brought, data.draw(st.sampled_from(brought))]))
    for plan, one in again:
        cut = data.draw(st.integers(0, len(one.times)))
        for part in (slice(0, cut), slice(cut, None)):
            bring(shared, plan, Block(one.times[part], tuple(column[part] for column in one.columns), {}))
    found = contents(shared)
    assert found["sample"] == expected["sample"]
    for table in ("minute", "hour", "day"):
        assert [row[:2] for row in found[table]] == [row[:2] for row in expected[table]]
        assert [row[2:] for row in found[table]] == [pytest.approx(row[2:], rel=1e-12) for row in expected[table]]
    assert found["span"] == expected["span"]


@given(st.sets(st.integers(0, 60), min_size=1), st.permutations(range(61)))
def test_spans_grow_together_in_any_order(shared: sqlite3.Connection, starts: set[int], order: list[int]) -> None:
    """Means noted one by one, in any order, leave the runs that they form when seen at once."""
    empty(shared)
    for k in order:
        if k in starts:
            spans.note(shared, 1, "s", 10, "start", (k * 10, k * 10 + 10))
    rows = shared.execute("SELECT start, stop FROM span ORDER BY start").fetchall()
    assert rows == spans.runs(sorted(k * 10 for k in starts), 10)
