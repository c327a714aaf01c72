"""A night without volts tells what an ammeter says of nothing; anything else at night is a current, or unknown."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import twins, zeros
from analysis.frames import Pieces, Stretch
from analysis.results import SunDay
from analysis.sun import DAY_MS, Place, SunPath
from tests.analysis import frames
from tests.analysis.grey_weeks import Week, days

PLACE = Place(47.6, 0.0)
START = round(dt.datetime(2026, 12, 10, tzinfo=dt.UTC).timestamp() * 1000)
PATH = SunPath(START - DAY_MS, START + 2 * DAY_MS, PLACE)
SUN = SunDay(dt.date(2026, 12, 10), START, START + DAY_MS, *PATH.light_of_day(START), "")
UP = PATH.elevation(START + np.arange(1440) * 60_000 + 30_000) > 0.0


def zero(amps: Any, night_v: float = 0.4, heard: Any = True) -> float:
    """What the day tells of the meter that said so, by day and by night alike where it is one number."""
    minutes = START + np.arange(1440, dtype=np.int64) * 60_000
    there = np.broadcast_to(np.asarray(heard), 1440)

    def pieces(values: Any) -> Pieces:
        every = np.broadcast_to(np.asarray(values, dtype=float), 1440)
        return Pieces(minutes[there], np.full(there.sum(), 60_000, dtype=np.int64), every[there])

    named = {"array.a.voltage": pieces(np.where(UP, 36.0, night_v)), "array.a.current": pieces(amps)}
    settings = frames.settings()
    stretch = Stretch(START, START + DAY_MS, named)
    (found,) = zeros.at(np.array([SUN.noon]), settings.array[0], settings, stretch, [SUN], PATH)
    return float(found)


@given(off=st.floats(-0.03, 0.03), seed=st.integers(0, 99))
def test_what_a_meter_is_off_by_is_told_to_a_thousandth_of_an_ampere(off: float, seed: int) -> None:
    """Read to a hundredth, with the jitter that every meter has; the day's amps count for nothing."""
    jitter = 0.004 * np.random.default_rng(seed).standard_normal(1440)
    said = np.round(np.where(UP, 3.0, 0.0) + off + jitter, 2)
    told = zero(said)
    if said[~UP].min() >= 0.0 and np.median(said[~UP]) == 0.0:
        assert np.isnan(told)
    else:
        assert told == pytest.approx(off, abs=0.0015)


def test_amps_with_the_banks_volts_on_the_array_are_real() -> None:
    """A controller that lets the bank's current back at night has no zero to be taken off."""
    assert np.isnan(zero(np.where(UP, 3.0, -0.02), night_v=25.8))


def test_more_than_a_meters_zero_is_none() -> None:
    assert np.isnan(zero(np.where(UP, 3.0, 0.2)))


def test_a_meter_that_never_says_less_than_nought_may_hide_its_zero() -> None:
    assert np.isnan(zero(np.where(UP, 3.0, 0.0)))


def test_a_night_in_which_nothing_was_said_tells_nothing() -> None:
    """Many controllers sleep from dusk to dawn."""
    assert np.isnan(zero(np.where(UP, 3.0, 0.01), heard=UP))


def test_a_dim_week_is_told_the_better_for_it() -> None:
    """December at 48° N: with volts and amps the interval is narrower than with power alone, and holds the truth."""
    widths = []
    for bare_kit in (False, True):
        week = Week(first=dt.date(2026, 12, 10), seed=7, vessel=7, gain=(("port", 0.9),), bare_kit=bare_kit)
        told = twins.compared(days(week), "port")
        assert told is not None
        assert told.low <= 0.9 <= told.high
        widths.append(told.high - told.low)
    assert widths[1] < 0.85 * widths[0]
