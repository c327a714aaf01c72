"""A controller's own day counter is a second witness: read over its resets, and told where it does not agree."""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import counted
from analysis.assess import assess
from analysis.counted import CounterDay
from analysis.findings import History
from analysis.results import ArrayDay, Finding
from analysis.results_reading import Results
from analysis.rules import meters_disagree
from analysis.sun import DAY_MS
from logger import rollup
from logger.settings import Located
from logger.store import Channels, open_writer, transaction
from tests.analysis import frames
from tests.analysis.test_assess import bring, lines, located  # noqa: F401 - fixtures

MINUTE_MS = 60_000
HOURS = np.arange(24)


def array_day(number: int, measured_wh: float | None, completeness: float = 1.0) -> ArrayDay:
    start = frames.START + number * DAY_MS
    empty: dict[str, Any] = dict.fromkeys(
        (
            "expected_wh", "expected_low_wh", "expected_high_wh", "judged_measured_wh", "judged_expected_wh",
            "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh", "limited_wh", "performance_ratio",
            "plane_wh_m2", "cause",
        )
    )  # fmt: skip
    return ArrayDay(
        array="a",
        day=dt.date(2026, 6, 10) + dt.timedelta(number),
        start=start,
        stop=start + DAY_MS,
        rated_w=200.0,
        measured_wh=measured_wh,
        daylight_min=720.0,
        known_min=720.0 * completeness,
        judging_min=0.0,
        completeness=completeness,
        verdict="cannot tell",
        **empty,
    )


def counter(energies: list[float], reset_at: int, step_wh: float) -> tuple[np.ndarray[Any, Any], ...]:
    """Minutes of a day counter: it counts from 6 to 18 o'clock, and begins again each day at a minute of the night."""
    minute = np.arange(len(energies) * 1440)
    day, clock = np.divmod(minute, 1440)
    done = np.array(energies)[day] * np.clip((clock - 360) / 720, 0, 1)
    # Before it begins again it still shows what it counted the day before.
    before = np.array([0.0, *energies[:-1]])[day]
    shown = np.where(clock < reset_at, before, done) if reset_at < 720 else np.where(clock >= reset_at, 0.0, done)
    return frames.START + minute * MINUTE_MS, np.floor(shown / step_wh) * step_wh


def hours(connection: sqlite3.Connection, t: np.ndarray[Any, Any], shown: np.ndarray[Any, Any]) -> None:
    connection.executescript(
        "CREATE TABLE channel (id, name, unit); CREATE TABLE hour (t, channel, mean, low, high, n);"
        "INSERT INTO channel VALUES (1, 'controller.c.day_energy', 'Wh')"
    )
    rows = [
        (int(part_t[0]), 1, float(part.mean()), float(part.min()), float(part.max()), len(part))
        for part_t, part in zip(t.reshape(-1, 60), shown.reshape(-1, 60), strict=True)
    ]
    connection.executemany("INSERT INTO hour VALUES (?, ?, ?, ?, ?, ?)", rows)


@given(
    energies=st.lists(st.floats(0, 3000), min_size=2, max_size=5),
    reset_at=st.one_of(st.integers(0, 350), st.integers(1090, 1430)),
    step_wh=st.sampled_from([0.001, 1.0, 10.0]),
)
def test_each_day_counts_what_it_counted(energies: list[float], reset_at: int, step_wh: float) -> None:
    """Whenever in the night the counter begins again, each day has its own energy, to the counter's own step."""
    with closing(sqlite3.connect(":memory:")) as connection:
        hours(connection, *counter(energies, reset_at, step_wh))
        days = [array_day(n, 1.0) for n in range(len(energies))]
        found = counted.of_days(connection, frames.settings(), days)
    assert [d.start for d in found] == [d.start for d in days]
    # A fall of less than a thousandth counts as rounding.
    least = 1e-3 * max(energies) + 2 * step_wh
    assert [d.counted_wh for d in found] == [pytest.approx(e, abs=least) for e in energies]
    assert {d.measured_wh for d in found} == {0.96}


def test_days_that_cannot_be_compared_are_left_out() -> None:
    """Days of which a part was not heard, days without energy, days before the counter, vessels without one."""
    with closing(sqlite3.connect(":memory:")) as connection:
        hours(connection, *counter([500.0, 600.0, 700.0], 0, 1.0))
        days = [array_day(0, 500.0), array_day(1, 600.0, completeness=0.9), array_day(2, None), array_day(9, 1.0)]
        assert [d.start for d in counted.of_days(connection, frames.settings(), days)] == [days[0].start]
        connection.execute("DELETE FROM hour")
        assert counted.of_days(connection, frames.settings(), days) == []


def found_by_rule(*pairs: tuple[float, float]) -> list[Finding]:
    base: dict[str, Any] = dict.fromkeys(("array_days", "loops", "enclosures", "bank_days", "states"), ())
    days = [CounterDay("c", frames.START + n * DAY_MS, *pair) for n, pair in enumerate(pairs)]
    stop = frames.START + len(pairs) * DAY_MS
    return meters_disagree.found(History(settings=frames.settings(), stop=stop, counters=days, **base))


def test_a_counter_that_agrees_as_far_as_counters_do_is_nobodys_business() -> None:
    """Steps of 100 Wh and 14 % of efficiency and rounding; and one odd day."""
    assert found_by_rule((1000, 960), (1100, 1060), (900, 1060), (1160, 1000), (1100, 960)) == []
    assert found_by_rule((100, 0), (0, 90), (0, 95)) == []
    assert found_by_rule((1000, 1000), (2000, 1000), (1000, 1000)) == []


def test_a_counter_that_does_not_agree_for_three_days_is_told() -> None:
    """By how much, since when; over when two days agree again."""
    (one,) = found_by_rule((1000, 1000), *[(1300, 1000)] * 3)
    assert (one.rule, one.subject, one.state, one.priority) == (
        "meters-disagree",
        "controller.c",
        "unacknowledged",
        "low",
    )
    assert one.since == frames.START + DAY_MS
    assert one.evidence == {"counted_wh": 3900.0, "measured_wh": 3000.0, "ratio": 1.3}
    assert "its own counter says 3900 Wh, its volts and amps 3000 Wh" in one.summary
    (one,) = found_by_rule(*[(700, 1000)] * 3, (1000, 1000), (1000, 1000))
    assert (one.state, one.until) == ("returned", frames.START + 3 * DAY_MS)


def test_assess_tells_of_a_counter_that_does_not_agree(located: Located, lines: list[str]) -> None:  # noqa: F811
    """From samples of a counter in the store to the open finding."""
    bring(located, lines)
    assess(located)
    assert "meters-disagree" not in rules(located)
    with closing(sqlite3.connect(located.store_path)) as connection:
        query = "SELECT start, measured_wh FROM yield_day WHERE array = 'cabin' ORDER BY start"
        days: list[tuple[int, float | None]] = connection.execute(query).fetchall()
    with closing(open_writer(located.store_path)) as connection, transaction(connection):
        number = Channels(connection).id("controller.cabin.day_energy", "Wh")
        for start, measured in days:
            clock = np.arange(0, 1440, 10)
            shown = 1.4 * (measured or 0.0) * np.clip((clock - 300) / 840, 0, 1)
            rows = [(start + int(m) * MINUTE_MS, number, float(v)) for m, v in zip(clock, shown, strict=True)]
            connection.executemany("INSERT INTO sample VALUES (?, ?, ?)", rows)
        rollup.refresh(connection, days[0][0], days[-1][0] + DAY_MS, 1 << 52, [number])
    assess(located)
    assert rules(located)["meters-disagree"] == "controller.cabin"


def rules(located: Located) -> dict[str, str]:  # noqa: F811
    with closing(sqlite3.connect(located.store_path)) as connection:
        return {f.rule: f.subject for f in Results(connection).findings() if f.is_open}


def test_only_the_hours_of_a_counter_are_read(tmp_path: Path) -> None:
    """A minute in which a counter begins again has a mean that it never showed: lowest and highest are what it was."""
    with closing(sqlite3.connect(tmp_path / "x.db")) as connection:
        hours(connection, *counter([500.0, 500.0], 30, 1.0))
        _, count = counted.readings(connection, "controller.c.day_energy")
    assert set(count[46:54].tolist()) <= {500.0, 0.0}
