"""Sun, air, clear sky and light in a plane give what standards, papers and a reference library's tests print.

Each step goes through our own function; where we call a library's step with our own arguments, the call is checked with
the arguments of the source.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pvlib
import pytest

from analysis.frames import Grid, Stretch
from analysis.geometry import Facing
from analysis.sky import Dome, Parts, Sky
from analysis.sun import DAY_MS, Place, SunPath, SunPosition, day_start

SAND_POINT = Place(55.317, -160.517)


def ms(*parts: int) -> int:
    return round(dt.datetime(*parts, tzinfo=dt.UTC).timestamp() * 1000)  # type: ignore[arg-type, misc]


def at(place: Place, t: int, temperature: float = 0.0) -> SunPosition:
    return SunPath(t, t, place, temperature).at(np.array([t]))


def sky_at(
    zenith: float, azimuth: float = 180.0, day: tuple[int, int, int] = (2014, 6, 24), albedo: float = 0.2
) -> Sky:
    start = ms(*day, 12) - 30_000
    sun = SunPosition(np.array([90.0 - zenith]), np.array([zenith]), np.array([azimuth]))
    return Sky(Grid(np.array([start]), 60_000), sun, Place(40.0, -80.0), Stretch(0, 0), albedo=albedo)


def test_steps_of_the_spa_report() -> None:
    """The same appendix, step by step in the algorithm that we call: 12:30:30 at UTC-7 with ΔT 67 s, 39.742476° N."""
    spa = pvlib.spa
    day = spa.julian_day(ms(2003, 10, 17, 19, 30, 30) / 1000)
    assert day == pytest.approx(2452930.312847, abs=1e-6)
    century = spa.julian_ephemeris_century(spa.julian_ephemeris_day(day, 67.0))
    millennium = spa.julian_ephemeris_millennium(century)
    around, radius = spa.heliocentric_longitude(millennium), spa.heliocentric_radius_vector(millennium)
    above = spa.heliocentric_latitude(millennium)
    assert around == pytest.approx(24.0182616917, abs=1e-6)
    assert above == pytest.approx(-0.0001011219, abs=1e-9)
    assert radius == pytest.approx(0.9965422974, abs=1e-8)
    moon = [spa.mean_elongation, spa.mean_anomaly_sun, spa.mean_anomaly_moon, spa.moon_argument_latitude]
    nutation = np.empty((2, 1))
    arguments = [step(np.array([century])) for step in [*moon, spa.moon_ascending_longitude]]
    spa.longitude_obliquity_nutation(np.array([century]), *arguments, nutation)
    assert nutation[:, 0] == pytest.approx([-0.00399840, 0.00166657], abs=1e-8)
    tilt = spa.true_ecliptic_obliquity(spa.mean_ecliptic_obliquity(millennium), nutation[1, 0])
    assert tilt == pytest.approx(23.440465, abs=1e-6)
    apparent = spa.apparent_sun_longitude(
        spa.geocentric_longitude(around), nutation[0, 0], spa.aberration_correction(radius)
    )
    assert apparent == pytest.approx(204.0085519281, abs=1e-6)
    ascension = spa.geocentric_sun_right_ascension(apparent, tilt, spa.geocentric_latitude(above))
    declination = spa.geocentric_sun_declination(apparent, tilt, spa.geocentric_latitude(above))
    assert (ascension, declination) == pytest.approx((202.227408, -9.31434), abs=1e-5)
    turned = spa.apparent_sidereal_time(spa.mean_sidereal_time(day, spa.julian_century(day)), nutation[0, 0], tilt)
    assert spa.local_hour_angle(turned, -105.1786, ascension) == pytest.approx(11.105902, abs=1e-5)


def test_refraction_of_the_spa_report() -> None:
    """Reda & Andreas, NREL/TP-560-34302 (rev. 2008), appendix: 0.016332° at 39.872046°, 820 mbar and 11 °C."""
    sun = at(Place(39.742476, -105.1786, 1830.14), ms(2003, 10, 17, 19, 30, 30), temperature=11.0)
    assert 90 - sun.apparent_zenith[0] - sun.elevation[0] == pytest.approx(0.016332, abs=2e-4)


def test_equation_of_time_of_the_spa_report() -> None:
    """The same example: 14.64 min, here as the lead of the sun's noon over the mean sun's."""
    start = day_start(dt.date(2003, 10, 17), -105.1786)
    noon = SunPath(start, start + DAY_MS, Place(39.742476, -105.1786)).light_of_day(start)[1]
    assert (start + DAY_MS / 2 - noon) / 60_000 == pytest.approx(14.64, abs=0.02)


@pytest.mark.parametrize(
    ("place", "when", "elevation", "apparent"),
    [
        (Place(70.0, 0.0), (2024, 6, 21, 0, 1, 52), 3.4358, 3.6536),
        (Place(80.0, 0.0), (2024, 6, 21, 0, 1, 52), 13.436, None),
        (SAND_POINT, (1997, 6, 21, 22, 45, 0), 58.117, None),
        (SAND_POINT, (1997, 12, 21, 22, 45, 0), 11.237, 11.320),
    ],
)
def test_height_of_the_sun_far_north(
    place: Place, when: tuple[int, ...], elevation: float, apparent: float | None
) -> None:
    """Computed with the SPA in pvlib at 101325 Pa and 0 °C; the closed form 90 - φ + δ agrees."""
    sun = at(place, ms(*when))
    assert sun.elevation[0] == pytest.approx(elevation, abs=0.005)
    if apparent is not None:
        assert 90 - sun.apparent_zenith[0] == pytest.approx(apparent, abs=0.005)


@pytest.mark.parametrize(
    ("latitude", "day", "wanted"),
    [
        (43.0, dt.date(2025, 4, 15), 33.77),
        (55.0, dt.date(2025, 6, 21), 41.573),
        (55.0, dt.date(2025, 12, 21), 4.612),
        (70.0, dt.date(2025, 6, 21), 42.733),
        (70.0, dt.date(2025, 12, 21), 0.0),
    ],
)
def test_light_of_a_day_above_the_air(latitude: float, day: dt.date, wanted: float) -> None:
    """MJ/m² on the horizontal by the handbook's sum (Duffie and Beckman; 1367 W/m², Cooper's declination), computed.

    Cooper's declination is good to half a degree, which is 5 % of a low winter day and up to 1.5 % of others.
    """
    place = Place(latitude, 0.0)
    start = day_start(day, 0.0)
    t = start + 30_000 + np.arange(1440, dtype=np.int64) * 60_000
    sun = SunPath(start, start + DAY_MS, place).at(t)
    sky = Sky(Grid(t - 30_000, 60_000), sun, place, Stretch(0, 0))
    found = float((sky.extra * np.maximum(np.sin(np.radians(sun.elevation)), 0)).sum() * 60 / 1e6)
    assert found == pytest.approx(wanted, rel=0.05 if wanted < 10 else 0.015, abs=1e-9)


@pytest.mark.parametrize(
    ("day", "wanted"), [(300, 1383.636), (1, 1413.982), (172, 1321.624), (185, 1320.458), (355, 1412.709)]
)
def test_extraterrestrial_light_by_spencer(day: int, wanted: float) -> None:
    """Spencer 1971 with 1366.1 W/m²: day 300 is asserted in pvlib's own tests, the others computed from the series."""
    date = dt.date(2025, 1, 1) + dt.timedelta(day - 1)
    assert sky_at(50.0, day=(date.year, date.month, date.day)).extra[0] == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize(
    ("zenith", "wanted"),
    [
        (0.0, 1.0), (30.0, 1.1540), (45.0, 1.4126), (60.0, 1.9943), (70.0, 2.9031), (75.0, 3.8129), (80.0, 5.586),
        (85.0, 10.3058), (88.0, 19.4332), (89.0, 26.3106), (89.9, 36.467), (90.0, 37.9196),
    ],
)  # fmt: skip
def test_air_mass_by_kasten_and_young(zenith: float, wanted: float) -> None:
    """Kasten and Young 1989; 0°, 80° and 89.9° are asserted in pvlib's own tests, the others computed."""
    assert sky_at(zenith).airmass[0] == pytest.approx(wanted, abs=0.001)


def test_no_air_mass_below_the_horizon() -> None:
    """Zenith 100°: undefined (pvlib's own tests)."""
    assert np.isnan(sky_at(100.0).airmass[0])


@pytest.mark.parametrize(("height", "pascal"), [(0.0, 101325.0), (1000.0, 89874.75), (8000.0, 35600.50)])
def test_pressure_by_height(height: float, pascal: float) -> None:
    """The standard atmosphere as pvlib's own tests assert it; air mass 2 at 90000 Pa counts 1.776."""
    assert Place(0.0, 0.0, height).pressure == pytest.approx(pascal, abs=0.01)
    assert pvlib.atmosphere.get_absolute_airmass(2.0, 90000.0) == pytest.approx(1.776, abs=0.001)


@pytest.mark.parametrize(
    ("height", "extra", "wanted"),
    [
        (0.0, 1364.0, (1038.159, 942.208, 110.265)),
        (0.0, 1370.0, (1042.726, 946.353, 110.750)),
        (2000.0, 1364.0, (1134.243, 994.954, 154.405)),
    ],
)
def test_clear_sky_by_ineichen_at_ten_degrees(height: float, extra: float, wanted: tuple[float, ...]) -> None:
    """Zenith 10°, absolute air mass 1, Linke turbidity 3: pvlib's own tests, by the arguments in our order."""
    found = pvlib.clearsky.ineichen(10.0, 1.0, 3.0, height, extra)
    assert [found[key] for key in ("ghi", "dni", "dhi")] == pytest.approx(wanted, abs=0.001)


@pytest.mark.parametrize(
    ("ghi", "zenith", "day", "wanted"),
    [
        (1000.0, 10.0, dt.date(2019, 1, 1), 0.718133),
        (1000.0, 10.0, dt.date(2019, 6, 20), 0.768214),
        (50.0, 85.0, dt.date(2019, 1, 1), 0.405724),
        (0.0, 120.0, dt.date(2019, 1, 1), 0.0),
    ],
)
def test_clearness_by_erbs(ghi: float, zenith: float, day: dt.date, wanted: float) -> None:
    """The clearness on which Erbs' split stands, by our arguments in our order: pvlib's own tests."""
    sky = sky_at(zenith, day=(day.year, day.month, day.day))
    found = pvlib.irradiance.erbs(np.array([ghi]), sky.sun.apparent_zenith, sky.day_of_year)
    assert found["kt"][0] == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize(
    ("tilt", "ghi", "albedo", "wanted"), [(40.0, 900.0, 0.25, 26.3200), (45.0, 1000.0, 0.2, 29.2893)]
)
def test_light_from_the_ground(tilt: float, ghi: float, albedo: float, wanted: float) -> None:
    """pvlib's own tests; by us with all other light taken away: a dome that gives nothing."""
    sky = sky_at(50.0, albedo=albedo)
    nothing = np.zeros(1)
    dome = Dome(Parts(np.array([ghi]), nothing, nothing), nothing, nothing, nothing)
    assert sky.in_plane(Facing(np.array([tilt]), np.array([180.0])), dome).light[0] == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize(("tilt", "dhi", "wanted"), [(40.0, 100.0, 88.3022), (40.0, 118.45832, 104.6013)])
def test_light_of_an_even_dome(tilt: float, dhi: float, wanted: float) -> None:
    """The isotropic dome of pvlib's own tests."""
    nothing = np.zeros(1)
    dome = Dome(Parts(nothing, nothing, np.array([dhi])), nothing, np.array([dhi]), nothing)
    found = sky_at(50.0).in_plane(Facing(np.array([tilt]), np.array([180.0])), dome).light[0]
    assert found == pytest.approx(wanted, abs=1e-3)


def test_all_the_light_in_a_plane_over_sand() -> None:
    """pvlib's own tests, Perez 1990, albedo 0.40: 956.1825 W/m² on 40° south, of it 798.3194 the beam.

    We draw Perez' steps as a curve (Driesse et al. 2024), which here changes the whole by less than 1 %.
    """
    sky = sky_at(10.564136, 144.765678, albedo=0.40)
    parts = Parts(np.array([1042.48031]), np.array([939.95470]), np.array([118.45832]))
    south = Facing(np.array([40.0]), np.array([180.0]))
    assert sky.in_plane(south, sky.dome(parts)).light[0] == pytest.approx(956.1825, rel=0.01)
    nothing = np.zeros(1)
    beam = Dome(Parts(nothing, parts.dni, nothing), nothing, nothing, nothing)
    assert sky.in_plane(south, beam).light[0] == pytest.approx(798.3194, abs=0.01)
