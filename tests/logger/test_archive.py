"""Sealing moves rows into files and back, and loses, doubles and changes none, whatever comes late or ends early."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger import archive, parquet_files, reading, reopening, rollup, sealed
from logger.errors import StoreError
from logger.rows import Rows
from logger.sealed import DAY_MS
from logger.store import transaction
from tests.logger.archives import (
    AMPS,
    CHANNELS,
    FIRST,
    FOR_EVER,
    HOUR,
    MINUTE,
    STAGE,
    VOLTS,
    Sample,
    Span,
    everything,
    held,
    insert,
    seal,
    store,
)

LATER = FIRST + 20 * DAY_MS
FOUR_DAYS: list[Sample] = [
    (FIRST + hour * HOUR + second * 1000, channel, 12.0 + hour % 7 + second / 100 if channel != STAGE else hour % 2)
    for hour in range(0, 96, 3)
    for second in (0, 1, 59, 60, 3599)
    for channel in CHANNELS
]
# Means of 15 minutes stamped at minute 50, on the phase of their own file: the last of each day reaches into the next.
MEANS: list[Sample] = [(FIRST + k * 15 * MINUTE + 5 * MINUTE, AMPS, float(k % 11)) for k in range(4 * 96)]
MEAN_SPAN: Span = (AMPS, FIRST, FIRST + 5 * DAY_MS, 15 * MINUTE)


def test_sealed_days_read_as_before(tmp_path: Path) -> None:
    """Samples, minutes, hours and days are the same before and after; the store holds the hot window alone."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        before = everything(connection)
        done = seal(connection, tmp_path / "x.db", FIRST + 4 * DAY_MS)
        assert everything(connection) == before
        assert min(held(connection)) >= FIRST + 3 * DAY_MS
    assert [day.isoformat() for day in done.days] == ["2024-01-02", "2024-01-03", "2024-01-04"]
    assert sorted(path.name for path in (tmp_path / "archive").iterdir()) == [
        f"x-2024-01-0{day}.parquet" for day in (2, 3, 4)
    ]


def test_a_file_is_understood_without_the_store(tmp_path: Path) -> None:
    """Sorted by channel and time, zstd, delta-coded time, dictionary-coded values; settings and units beside them."""
    with store(tmp_path / "x.db", FOUR_DAYS, [MEAN_SPAN]) as connection:
        seal(connection, tmp_path / "x.db", LATER)
    path = tmp_path / "archive" / "x-2024-01-03.parquet"
    table = pq.read_table(path)
    rows = list(zip(table["channel"].to_pylist(), table["t"].to_pylist(), strict=True))
    assert rows == sorted(rows)
    assert table["t"].type.tz == "UTC"
    columns = [pq.ParquetFile(path).metadata.row_group(0).column(n) for n in range(3)]
    assert {column.compression for column in columns} == {"ZSTD"}
    assert "DELTA_BINARY_PACKED" in columns[0].encodings
    assert "RLE_DICTIONARY" in columns[1].encodings
    assert "RLE_DICTIONARY" in columns[2].encodings
    meta = parquet_files.meta(path)
    assert meta["units"]["bank.house.voltage"] == "V"
    assert meta["words"] == {"controller.cabin.stage": {"0": "off", "1": "bulk"}}
    assert [text for _, _, _, text in meta["settings"]] == ["[site]"]
    assert meta["spans"] == [["bank.house.current", MEAN_SPAN[1], MEAN_SPAN[2], 15 * MINUTE, "start", "s0"]]


def test_old_minutes_are_sealed_by_the_month(tmp_path: Path) -> None:
    """Whole months older than 400 days, once their samples are sealed; hours and days stay."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        before = everything(connection)
        end_of_month = FIRST + 30 * DAY_MS
        seal(connection, tmp_path / "x.db", end_of_month + 400 * DAY_MS - 1)
        assert len(held(connection, "minute")) == len(before[1]["minute"])
        done = seal(connection, tmp_path / "x.db", end_of_month + 400 * DAY_MS)
        assert [day.isoformat() for day in done.months] == ["2024-01-01"]
        assert held(connection, "minute") == []
        assert everything(connection) == before
    assert (tmp_path / "archive" / "x-minutes-2024-01.parquet").exists()


def test_space_is_given_back(tmp_path: Path) -> None:
    """The store's file shrinks by what moved out."""
    samples = [(FIRST + k * 500, VOLTS, 13.1) for k in range(100_000)]
    with store(tmp_path / "x.db", samples) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = (tmp_path / "x.db").stat().st_size
        seal(connection, tmp_path / "x.db", LATER)
        assert connection.execute("PRAGMA freelist_count").fetchone() == (0,)
    assert (tmp_path / "x.db").stat().st_size < before / 4


late_values = st.sampled_from([0.0, 1.5, -3.0])
late_rows = st.lists(
    st.tuples(
        st.integers(0, 4 * 96).map(lambda k: FIRST + k * 15 * MINUTE + 5 * MINUTE),
        st.sampled_from([VOLTS, AMPS]),
        late_values,
    ),
    min_size=1,
    max_size=6,
)


@pytest.mark.parametrize("taken_in", [False, True])
@pytest.mark.parametrize("minutes_too", [False, True])
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(late=late_rows)
@example(late=[(FIRST + 4 * DAY_MS + 5 * MINUTE, VOLTS, 1.5)])  # where the last mean of a sealed day reaches to
@example(late=[(FIRST + DAY_MS - 10 * MINUTE, AMPS, 1.5)])  # a mean that reaches into another sealed day
def test_late_data_come_to_what_they_would_have_in_time(
    tmp_path_factory: pytest.TempPathFactory, minutes_too: bool, taken_in: bool, late: list[Sample]
) -> None:
    """Late, repeated and corrected rows of sealed days stand as if they had never been late.

    After the next run of the archive; and before it, where whoever judges has asked for them.
    """
    folder = tmp_path_factory.mktemp("late")
    now = LATER + 500 * DAY_MS if minutes_too else LATER
    with store(folder / "a.db", [*FOUR_DAYS, *MEANS], [MEAN_SPAN]) as connection:
        seal(connection, folder / "a.db", now)
        for row in late:
            with transaction(connection):
                insert(connection, [row])
        if taken_in:
            with sealed.at_work(folder / "a.db"):
                reopening.take_in_late(connection, FOR_EVER)
            found = everything(connection)
            with sealed.at_work(folder / "a.db"):
                assert reopening.take_in_late(connection, FOR_EVER) == []
        seal(connection, folder / "a.db", now)
        there = held(connection)
        found = found if taken_in else everything(connection)
        seal(connection, folder / "a.db", now)
        assert everything(connection) == found
    with store(folder / "b.db", [*FOUR_DAYS, *MEANS], [MEAN_SPAN]) as connection:
        with transaction(connection):
            insert(connection, late)
            rollup.refresh(connection, FIRST, FIRST + 6 * DAY_MS, FOR_EVER)
        expected = everything(connection)
    assert found[0] == expected[0]
    for table, rows in expected[1].items():
        assert [row[:2] for row in found[1][table]] == [row[:2] for row in rows], table
        assert found[1][table] == [pytest.approx(row, rel=1e-12) for row in rows], table
    # Left behind are but the means that reach into a day of which nothing is sealed.
    assert all(t >= FIRST + 4 * DAY_MS - 15 * MINUTE for t in there)


def test_a_late_row_wins_and_the_old_value_is_kept(tmp_path: Path) -> None:
    """What a late row replaces goes to the rejects, with its name and value."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        seal(connection, tmp_path / "x.db", LATER)
        with transaction(connection):
            insert(connection, [(FIRST, VOLTS, 99.0)])
        done = seal(connection, tmp_path / "x.db", LATER)
        assert [day.isoformat() for day in done.reopened] == ["2024-01-02"]
        assert connection.execute("SELECT t, raw, reason FROM reject").fetchall() == [
            (FIRST, b"bank.house.voltage = 12.0", "superseded")
        ]
        assert connection.execute("SELECT count(*) FROM stale WHERE hour = ?", (FIRST,)).fetchone() == (1,)


def test_late_data_are_read_before_they_are_sealed(tmp_path: Path) -> None:
    """Between their coming and the next run a late row counts, and the rollups of the sealed day still stand."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        tables = everything(connection)[1]
        seal(connection, tmp_path / "x.db", LATER)
        with transaction(connection):
            insert(connection, [(FIRST, VOLTS, 99.0)])
        samples, now = everything(connection)
        assert samples[0] == (FIRST, VOLTS, 99.0)
        assert len(samples) == len(FOUR_DAYS)
        assert now == tables


def test_only_what_is_late_is_taken_in(tmp_path: Path) -> None:
    """A sealed day without late rows stays in its file; means that reach beyond their day are not late."""
    with store(tmp_path / "x.db", [*FOUR_DAYS, *MEANS], [MEAN_SPAN]) as connection:
        seal(connection, tmp_path / "x.db", FIRST + 4 * DAY_MS)
        assert [day.start for day in sealed.with_rows_beside(connection)] == [FIRST + 2 * DAY_MS]
        assert reopening.take_in_late(connection, FOR_EVER) == []
        with transaction(connection):
            insert(connection, [(FIRST, VOLTS, 99.0)])
        assert reopening.take_in_late(connection, FOR_EVER) == [FIRST]
        day = connection.execute("SELECT high FROM day WHERE t = ? AND channel = ?", (FIRST, VOLTS)).fetchone()
        assert day == (99.0,)
        assert connection.execute("SELECT count(*) FROM stale WHERE hour = ?", (FIRST,)).fetchone() == (1,)


def test_an_hour_that_nobody_closed_is_closed_before_its_day_is_sealed(tmp_path: Path) -> None:
    """A logger that died for good left the last hour open: sealing rolls it up first."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        before = everything(connection)
        for table in ("minute", "hour", "day"):
            connection.execute(f"DELETE FROM {table} WHERE t >= ?", (FIRST + 3 * DAY_MS,))
        seal(connection, tmp_path / "x.db", LATER)
        assert everything(connection) == before


class Cut(BaseException):
    """The process ends here."""


@pytest.mark.parametrize("minutes_too", [False, True])
@pytest.mark.parametrize("step", range(1, 60, 2))
def test_an_end_at_any_step_loses_and_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int, minutes_too: bool
) -> None:
    """Ended before its nth commit, a run leaves a record that reads the same, and the next run finishes it."""
    now = LATER + (500 * DAY_MS if minutes_too else 0)
    with store(tmp_path / "x.db", [*FOUR_DAYS, *MEANS], [MEAN_SPAN]) as connection:
        seal(connection, tmp_path / "x.db", now)
        with transaction(connection):
            insert(connection, [(FIRST + DAY_MS, VOLTS, 99.0), (FIRST + DAY_MS - 10 * MINUTE, AMPS, 77.0)])
        samples = everything(connection)[0]
        seen = 0
        real = archive.transaction

        def counted(given: sqlite3.Connection) -> Any:
            nonlocal seen
            seen += 1
            if seen == step:
                raise Cut
            return real(given)

        with monkeypatch.context() as patch:
            for module in (archive, reopening):
                patch.setattr(module, "transaction", counted)
            try:
                seal(connection, tmp_path / "x.db", now)
            except Cut:
                assert everything(connection)[0] == samples
        seal(connection, tmp_path / "x.db", now)
        assert everything(connection)[0] == samples
        rows = everything(connection)[1]
        assert next(row for row in rows["day"] if row[:2] == (FIRST + DAY_MS, VOLTS))[4] == 99.0
        assert next(row for row in rows["minute"] if row[:2] == (FIRST + DAY_MS, VOLTS))[4] == 99.0


def test_rows_leave_the_store_only_after_the_file_was_read_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that returns other bytes than it was given: the run stops with a sentence, and nothing has left."""
    real = parquet_files._group

    def bent(*arguments: Any) -> Rows:
        rows = real(*arguments)
        rows.values[0, 0] = math.nextafter(rows.values[0, 0], 99)
        return rows

    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        before = everything(connection)
        monkeypatch.setattr(parquet_files, "_group", bent)
        with pytest.raises(StoreError, match=r"reads back otherwise than it was written.*nothing left the store"):
            seal(connection, tmp_path / "x.db", LATER)
        assert everything(connection) == before
    assert list((tmp_path / "archive").iterdir()) == []


def test_a_lost_file_is_named(tmp_path: Path) -> None:
    """What is missing from the archive is said, with the file and what to do, instead of shown as a gap."""
    with store(tmp_path / "x.db", FOUR_DAYS) as connection:
        seal(connection, tmp_path / "x.db", LATER)
        (tmp_path / "archive" / "x-2024-01-03.parquet").unlink()
        with pytest.raises(StoreError, match=r"x-2024-01-03\.parquet: is missing; bring the file back from a backup"):
            reading.rows(connection, "sample", FIRST, LATER)


def test_one_at_a_time(tmp_path: Path) -> None:
    """A second run leaves with a message while one is at work."""
    with (
        store(tmp_path / "x.db", []) as connection,
        sealed.at_work(tmp_path / "x.db"),
        pytest.raises(StoreError, match="at work already; wait for it"),
    ):
        seal(connection, tmp_path / "x.db", LATER)


def test_two_stores_of_one_folder_keep_apart(tmp_path: Path) -> None:
    """Each store's files bear its name."""
    for name, value in (("a.db", 1.0), ("b.db", 2.0)):
        with store(tmp_path / name, [(FIRST, VOLTS, value)]) as connection:
            seal(connection, tmp_path / name, LATER)
            assert everything(connection)[0] == [(FIRST, VOLTS, value)]


def test_a_reader_in_the_midst_of_sealing_misses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every commit of a run another connection, read-only, sees each sample once."""
    path = tmp_path / "x.db"
    with store(path, [*FOUR_DAYS, *MEANS], [MEAN_SPAN]) as connection:
        samples = everything(connection)[0]
        real = archive.transaction
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as reader:

            def watched(given: sqlite3.Connection) -> Any:
                assert everything(reader)[0] == samples
                return real(given)

            for module in (archive, reopening):
                monkeypatch.setattr(module, "transaction", watched)
            seal(connection, path, LATER)
            assert everything(reader)[0] == samples


def test_days_whose_clock_nobody_vouches_for_are_not_sealed(tmp_path: Path) -> None:
    """Readings that may yet be moved to another day stay in the store until somebody vouches for their time."""
    rows = [(day * DAY_MS + minute * 60_000, 1, float(minute)) for day in (1, 2) for minute in range(3)]
    with store(tmp_path / "x.db", rows) as connection:
        connection.execute(
            "INSERT INTO session (boot_id, started, stopped, monotonic_ns, clock) VALUES ('b', ?, ?, 0, 'unknown')",
            (DAY_MS, DAY_MS + 600_000),
        )
        assert [d.isoformat() for d in archive.Archive(connection).seal(1, 30 * DAY_MS).days] == ["1970-01-03"]
        connection.execute("UPDATE session SET clock = 'person'")
        assert [d.isoformat() for d in archive.Archive(connection).seal(1, 30 * DAY_MS).days] == ["1970-01-02"]
