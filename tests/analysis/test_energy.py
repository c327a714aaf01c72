"""Energy counts what is covered and nothing else: against published tables and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.energy import HOUR_MS, Integral, of_counter, of_pieces
from analysis.frames import Pieces

QUARTER = 900_000
NOON = 12 * HOUR_MS
NAN = float("nan")


def quarters(*minutes: int) -> np.ndarray:
    return np.array([NOON + m * 60_000 for m in minutes], dtype=np.int64)


def of_readings(t: np.ndarray, value: np.ndarray, edges: np.ndarray, most_ms: int, *, words: bool = False) -> Integral:
    found = Pieces.between_readings(t, value, most_ms, words=words)
    return of_pieces(found.start, found.length, found.value, edges)


def test_means_labelled_right() -> None:
    """15-minute means 1, 2, 3, 2, 1 W stamped at their ends 12:00..13:00: 0.5, 0.75, 0.5, 0.25 Wh after 12:00.

    Source: the energy examples in the test suite of RdTools (energy_from_power, right-labelled).
    """
    stamps = quarters(0, 15, 30, 45, 60)
    found = of_pieces(stamps - QUARTER, np.full(5, QUARTER), np.array([1.0, 2, 3, 2, 1]), stamps)
    assert found.total.tolist() == [0.5, 0.75, 0.5, 0.25]
    assert found.covered.tolist() == [1.0] * 4


def test_instants_by_trapezoids() -> None:
    """The same as readings of moments: 0.375, 0.625, 0.625, 0.375 Wh. Source: RdTools' tests, instantaneous power."""
    stamps = quarters(0, 15, 30, 45, 60)
    found = of_readings(stamps, np.array([1.0, 2, 3, 2, 1]), stamps, QUARTER)
    assert found.total.tolist() == [0.375, 0.625, 0.625, 0.375]


def test_a_hole_is_not_bridged() -> None:
    """12:15 missing and no hole allowed: the interval to 12:30 is unknown, then 0.5 and 0.25 Wh. Source: RdTools."""
    stamps, values = quarters(0, 30, 45, 60), np.array([1.0, 3, 2, 1])
    found = of_pieces(stamps - QUARTER, np.full(4, QUARTER), values, stamps)
    np.testing.assert_array_equal(np.where(found.covered == 1.0, found.total, NAN), [NAN, 0.5, 0.25])


def test_a_hole_longer_than_the_limit_leaves_all_of_it_unknown() -> None:
    """Constant 1 W at 12:00, 12:15, 12:45, at most 20 minutes bridged, half-hours asked: none is whole.

    Source: RdTools' tests of the largest gap.
    """
    found = of_readings(quarters(0, 15, 45), np.ones(3), quarters(0, 30, 60), 20 * 60_000)
    assert found.covered.tolist() == [0.5, 0.0]


# OPC 10000-13 (UA Part 13, Aggregates), Annex A, Historian 1: seconds after 12:00:00, value; the fourth is bad.
HISTORIAN = [(10, 10.0), (20, 20.0), (30, 30.0), (40, NAN), (50, 50.0), (60, 60.0), (70, 70.0), (80, 80.0), (90, 90.0)]
TENS = np.arange(0, 101, 10)


def historian(*, without_bad: bool) -> tuple[np.ndarray, np.ndarray]:
    rows = [row for row in HISTORIAN if not (without_bad and np.isnan(row[1]))]
    t, value = zip(*rows, strict=True)
    return NOON + np.array(t) * 1000, np.array(value)


def averages(t: np.ndarray, value: np.ndarray, most_s: int, *, words: bool = False) -> tuple[list[float], list[float]]:
    """Over every ten seconds: the table's averages of five, in pairs."""
    found = of_readings(t, value, NOON + TENS * 1000, most_s * 1000, words=words)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = found.total * HOUR_MS / (found.covered * 10_000)
    return mean.tolist(), found.covered.tolist()


def test_time_averages_across_a_bad_value() -> None:
    """TimeAverage of OPC UA Part 13 Annex A, which runs a line across the bad value: 12.5 and 17.5 ... 82.5 and 87.5.

    From 12:00:30 to :50 stands one piece here, whose mean is the table's over the four. Its last two intervals hold 90
    on past the last reading; here nothing is known after it.
    """
    mean, covered = averages(*historian(without_bad=True), most_s=20)
    pairs = np.arange(12.5, 90, 5).reshape(-1, 2).mean(axis=1)
    pairs[2:4] = pairs[2:4].mean()
    assert mean == pytest.approx([NAN, *pairs.tolist(), NAN], nan_ok=True)
    assert covered == [0, *[1] * 8, 0]


def test_time_averages_beside_a_bad_value() -> None:
    """TimeAverage2 of OPC UA Part 13 Annex A leaves the bad stretch out: 12:00:40 and :45 hold no data.

    From the last good value up to the bad one the table holds that value, 30 at :30 and :35, and calls it uncertain:
    so does a quantity that stands as it was before.
    """
    mean, _ = averages(*historian(without_bad=False), most_s=10)
    assert mean[1:3] == pytest.approx([15.0, 25.0])
    assert np.isnan(mean[3:5]).all()
    assert mean[5:9] == pytest.approx([55.0, 65.0, 75.0, 85.0])
    stood, _ = averages(*historian(without_bad=False), most_s=10, words=True)
    assert stood[3] == 30.0
    assert np.isnan(stood[4])


def test_a_mean_is_not_stretched_over_a_hole() -> None:
    """Half an hour at 100 W, half an hour unheard: 50 Wh of which half the hour is known, not 100 Wh."""
    found = of_pieces(quarters(0, 15), np.full(2, QUARTER), np.array([100.0, 100.0]), quarters(0, 60))
    assert found.total.tolist() == [50.0]
    assert found.covered.tolist() == [0.5]


def test_a_day_counter_begins_again() -> None:
    """500 Wh at night falls to zero at midnight and reads 120 Wh by noon: 120 Wh were counted, not −380."""
    t = np.array([20, 23, 25, 36]) * HOUR_MS
    found = of_counter(t, np.array([480.0, 500.0, 0.0, 120.0]), np.array([0, 24, 48]) * HOUR_MS)
    assert found.tolist() == [20.0, 120.0]


def test_a_counter_that_had_counted_again_before_it_was_heard() -> None:
    """It fell unheard and shows 30 Wh: 30 Wh were counted since. A flicker of the last digit counts for nothing."""
    t = np.arange(5) * HOUR_MS
    found = of_counter(t, np.array([5000.0, 5001.0, 5000.0, 30.0, 31.0]), np.array([0, 4 * HOUR_MS]))
    assert found.tolist() == [32.0]


def test_a_counter_unheard_says_nothing() -> None:
    """An interval without a reading has no figure, and none is invented from its neighbours."""
    t = np.array([0, 1, 50]) * HOUR_MS
    found = of_counter(t, np.array([0.0, 1.0, NAN]), np.array([0, 24, 48, 72]) * HOUR_MS)
    np.testing.assert_array_equal(found, [1.0, NAN, NAN])


@given(
    steps=st.lists(st.integers(1, 3_000_000), min_size=2, max_size=20),
    values=st.lists(st.floats(-1e4, 1e4), min_size=20, max_size=20),
    cuts=st.lists(st.integers(0, 60_000_000), min_size=1, max_size=8, unique=True),
)
def test_parts_come_to_the_whole(steps: list[int], values: list[float], cuts: list[int]) -> None:
    """However a span is cut, covered time and energy of its parts add up to those of the span."""
    t = np.cumsum(steps)
    value = np.array(values[: len(t)])
    whole = np.array([0, 60_000_001])
    cut = np.array(sorted({0, *cuts, 60_000_001}))
    one, many = of_readings(t, value, whole, 2_000_000), of_readings(t, value, cut, 2_000_000)
    assert (many.covered * np.diff(cut)).sum() == pytest.approx((one.covered * np.diff(whole)).sum())
    assert np.nansum(many.total) == pytest.approx(np.nansum(one.total), abs=1e-6)
