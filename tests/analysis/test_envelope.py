"""A light sensor against the clear sky: gain, night offset, and the noon that it shows."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pvanalytics
import pytest

from analysis import envelope
from analysis.folding import fold
from analysis.frames import Grid, Pieces, Stretch
from analysis.results import (
    Finding,
    SunDay,
)
from analysis.results_light import LightDay
from analysis.rules import clock_suspect, sensor_suspect
from analysis.sky import Sky
from analysis.sun import DAY_MS, Floats, Place, SunPath, day_start
from analysis.witnesses import Witness
from tests.analysis import frames
from tests.analysis.test_findings import history

PLACE = Place(47.58, -2.90, 2.0)
DAY = dt.date(2026, 6, 12)
CHANNEL = "irradiance.horizontal.global"


def judged(light: Floats, t: np.ndarray, step: int, place: Place = PLACE, day: dt.date = DAY) -> LightDay | None:
    """What the envelope says of one day's readings, their stamps taken as they are."""
    start = day_start(day, place.longitude)
    path = SunPath(start - DAY_MS, start + 2 * DAY_MS, place)
    sun = SunDay(day, start, start + DAY_MS, *path.light_of_day(start), "hash")
    grid = Grid(t[path.elevation(t + step // 2) > 0], step)
    pieces = Pieces(t, np.full(len(t), step, dtype=np.int64), light)
    sky = Sky(grid, path.at(grid.middle), place, Stretch(0, 0, {CHANNEL: pieces}))
    return envelope.of_day(Witness(CHANNEL, lambda sky: sky.clear.ghi, True), sun, sky, -1.0)


def clear_light(late_s: float = 0.0, step: int = 60_000) -> tuple[Floats, np.ndarray]:
    """A cloudless day by the clear-sky model, as a clock that is late or early would have stamped it."""
    start = day_start(DAY, PLACE.longitude)
    t = start + np.arange(0, DAY_MS, step, dtype=np.int64)
    moved = t - round(late_s * 1000)
    path = SunPath(int(moved[0]), int(moved[-1]) + step, PLACE)
    up = path.elevation(moved + step // 2) > 0
    sky = Sky(Grid(moved[up], step), path.at(moved[up] + step // 2), PLACE, Stretch(0, 0, {}))
    light = np.zeros(len(t))
    light[up] = sky.clear.ghi
    return light, t


@pytest.mark.parametrize("gain", [0.7, 1.0, 1.25])
@pytest.mark.parametrize("late_min", [-120, -30, -5, 0, 5, 30, 60])
def test_gain_and_noon_of_a_clear_day(gain: float, late_min: float) -> None:
    """A sensor of another gain, behind a clock that is minutes off: both are told, neither disturbs the other."""
    light, t = clear_light(60 * late_min)
    found = judged(gain * light, t, 60_000)
    assert found is not None
    assert found.gain == pytest.approx(gain, rel=0.04)
    assert found.noon_shift_s is not None
    assert found.noon_shift_s / 60 == pytest.approx(late_min, abs=1.0 + 0.1 * abs(late_min))


def test_a_day_of_broken_cloud_says_nothing() -> None:
    """Under half an hour of blue between clouds neither gain nor noon can be told."""
    light, t = clear_light()
    rng = np.random.default_rng(5)
    cloudy = light * np.repeat(rng.uniform(0.2, 1.1, len(t) // 8), 8)
    found = judged(cloudy, t, 60_000)
    assert found is not None
    assert (found.gain, found.noon_shift_s) == (None, None)


def test_hours_alike_under_broken_cloud_are_no_clear_sky() -> None:
    """Hourly means at 60 % of a clear sky's for five hours in a row, by chance, and brighter ones beside them: no gain.
    The same hours without cloud tell it."""
    light, t = clear_light(step=3_600_000)
    hour = np.arange(len(t))
    cloudy = light * np.where((hour >= 8) & (hour <= 12), 0.60, np.where(hour % 2 == 0, 0.90, 0.45))
    broken, cloudless = judged(cloudy, t, 3_600_000), judged(light, t, 3_600_000)
    assert broken is not None
    assert broken.gain is None
    assert cloudless is not None
    assert cloudless.gain == pytest.approx(1.0, abs=0.03)


def test_three_alike_hours_of_a_grey_day_are_no_clear_sky() -> None:
    """The day's best, and alike, yet too few to be a clear sky."""
    light, t = clear_light(step=3_600_000)
    hour = np.arange(len(t))
    grey = judged(light * np.where((hour >= 9) & (hour <= 12), 0.60, 0.2 + 0.03 * (hour % 5)), t, 3_600_000)
    assert grey is not None
    assert grey.gain is None


def measured_days(zone_h: int) -> list[LightDay]:
    """The weather station of the package pvanalytics (NREL RMIS, Golden, 1-4 January 2022, five minutes)."""
    place = Place(39.7406, -105.1775, 1830.0)
    rows = pd.read_csv(
        Path(pvanalytics.__file__).parent / "data" / "rmis_weather_data.csv", index_col=0, parse_dates=True
    )
    column = next(name for name in rows.columns if "global" in name.lower() and "normal" not in name.lower())
    stamps = rows.index.tz_localize(None).to_numpy().astype("datetime64[ms]").astype(np.int64) - zone_h * 3_600_000
    light = rows[column].to_numpy(float)
    known = np.isfinite(light)
    found = []
    for day in (dt.date(2022, 1, n) for n in range(1, 5)):
        start = day_start(day, place.longitude)
        mine = known & (stamps >= start) & (stamps < start + DAY_MS)
        if mine.sum() > 50:
            said = judged(light[mine], stamps[mine], 300_000, place, day)
            if said is not None and said.noon_shift_s is not None:
                found.append(said)
    return found


def test_measured_noon_proves_the_zone_of_a_file() -> None:
    """Local standard time, UTC-7, is proven by the data (closure of its sensors): noon is right there alone."""
    right = measured_days(-7)
    assert right
    assert all(abs(d.noon_shift_s or 0.0) < 12 * 60 for d in right)
    assert all(0.8 < (d.gain or 0.0) < 1.2 for d in right)
    for wrong in (-8, -6):
        assert all(abs(d.noon_shift_s or 0.0) > 20 * 60 for d in measured_days(wrong))


def light_day(n: int, gain: float | None = 1.0, shift_min: float | None = 0.0) -> LightDay:
    start = frames.START + n * DAY_MS
    shift = None if shift_min is None else 60 * shift_min
    return LightDay(CHANNEL, DAY + dt.timedelta(n), start, start + DAY_MS, -1.0, 300.0, gain, shift, 30.0)


def test_three_clear_days_of_too_much_light_raise_the_sensor() -> None:
    days = [light_day(0), light_day(1, 1.3), light_day(2, None), light_day(3, 1.31), light_day(4, 1.29)]
    (found,) = sensor_suspect.found(history(light_days=days))
    assert found.evidence["gain"] == pytest.approx(1.3)
    assert found.since == frames.START + DAY_MS
    assert found.causes[0].cause == "irradiance-sensor"
    assert sensor_suspect.found(history(light_days=[light_day(n, 1.05) for n in range(9)])) == []


def test_two_clear_days_of_a_wrong_noon_raise_the_clock() -> None:
    days = [light_day(n, 1.0, 40.0) for n in range(3)]
    (found,) = clock_suspect.found(history(light_days=days))
    assert (found.subject, found.evidence["noon_shift_min"]) == ("clock", 40.0)
    assert found.evidence["as_longitude_degrees"] == pytest.approx(-10.0)
    assert clock_suspect.found(history(light_days=[light_day(n, 1.0, 9.0) for n in range(9)])) == []


def test_a_shortfall_that_the_sensor_explains_is_folded_into_it() -> None:
    """A sensor a quarter too high makes a sound array look a fifth short: one finding, the sensor's."""
    sensor = Finding("sensor-suspect", "source.sky", "unacknowledged", "medium", 0, None, "", {"gain": 1.25}, ())
    short = Finding("yield-shortfall", "array.a", "unacknowledged", "medium", 0, None, "", {"lost_fraction": 0.2}, ())
    worse = Finding("yield-shortfall", "array.a", "unacknowledged", "medium", 0, None, "", {"lost_fraction": 0.5}, ())
    assert [f.rule for f in fold([sensor, short], frames.settings())] == ["sensor-suspect"]
    assert len(fold([sensor, worse], frames.settings())) == 2
