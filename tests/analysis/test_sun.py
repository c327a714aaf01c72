"""The sun stands where the published tables put it."""

from __future__ import annotations

import datetime as dt

import hypothesis
import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.sun import DAY_MS, Place, SunPath, SunPosition, day_start, solar_day

GOLDEN = Place(39.742476, -105.1786, 1830.14)


def ms(*parts: int) -> int:
    return round(dt.datetime(*parts, tzinfo=dt.UTC).timestamp() * 1000)  # type: ignore[arg-type, misc]


def at(place: Place, t: int, temperature: float = 12.0) -> SunPosition:
    return SunPath(t, t, place, temperature).at(np.array([t]))


def light(place: Place, day: dt.date) -> tuple[int | None, int, int | None]:
    start = day_start(day, place.longitude)
    return SunPath(start, start + DAY_MS, place).light_of_day(start)


def test_worked_example_of_the_spa_report() -> None:
    """Reda & Andreas, NREL/TP-560-34302 (rev. 2008), appendix: 17 October 2003, 12:30:30 at UTC-7."""
    sun = at(GOLDEN, ms(2003, 10, 17, 19, 30, 30), temperature=11.0)
    assert sun.elevation[0] == pytest.approx(39.872046, abs=1e-5)
    assert sun.apparent_zenith[0] == pytest.approx(50.111622, abs=5e-4)
    assert sun.azimuth[0] == pytest.approx(194.340241, abs=5e-4)
    incidence = pvlib.irradiance.aoi(30.0, 170.0, sun.apparent_zenith[0], sun.azimuth[0])
    assert incidence == pytest.approx(25.187000, abs=5e-4)


def test_rise_and_transit_of_the_spa_report() -> None:
    """The same example: sunrise 06:12:43 (printed), transit 11:46:05 (computed with the SPA) local.

    The report's sunset, 17:20:19, belongs to the evening in that day of universal time, which is the local 16 October.
    """
    first, noon, last = light(GOLDEN, dt.date(2003, 10, 17))
    assert first is not None
    assert last is not None
    assert abs(first - ms(2003, 10, 17, 13, 12, 43)) < 3_000
    assert abs(noon - ms(2003, 10, 17, 18, 46, 5)) < 3_000
    evening_before = light(GOLDEN, dt.date(2003, 10, 16))[2]
    assert evening_before is not None
    assert abs(evening_before - ms(2003, 10, 17, 0, 20, 19)) < 3_000


def test_midnight_sun_has_neither_rise_nor_set() -> None:
    """70° N, 21 June 2024: transit 12:01:55 UTC (computed with the SPA in pvlib)."""
    first, noon, last = light(Place(70.0, 0.0), dt.date(2024, 6, 21))
    assert (first, last) == (None, None)
    assert abs(noon - ms(2024, 6, 21, 12, 1, 55)) < 2_000
    lowest = at(Place(70.0, 0.0), ms(2024, 6, 21, 0, 1, 52))
    assert lowest.elevation[0] == pytest.approx(3.4358, abs=0.005)


def test_polar_night_has_neither_rise_nor_set() -> None:
    """70° N, 21 December 2024: the sun stays 3.441° below the horizon at its highest (computed with the SPA)."""
    first, noon, last = light(Place(70.0, 0.0), dt.date(2024, 12, 21))
    assert (first, last) == (None, None)
    assert at(Place(70.0, 0.0), noon).elevation[0] == pytest.approx(-3.441, abs=0.005)


@pytest.mark.parametrize(
    ("place", "day", "first", "noon", "last"),
    [
        (Place(70.0, 0.0), dt.date(2024, 3, 20), (5, 57, 7), (12, 7, 18), (18, 19, 44)),
        (Place(55.317, -160.517), dt.date(1997, 6, 21), (14, 0, 21), (22, 43, 54), None),
        (Place(55.317, -160.517), dt.date(1997, 12, 21), (19, 7, 24), (22, 40, 24), None),
        (Place(-35.0, 0.0), dt.date(1996, 7, 5), (7, 8, 15), None, (17, 1, 4)),
        (Place(-35.0, 0.0), dt.date(2004, 12, 4), (4, 38, 57), None, (19, 2, 2)),
    ],
)
def test_light_of_days_far_north_and_south(
    place: Place,
    day: dt.date,
    first: tuple[int, ...],
    noon: tuple[int, ...] | None,
    last: tuple[int, ...] | None,
) -> None:
    """Computed with the SPA in pvlib; the southern rows are asserted in pvlib's own tests (SPA web calculator).

    Sunsets that fall on the next day of universal time are left out: the SPA's own rise-and-set procedure gives there
    the sunset of the evening before, up to two minutes off.
    """
    midnight = ms(day.year, day.month, day.day)
    found = light(place, day)
    for value, clock in zip(found, (first, noon, last), strict=True):
        if clock is not None:
            wanted = midnight + ((clock[0] * 60 + clock[1]) * 60 + clock[2]) * 1000
            assert value is not None
            assert abs(value - wanted) < 5_000


@given(st.floats(-65, 65), st.floats(-180, 180), st.dates(dt.date(2020, 1, 1), dt.date(2030, 12, 31)))
@hypothesis.settings(max_examples=40)
def test_the_sun_stands_at_the_horizon_at_first_and_last_light(latitude: float, longitude: float, day: dt.date) -> None:
    """By definition 0.8333° below it: the sun's radius and the refraction at the horizon."""
    place = Place(latitude, longitude)
    first, noon, last = light(place, day)
    assert first is not None
    assert last is not None
    assert first < noon < last
    for moment in (first, last):
        assert at(place, moment).elevation[0] == pytest.approx(-0.8333, abs=0.002)


def test_splines_between_the_nodes_agree_with_the_algorithm_itself() -> None:
    """A year of odd minutes against pvlib's get_solarposition: a thousandth of a degree nowhere."""
    place = Place(47.58, -2.90, 2.0)
    t = ms(2026, 1, 1) + np.arange(0, 365 * 1440, 97, dtype=np.int64) * 60_000 + 30_000
    sun = SunPath(int(t[0]), int(t[-1]), place).at(t)
    times = t.astype("datetime64[ms]")
    whole = pvlib.solarposition.get_solarposition(
        pd.DatetimeIndex(times).tz_localize("UTC"), 47.58, -2.90, altitude=2.0, method="nrel_numpy"
    )
    assert np.abs(whole["elevation"].to_numpy() - sun.elevation).max() < 1e-5
    assert np.abs(whole["apparent_zenith"].to_numpy() - sun.apparent_zenith).max() < 1e-5
    turned = (whole["azimuth"].to_numpy() - sun.azimuth + 180) % 360 - 180
    assert np.abs(turned).max() < 1e-5


@given(st.floats(-180, 180), st.dates(dt.date(1981, 1, 1), dt.date(2036, 12, 31)), st.floats(0, 1, exclude_max=True))
def test_a_solar_day_lasts_24_hours_and_holds_its_moments(longitude: float, day: dt.date, share: float) -> None:
    """Mean solar days follow one another without gap or overlap, at every longitude."""
    start = day_start(day, longitude)
    assert day_start(day + dt.timedelta(1), longitude) - start == pytest.approx(DAY_MS, abs=1)
    assert solar_day(start + 1 + int(share * (DAY_MS - 3)), longitude) == day


def test_mean_solar_noon_lies_in_the_middle_of_the_day() -> None:
    """At Greenwich the day runs from midnight to midnight; at 15° E it begins an hour of clock time earlier."""
    assert day_start(dt.date(2026, 6, 6), 0.0) == ms(2026, 6, 6)
    assert day_start(dt.date(2026, 6, 6), 15.0) == ms(2026, 6, 5, 23)
