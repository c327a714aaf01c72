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


def test_a_plane_that_turns_its_back_to_a_low_sun_is_lit_by_the_dome() -> None:
    """The light that a flat sensor would get is more, and its share of beam is not lost."""
    sky, away = sky_at(75.0, 180.0), facing(14.0, 0.0)
    seen = sky.in_plane(away, sky.dome(sky.taken_apart(np.full(HOURS, 220.0))))
    found = flat.parts(sky, seen.light, [away])
    assert (found.ghi > 1.1 * seen.light).all()


def test_the_polar_night_has_no_dome() -> None:
    """Where the sun never rises nothing is spread, and nothing fails."""
    sky, way = sky_at(80.0, 180.0, 0), facing(10.0, 180.0, 0)
    assert len(sky.in_plane(way, sky.dome(sky.clear)).light) == 0
