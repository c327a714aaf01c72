"""What samples come to in memory is what the database makes of them, to nine digits."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import rollup
from logger.fresh import Fresh
from logger.store import transaction
from tests.logger.histories import AMPS, VOLTS, history, store, time

from .test_history import DAY, HOUR, MINUTE, NOW, T0, block, bring, contents, empty

SECOND = 1000
VALUES = st.floats(-1000, 1000, allow_nan=False).map(lambda x: round(x, 3))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    with store(tmp_path_factory.mktemp("fresh") / "x.db") as opened:
        yield opened


@given(
    kind=st.sampled_from([(7 * SECOND, "instant"), (MINUTE, "instant"), (MINUTE, "start"), (15 * MINUTE, "start")]),
    begin=st.integers(0, DAY // SECOND).map(lambda s: T0 + s * SECOND),
    on_the_step=st.booleans(),
    volts=st.lists(st.one_of(VALUES, st.none()), min_size=30, max_size=400),
    again=st.integers(0, 399),
)
def test_rows_summed_in_memory_are_the_database_s_own(
    shared: sqlite3.Connection,
    kind: tuple[int, str],
    begin: int,
    on_the_step: bool,
    volts: list[float | None],
    again: int,
) -> None:
    """Instants and means, on the lattice of the hour and off it, with holes: a later look changes nothing."""
    step, label = kind
    begin = begin // step * step if on_the_step else begin
    empty(shared)
    plan = history(time(label=label, interval_ms=step if label == "start" else None), VOLTS, AMPS)
    rows = [(begin + k * step, value, None if k % 5 == 3 else k / 7) for k, value in enumerate(volts)]
    bring(shared, plan, block(rows))
    found = contents(shared)
    with transaction(shared):
        rollup.refresh(shared, begin, begin + (len(rows) + 1) * step, NOW)
    assert contents(shared) == found
    # Into what stands there already, one more is another way through.
    t, value, amps = rows[again % len(rows)]
    bring(shared, plan, block([(t, None if value is None else value + 1, amps)]))
    changed = contents(shared)
    with transaction(shared):
        rollup.refresh(shared, begin, begin + (len(rows) + 1) * step, NOW)
    assert contents(shared) == changed


def test_only_what_lies_wholly_inside_is_told() -> None:
    """From 00:10 to 02:30 of instants the first and the last hour are not whole."""
    times = list(range(T0 + 10 * MINUTE, T0 + 150 * MINUTE, 20 * SECOND))
    fresh = Fresh(times, {1: [1.0] * len(times)}, None)
    assert fresh.hours == (T0 + HOUR, T0 + 2 * HOUR)
    assert fresh.minutes == (T0 + 10 * MINUTE, T0 + 149 * MINUTE)
    assert fresh.hour_sums(*fresh.hours) == [(T0 + HOUR, 1, 1.0, 1.0, 1.0, 180, 180, HOUR)]


def test_a_brought_stretch_takes_the_quick_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or the test above would compare the database with itself."""
    made: list[Fresh] = []
    real = Fresh.__init__

    def noted(self: Fresh, *arguments: object) -> None:
        made.append(self)
        real(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Fresh, "__init__", noted)
    plan = history(time(), VOLTS, AMPS)
    with store(tmp_path / "x.db") as connection:
        bring(connection, plan, block([(T0 + k * 10 * SECOND, k / 10, None) for k in range(800)]))
        assert len(made) == 1
        bring(connection, plan, block([(T0 + k * 10 * SECOND, k / 10, 1.0) for k in range(800)]))
        assert len(made) == 1
