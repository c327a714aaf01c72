"""The light on the flat, found back from the light in a plane."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import flat
from analysis.frames import Grid, Stretch
from analysis.geometry import Facing
from analysis.sky import Sky
from analysis.sun import MINUTE_MS, Floats, Place, SunPosition
from tests.analysis import frames

HOURS = 5


def sky_at(zenith: float, azimuth: float, length: int = HOURS) -> Sky:
    grid = Grid(frames.START + np.arange(length, dtype=np.int64) * MINUTE_MS, MINUTE_MS)
    fill = np.full(length, 1.0)
    sun = SunPosition((90.0 - zenith) * fill, zenith * fill, azimuth * fill)
    return Sky(grid, sun, Place(47.0, 0.0), Stretch(0, 0))


def facing(tilt: float, azimuth: float, length: int = HOURS) -> Facing:
    return Facing(np.full(length, tilt), np.full(length, azimuth))


@pytest.mark.parametrize("glazed", [False, True])
@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 180.0), (15.0, 180.0), (15.0, 0.0), (15.0, 90.0)])
def test_the_flat_is_found_back_from_the_plane(tilt: float, azimuth: float, glazed: bool) -> None:
    """From overcast to a clear sky, within 12 %, though the way there is Perez' and the way back knows an even dome."""
    wanted: Floats = np.array([80.0, 200.0, 350.0, 500.0, 650.0])
    sky, way = sky_at(50.0, 180.0), facing(tilt, azimuth)
    seen = sky.in_plane(way, sky.dome(sky.taken_apart(wanted)))
    found = flat.parts(sky, seen.light * (seen.glass if glazed else 1.0), [way], glazed)
    assert found.ghi == pytest.approx(wanted, rel=0.12)


def test_of_two_skies_that_light_a_plane_alike_the_grey_one_is_taken() -> None:
    """A plane that turns its back to a low sun gets 65 W/m² of a clear sky with 220 W/m² on the flat, and as much of a
    grey one with 67 W/m²."""
    sky, away = sky_at(75.0, 180.0), facing(14.0, 0.0)
    seen = sky.in_plane(away, sky.dome(sky.taken_apart(np.full(HOURS, 220.0))))
    assert flat.parts(sky, seen.light, [away]).ghi == pytest.approx(seen.light, rel=0.1)


def test_the_polar_night_has_no_dome() -> None:
    """Where the sun never rises nothing is spread, and nothing fails."""
    sky, way = sky_at(80.0, 180.0, 0), facing(10.0, 180.0, 0)
    assert len(sky.in_plane(way, sky.dome(sky.clear)).light) == 0
