"""At 69° N: low sun all day, polar night, midnight sun; the light is known or said to be unknown, never a NaN."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analysis import envelope, irradiance, witnesses
from analysis.geometry import Facing, facings
from analysis.results import SunDay
from analysis.sun import DAY_MS, Place, SunPath, day_start
from tests.analysis import frames
from tests.analysis.test_light import array, lies, noon, sky_of

NORTH = Place(69.65, 18.96)
MIDSUMMER, MIDWINTER, FIRST_SUN = dt.date(2026, 6, 21), dt.date(2026, 12, 21), dt.date(2027, 1, 20)


def test_midnight_sun_lights_a_plane_to_the_north() -> None:
    """At midsummer the sun shines for 24 hours; a plane of 60° towards north has its best light at night, while the sun
    stands in the north, one towards south at noon; both have light at every hour."""
    sky = sky_of(NORTH, MIDSUMMER)
    assert len(sky.grid.start) == 1440
    n = len(sky.grid.start)
    start = day_start(MIDSUMMER, NORTH.longitude)
    for azimuth, low, high in ((0.0, 19.0, 5.0), (180.0, 11.0, 13.0)):
        plane = sky.in_plane(Facing(np.full(n, 60.0), np.full(n, azimuth)), sky.dome(sky.clear)).light
        assert np.isfinite(plane).all()
        assert plane.min() > 3.0
        best = (sky.grid.start[int(np.argmax(plane))] - start) / 3_600_000
        assert low < best < high if low < high else best > low or best < high


def test_polar_night_has_no_light_and_no_interval_to_judge() -> None:
    """From the end of November to mid-January the sun stays below the horizon: no interval, no NaN, no error."""
    sky = sky_of(NORTH, MIDWINTER)
    assert len(sky.grid.start) == 0
    light = irradiance.on_array(array(), sky, lies(sky))
    assert light.plane.shape == (0,)
    assert sky.clear.ghi.shape == (0,)


def test_the_first_sun_of_the_year_is_low_and_real() -> None:
    """On 20 January the sun stands up to 1° high at noon: a flat array gets next to nothing, an upright one towards it
    a beam that no small cosine blows up."""
    sky = sky_of(NORTH, FIRST_SUN)
    assert 20 < len(sky.grid.start) < 240
    assert sky.sun.elevation.max() < 1.5
    n = len(sky.grid.start)
    for tilt in (0.0, 30.0, 90.0):
        plane = sky.in_plane(Facing(np.full(n, tilt), np.full(n, 180.0)), sky.dome(sky.clear)).light
        assert np.isfinite(plane).all()
        assert plane.min() >= 0.0
        assert plane.max() < 400.0


@pytest.mark.parametrize("ghi", [0.0, 0.5, 3.0, 15.0, 60.0])
@pytest.mark.parametrize("tilt", [0.0, 20.0, 60.0, 90.0])
def test_a_low_sun_turns_a_little_light_into_a_little_light(ghi: float, tilt: float) -> None:
    """Whatever a horizontal sensor says while the sun is low, the plane gets no more than the sun could send it: never
    beyond the extraterrestrial beam with the dome, never below nothing, never NaN; with its uncertainty."""
    sky = sky_of(NORTH, dt.date(2027, 2, 1), {"irradiance.horizontal.global": ghi})
    light = irradiance.on_array(array(tilt=tilt), sky, lies(sky))
    assert np.isfinite(light.plane).all()
    assert light.plane.min() >= 0.0
    steep = ghi / np.maximum(np.sin(np.radians(sky.sun.elevation)), np.cos(np.radians(85.0)))
    assert (light.plane <= 1.3 * steep + 1.0).all()
    assert np.isfinite(light.sigma_gain).all()


def test_a_snowed_up_shore_throws_the_light_back() -> None:
    """An upright module over snow (albedo 0.65) gets half of 0.65 of the horizontal's light from below; over water a
    tenth of that."""
    snow, water = (sky_of(NORTH, dt.date(2027, 3, 21), albedo=albedo) for albedo in (0.65, 0.07))
    n = len(snow.grid.start)
    upright = Facing(np.full(n, 90.0), np.full(n, 180.0))
    more = snow.in_plane(upright, snow.dome(snow.clear)).light - water.in_plane(upright, water.dome(water.clear)).light
    assert more == pytest.approx(0.5 * (0.65 - 0.07) * snow.clear.ghi)


def test_a_heading_matters_at_midnight_too() -> None:
    """Swinging without heading under the midnight sun: the band over all headings is wide for a module of 45° at every
    hour, and there is none for a flat one."""
    sky = sky_of(NORTH, MIDSUMMER, {"irradiance.horizontal.global": sky_of(NORTH, MIDSUMMER).clear.ghi})
    steep, flat = (irradiance.on_array(array(tilt=t), sky, lies(sky, "swinging")) for t in (45.0, 0.0))
    assert steep.sigma_gain.min() > 0.06
    assert noon(sky, steep.sigma_gain) > 0.12
    assert flat.sigma_gain.max() < 0.05
    assert len(facings(45.0, 0.0, lies(sky, "swinging"))) == 8


def test_solar_days_of_the_north_have_a_noon_all_year() -> None:
    """The transit is told on every day, with rise and set where the sun crosses the horizon and without elsewhere."""
    start = day_start(dt.date(2026, 1, 1), NORTH.longitude)
    path = SunPath(start, start + 365 * DAY_MS, NORTH)
    told = [path.light_of_day(start + n * DAY_MS) for n in range(365)]
    assert all(abs(noon - (start + n * DAY_MS) - DAY_MS // 2) < 20 * 60_000 for n, (_, noon, _) in enumerate(told))
    dark = [
        n
        for n, (first, _, _) in enumerate(told)
        if first is None and path.elevation(np.array([start + n * DAY_MS + DAY_MS // 2]))[0] < 0
    ]
    bright = [n for n, (first, _, _) in enumerate(told) if first is None and n not in dark]
    assert 45 < len(dark) < 60
    assert 60 < len(bright) < 75


def test_a_sensor_in_the_plane_says_nothing_of_a_polar_night() -> None:
    """No interval has the sun up: no light falls anywhere, the sensor is neither tried nor blamed, nothing breaks."""
    sky = sky_of(NORTH, MIDWINTER, {"irradiance.a.plane": 0.0})
    assert len(sky.grid.start) == 0
    witness = next(w for w in witnesses.of_settings(frames.settings()) if w.channel == "irradiance.a.plane")
    start = day_start(MIDWINTER, NORTH.longitude)
    sun = SunDay(MIDWINTER, start, start + DAY_MS, None, start + DAY_MS // 2, None, "hash")
    assert envelope.of_day(witness, sun, sky, 0.0) is None
    assert len(irradiance.on_array(array(tilt=60.0), sky, lies(sky)).plane) == 0
