"""The made record of years is what a logger, its rollups and its archive would have come to."""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing

import pytest

from fixtures.long_record import LAST_DAY, SPIKE_VALUE, Made, make, spikes
from logger import reading, rollup, settings_file
from logger.record import Record
from logger.sealed import DAY_MS
from logger.store import open_reader, open_writer, transaction
from tests.logger.archives import FOR_EVER, everything, seal

CHANNELS = 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("long"), 0.2, CHANNELS, 20_000, hot_days=3, minute_days=20)


def test_it_is_as_long_as_was_asked(made: Made) -> None:
    """73 days of three channels every twenty seconds, the last few in the store, the others sealed."""
    with closing(open_reader(made.store)) as connection:
        assert Record(connection).bounds() == (made.start, made.stop - 20_000)
        assert made.stop - made.start == 73 * DAY_MS
        samples = reading.rows(connection, "sample", 0, FOR_EVER)
        assert len(samples) == 73 * 4320 * CHANNELS
        assert connection.execute("SELECT count(*) FROM sample").fetchone() == (3 * 4320 * CHANNELS,)
        assert connection.execute("SELECT kind, count(*) FROM sealed GROUP BY kind ORDER BY kind").fetchall() == [
            ("minute", 2),
            ("sample", 70),
        ]
        assert len(reading.rows(connection, "minute", 0, FOR_EVER)) == 73 * 1440 * CHANNELS
    assert settings_file.read(made.settings).store_path == made.store


def test_its_rollups_are_what_the_logger_makes_of_its_samples(made: Made) -> None:
    """Two days rolled up anew by the logger's own rules: the same minutes, hours and days."""
    stop = made.stop
    with closing(open_writer(made.store)) as connection:
        before = {table: _rows(connection, table, stop - 2 * DAY_MS) for table in ("minute", "hour", "day")}
        with transaction(connection):
            rollup.refresh(connection, stop - 2 * DAY_MS, stop, stop)
        for table, rows in before.items():
            after = _rows(connection, table, stop - 2 * DAY_MS)
            assert after == [pytest.approx(row, rel=1e-12) for row in rows], table


def _rows(connection: sqlite3.Connection, table: str, start: int) -> list[tuple[float, ...]]:
    return connection.execute(f"SELECT * FROM {table} WHERE t >= ? ORDER BY t, channel", (start,)).fetchall()


def test_its_archive_is_one_that_can_be_worked_on(made: Made) -> None:
    """A run of the archive finds nothing to mend, and seals what has come of age."""
    with closing(open_writer(made.store)) as connection:
        before = everything(connection)[0]
        done = seal(connection, made.store, made.stop + DAY_MS, hot_days=3)
        assert done.days == [LAST_DAY - dt.timedelta(2)]
        assert done.reopened == []
        assert everything(connection)[0] == before


def test_its_spikes_are_where_it_says(made: Made) -> None:
    """On the 15th of each month, twenty seconds of 70."""
    found = spikes(made.start, made.stop)
    assert [dt.datetime.fromtimestamp(t / 1000, dt.UTC).strftime("%m-%d %H:%M") for t in found] == [
        "04-15 13:07",
        "05-15 13:07",
        "06-15 13:07",
    ]
    with closing(open_reader(made.store)) as connection:
        t, value = Record(connection).samples(made.channels[:1], found[0], found[0] + 60_000)[made.channels[0]]
    assert value[0] == SPIKE_VALUE
    assert all(v < SPIKE_VALUE for v in value[1:])
    assert t[0] == found[0]
