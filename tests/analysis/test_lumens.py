"""A lux sensor is believed the less the more its light hangs on a low beam, and as before where it does not."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analysis import lumens
from analysis.irradiance import LUX_EFFICACY, LUX_GAIN, LUX_PASSING, Light, on_array
from analysis.sky import CLEAR_EFFICACY
from analysis.sun import Floats
from tests.analysis.test_light import KIEL, array, lies, noon, sky_of

MIDSUMMER, MIDWINTER = dt.date(2024, 6, 21), dt.date(2024, 12, 21)


def both(day: dt.date, tilt: float, channel: str = "irradiance.horizontal.illuminance") -> tuple[Light, Light, Floats]:
    """The light of a half-clear day as it is, and doubted; and the elevation of its sun."""
    bare = sky_of(KIEL, day)
    sky = sky_of(KIEL, day, {channel: 0.6 * bare.clear.ghi * CLEAR_EFFICACY})
    leaning, lay = array(tilt=tilt), lies(sky)
    light = on_array(leaning, sky, lay)
    return light, lumens.doubted(leaning, light, sky, lay), sky.sun.elevation


def test_facing_a_low_sun_lux_is_doubted_by_how_much_it_makes_of_an_error() -> None:
    """In December 54° N, read a tenth too bright, a plane of 20° towards the sun seems to get a sixth more."""
    plain, doubted, _ = both(MIDWINTER, 20.0)
    at = int(np.argmax(plain.plane))
    for wider, was, own in (
        (doubted.sigma_gain, plain.sigma_gain, np.hypot(LUX_GAIN, LUX_EFFICACY)),
        (doubted.passing, plain.passing, LUX_PASSING),
    ):
        assert np.sqrt((wider[at] ** 2 - was[at] ** 2) / own**2 + 1.0) == pytest.approx(1.6, abs=0.1)


def test_flat_on_deck_an_error_of_lux_is_that_of_the_light() -> None:
    """Nothing is made of it but what glass takes of a low beam."""
    plain, doubted, elevation = both(MIDSUMMER, 0.0)
    high = elevation > 30.0
    assert doubted.sigma_gain[high] == pytest.approx(plain.sigma_gain[high], abs=0.01)


def test_the_light_itself_stays_as_it_was_and_other_sensors_are_not_doubted() -> None:
    plain, doubted, _ = both(MIDWINTER, 20.0)
    assert np.array_equal(plain.plane, doubted.plane, equal_nan=True)
    other, same, _ = both(MIDWINTER, 20.0, "irradiance.horizontal.global")
    assert same is other


def test_the_doubt_is_what_a_tenth_less_light_really_changes() -> None:
    """By way of a second sky, read a standard uncertainty darker: the plane gets less by the factor that widens."""
    bare = sky_of(KIEL, MIDWINTER)
    leaning = array(tilt=20.0)
    lux = 0.6 * bare.clear.ghi * CLEAR_EFFICACY
    whole = sky_of(KIEL, MIDWINTER, {"irradiance.horizontal.illuminance": lux})
    less = sky_of(KIEL, MIDWINTER, {"irradiance.horizontal.illuminance": lux * 0.93})
    first, second = (noon(s, on_array(leaning, s, lies(s)).plane) for s in (whole, less))
    plain, doubted, elevation = both(MIDWINTER, 20.0)
    at = int(np.argmax(elevation))
    widened = np.sqrt((doubted.passing[at] ** 2 - plain.passing[at] ** 2) / LUX_PASSING**2 + 1.0)
    # The efficacy leans with the sky as well, which the doubt leaves out.
    assert widened == pytest.approx((1.0 - second / first) / 0.07, rel=0.2)
