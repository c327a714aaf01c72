"""The step from the horizontal into a plane, against light that was really measured in one.

Data of the package pvanalytics: ``rmis_weather_data.csv`` (1 to 4 January 2022) and ``irradiance_RMIS_NREL.csv``
(1 to 6 February 2019), NREL Golden, 39.742° N 105.18° W, 1829 m, five minutes, UTC-7: global, direct, diffuse, and that
in a plane of 40° south. Rows count where the three agree to 5 % (closure), the sun stands above 10° and the light is
above 50 W/m².
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvanalytics
import pytest

from analysis.frames import Grid, Pieces, Stretch
from analysis.geometry import Facing
from analysis.sky import GLOBAL, Parts, Sky
from analysis.sun import Floats, Place, SunPath

DATA = Path(pvanalytics.__file__).parent / "data"
GOLDEN = Place(39.742, -105.18, 1829.0)
COLUMNS = {
    "rmis_weather_data.csv": ("Global Horizontal", "Direct Normal", "Diffuse Horizontal", "Plane of array"),
    "irradiance_RMIS_NREL.csv": (
        "irradiance_ghi__7981", "irradiance_dni__7982", "irradiance_dhi__7983", "irradiance_poa__7984",
    ),
}  # fmt: skip


def measured(name: str) -> tuple[Sky, Parts, Floats, npt.NDArray[np.bool_]]:
    """The sky over a file's rows, its parts, its light in the plane, and which rows count."""
    rows = pd.read_csv(DATA / name, index_col=0, parse_dates=True).dropna()
    start = pd.DatetimeIndex(rows.index).tz_localize("Etc/GMT+7").as_unit("ms").asi8
    ghi, dni, dhi, plane = (rows[column].to_numpy(float) for column in COLUMNS[name])
    # Stamps are instants: an interval of no length to speak of round each.
    grid = Grid(start - 30_000, 60_000)
    sun = SunPath(int(start[0]), int(start[-1]), GOLDEN).at(start)
    stretch = Stretch(0, 0, {GLOBAL: Pieces(grid.start, np.full(len(start), 60_000, dtype=np.int64), ghi)})
    sky = Sky(grid, sun, GOLDEN, stretch, albedo=0.2)
    summed = dni * np.cos(np.radians(sun.apparent_zenith)) + dhi
    counts = (sun.apparent_zenith < 80) & (ghi > 50) & (np.abs(summed - ghi) < 0.05 * ghi + 10)
    return sky, Parts(summed, np.maximum(dni, 0), np.maximum(dhi, 0)), plane, counts


def errors(found: Floats, plane: Floats, where: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Bias and root mean square [%]."""
    missed = (found - plane)[where]
    return 100 * missed.sum() / plane[where].sum(), 100 * float(np.sqrt((missed**2).mean())) / plane[where].mean()


@pytest.mark.parametrize("name", COLUMNS)
def test_perez_misses_the_measured_plane_by_less_than_hay_and_davies(name: str) -> None:
    """With beam and dome measured: within 1.6 % in the sum and 3.6 % a row, Hay and Davies some 5 % a row; under a grey
    sky, where the light in the plane is hardest to know, Perez' bias is two thirds of the other's or less."""
    sky, parts, plane, counts = measured(name)
    n = len(plane)
    found = sky.in_plane(Facing(np.full(n, 40.0), np.full(n, 180.0)), sky.dome(parts))
    ours, theirs = errors(found.light, plane, counts), errors(found.light + found.apart, plane, counts)
    assert abs(ours[0]) < 1.6
    assert ours[1] < 3.6
    assert theirs[1] > 4.5
    grey = counts & (parts.dni < 50)
    assert abs(errors(found.light, plane, grey)[0]) < 0.75 * abs(errors(found.light + found.apart, plane, grey)[0])


@pytest.mark.parametrize("name", COLUMNS)
def test_the_two_transpositions_differ_by_about_what_ours_misses(name: str) -> None:
    """Half of what they differ by is carried as uncertainty beside a fixed part: from a fifth of the error on."""
    sky, parts, plane, counts = measured(name)
    n = len(plane)
    found = sky.in_plane(Facing(np.full(n, 40.0), np.full(n, 180.0)), sky.dome(parts))
    half = np.abs(found.apart[counts]).mean() / 2
    missed = np.abs(found.light - plane)[counts].mean()
    assert 0.2 < half / missed < 2.0


@pytest.mark.parametrize("name", COLUMNS)
def test_from_the_global_alone_clear_days_are_within_five_per_cent_a_row(name: str) -> None:
    """Beam and dome by Erbs: where the beam makes most of the light, the plane is met within 2 % in the sum."""
    sky, parts, plane, counts = measured(name)
    n = len(plane)
    found = sky.in_plane(Facing(np.full(n, 40.0), np.full(n, 180.0)), sky.dome(sky.measured))
    beam = counts & (parts.dni * np.cos(np.radians(sky.sun.apparent_zenith)) > 0.6 * parts.ghi)
    bias, rms = errors(found.light, plane, beam)
    assert abs(bias) < 2.0
    assert rms < 5.0
