"""The record reads the same wherever its rows lie."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.record import Record
from logger.sealed import DAY_MS
from logger.store import transaction
from tests.logger.archives import AMPS, FIRST, FOR_EVER, HOUR, MINUTE, STAGE, VOLTS, Sample, insert, seal, store

# Every ten seconds for ten days, with one spike of 20 seconds; the words change at 06:00 and 18:00.
SPIKE = FIRST + 5 * DAY_MS + 7 * HOUR + 123_000
READINGS: list[Sample] = [
    *((FIRST + k * 10_000, VOLTS, 70.0 if 0 <= FIRST + k * 10_000 - SPIKE < 20_000 else 20.0) for k in range(86_400)),
    *((FIRST + k * MINUTE, STAGE, float(6 <= k // 60 % 24 < 18)) for k in range(14_400)),
    *((FIRST + k * 15 * MINUTE, AMPS, float(k % 7)) for k in range(960)),
]
FAR = FIRST + 600 * DAY_MS


@pytest.fixture(scope="module", params=["in the store", "samples sealed", "minutes sealed too"])
def connection(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[sqlite3.Connection]:
    path = tmp_path_factory.mktemp("record") / "x.db"
    with store(path, READINGS, [(AMPS, FIRST, FIRST + 10 * DAY_MS, 15 * MINUTE)]) as opened:
        if request.param != "in the store":
            # The border between the store and the files runs through the record.
            seal(opened, path, FIRST + 6 * DAY_MS if request.param == "samples sealed" else FAR)
        yield opened


@pytest.mark.parametrize(("days", "step"), [(1, MINUTE), (9, HOUR), (200, DAY_MS)])
def test_a_spike_is_seen_at_any_span(connection: sqlite3.Connection, days: int, step: int) -> None:
    """Twenty seconds at 70 in weeks of 20 stand out, in at most 2,000 rows."""
    start = SPIKE // DAY_MS * DAY_MS if days == 1 else FIRST
    series = Record(connection).series("bank.house.voltage", start, start + days * DAY_MS)
    assert series is not None
    assert series.step_ms == step
    assert len(series.t) <= 2000
    assert max(series.high) == 70.0
    at = series.high.index(70.0)
    assert series.t[at] <= SPIKE < series.t[at] + step


def test_long_means_are_drawn_as_they_are(connection: sqlite3.Connection) -> None:
    """A day of quarter-hour means comes as 96 rows of a quarter-hour, across the border of a file."""
    series = Record(connection).series("bank.house.current", FIRST + 4 * DAY_MS + HOUR, FIRST + 5 * DAY_MS + HOUR)
    assert series is not None
    assert (series.step_ms, len(series.t)) == (15 * MINUTE, 96)
    assert series.mean[0] == READINGS[86_400 + 14_400 + 4 * 96 + 4][2]


def test_the_bounds_and_the_last_reading(connection: sqlite3.Connection) -> None:
    """First and last time, and the last value of each channel, wherever they lie."""
    record = Record(connection)
    assert record.bounds() == (FIRST, FIRST + 10 * DAY_MS - 10_000)
    assert record.last("bank.house.voltage") == (FIRST + 10 * DAY_MS - 10_000, 20.0)
    assert record.last("controller.cabin.stage") == (FIRST + 10 * DAY_MS - MINUTE, 0.0)
    assert record.last("bank.house.current") == (FIRST + 10 * DAY_MS - 15 * MINUTE, float(959 % 7))
    assert record.last("bank.house.temperature") is None


def test_samples_of_some_channels(connection: sqlite3.Connection) -> None:
    """Every sample of the channels asked for, across the border of a file, and no other."""
    start, stop = FIRST + 5 * DAY_MS - HOUR, FIRST + 5 * DAY_MS + HOUR
    found = Record(connection).samples(["bank.house.voltage", "bank.house.current", "air.cabin.pressure"], start, stop)
    assert {name: len(t) for name, (t, _) in found.items()} == {"bank.house.voltage": 720, "bank.house.current": 8}
    assert found["bank.house.voltage"][0] == list(range(start, stop, 10_000))


def test_a_record_that_is_all_sealed_has_its_bounds(tmp_path: Path) -> None:
    """A vessel laid up for years: nothing lies in the store any more, and the record still begins and ends."""
    with store(tmp_path / "x.db", [(FIRST, VOLTS, 12.0), (FIRST + HOUR, VOLTS, 13.0)]) as connection:
        seal(connection, tmp_path / "x.db", FAR)
        record = Record(connection)
        assert record.bounds() == (FIRST, FIRST + HOUR)
        assert record.last("bank.house.voltage") == (FIRST + HOUR, 13.0)
        with transaction(connection):
            insert(connection, [(FAR, VOLTS, 14.0)])
        assert record.last("bank.house.voltage") == (FAR, 14.0)
        assert record.samples(["bank.house.voltage"], 0, FOR_EVER) == {
            "bank.house.voltage": ([FIRST, FIRST + HOUR, FAR], [12.0, 13.0, 14.0])
        }
