"""Light after dark, with dark in full day at the other end, tells the clock; a lamp or a hill alone tells nothing."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pvanalytics
import pytest

from analysis import lit_hours
from analysis.frames import Pieces
from analysis.results import (
    SunDay,
)
from analysis.results_light import LightDay
from analysis.rules import clock_suspect
from analysis.sun import DAY_MS, Place, SunPath, day_start

from .test_envelope import history, light_day

DATA = Path(pvanalytics.__file__).parent / "data"
GOLDEN = Place(39.7406, -105.1775, 1830.0)
PLANE = "irradiance.west.plane"


def told(stamps: np.ndarray, light: np.ndarray, step: int, day: dt.date, place: Place = GOLDEN) -> LightDay | None:
    start = day_start(day, place.longitude)
    path = SunPath(start, start + DAY_MS, place)
    mine = (stamps >= start) & (stamps < start + DAY_MS) & np.isfinite(light)
    pieces = Pieces(stamps[mine], np.full(mine.sum(), step, dtype=np.int64), light[mine])
    return lit_hours.of_day(
        PLANE, SunDay(day, start, start + DAY_MS, *path.light_of_day(start), "s"), pieces, path, 0.0
    )


def shifts(name: str, column: str, zone_h: int) -> list[float]:
    """Shift of each day that tells one [min], with the file's stamps taken for that zone."""
    rows = pd.read_csv(DATA / name, index_col=0)
    times = pd.to_datetime(rows.index, format="mixed").to_numpy().astype("datetime64[ms]").astype(np.int64)
    days = [
        told(times - zone_h * 3_600_000, rows[column].to_numpy(float), 900_000, dt.date(2022, 1, n))
        for n in range(2, 7)
    ]
    return [(d.noon_shift_s or 0.0) / 60 for d in days if d is not None]


def test_a_file_that_names_no_zone_is_told_by_its_lit_hours() -> None:
    """``nrel_RSF_II.csv`` (NREL PVDAQ 1283): at UTC-7, the campus' own time, its light comes about two hours late; at
    UTC-5 no day is at odds."""
    late = shifts("nrel_RSF_II.csv", "poa_irradiance__1055", -7)
    assert len(late) >= 3
    assert np.median(late) == pytest.approx(120, abs=20)
    assert all(abs(shift) < 10 for shift in shifts("nrel_RSF_II.csv", "poa_irradiance__1055", -5))


def test_a_file_of_a_known_zone_is_never_at_odds() -> None:
    """``serf_west_15min.csv`` (NREL PVDAQ 51), 45° to the south-south-east, two mornings under snow."""
    assert all(abs(shift) < 10 for shift in shifts("serf_west_15min.csv", "poa_irradiance__771", -7))


def synthetic(late_min: float, day: dt.date = dt.date(2026, 3, 20)) -> tuple[np.ndarray, np.ndarray]:
    """Light that goes with the sun's height, by a clock that is late."""
    start = day_start(day, GOLDEN.longitude)
    t = start + np.arange(0, DAY_MS, 60_000, dtype=np.int64)
    sun = SunPath(start - DAY_MS, start + 2 * DAY_MS, GOLDEN).elevation(t - round(late_min * 60_000))
    return t, 800 * np.maximum(np.sin(np.radians(sun)), 0)


@pytest.mark.parametrize("late", [-600, -420, -180, -90, -60, 60, 90, 180, 420, 600])
def test_hours_are_told_whichever_way_the_clock_is_wrong(late: float) -> None:
    found = told(*synthetic(late), 60_000, dt.date(2026, 3, 20))
    assert found is not None
    assert (found.noon_shift_s or 0.0) / 60 == pytest.approx(late, abs=5)
    assert found.gain is None


def test_a_lamp_at_night_and_a_hill_in_the_morning_are_no_clock() -> None:
    """Either is at odds with the sun at one end of the day alone, or at both with nothing dark in between."""
    t, light = synthetic(0)
    day = dt.date(2026, 3, 20)
    minutes = (t - t[0]) // 60_000
    assert told(t, np.where((minutes > 1260) & (minutes < 1380), 50.0, light), 60_000, day) is None
    assert told(t, np.where(minutes < 540, 0.0, light), 60_000, day) is None


def test_two_days_at_odds_raise_the_clock_and_sound_ones_clear_it() -> None:
    """Days of a plane count as those of a horizontal sensor; both on one day are one witness."""
    odd = [light_day(n, None, 120.0) for n in range(2)]
    (found,) = clock_suspect.found(history(light_days=odd))
    assert found.evidence["noon_shift_min"] == 120.0
    assert clock_suspect.found(history(light_days=[odd[0], odd[0]])) == []
    (over,) = clock_suspect.found(history(light_days=[*odd, *(light_day(n, None, 2.0) for n in range(2, 6))]))
    assert over.state == "returned"
