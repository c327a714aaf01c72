"""A cover is believed at once where the light was measured; where nobody measured it, once it has held for hours."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import cover
from analysis.frames import Grid
from tests.analysis.frames import MINUTE_MS, START

QUARTER = 15 * MINUTE_MS
# Ten hours of quarters from seven in the morning.
GRID = Grid(START + 7 * 3_600_000 + np.arange(40, dtype=np.int64) * QUARTER, QUARTER)
ALL = np.ones(40, dtype=bool)


def covered(share: np.ndarray, measured: bool, elevation: float | np.ndarray = 20.0) -> np.ndarray:
    """After a frost, by the share of what the light allowed."""
    dark, free = share < cover.COVERED_BELOW, share > cover.UNCOVERED_ABOVE
    kept = cover.lasting(dark, free, ~ALL if measured else ALL, np.broadcast_to(elevation, 40), GRID)
    return cover.covered(kept, free, GRID, False)


def held(quarters: int) -> np.ndarray:
    """Nothing for the first quarters of the day, then all."""
    return np.where(np.arange(40) < quarters, 0.0, 1.0)


@pytest.mark.parametrize(("quarters", "measured", "believed"), [(4, True, 4), (4, False, 0), (12, False, 12)])
def test_a_dark_hour_by_a_weather_series_is_no_cover(quarters: int, measured: bool, believed: int) -> None:
    assert covered(held(quarters), measured).sum() == believed


def test_hours_under_a_low_sun_do_not_count() -> None:
    """Of three dark hours the first two stand under a low sun, behind whatever stands there."""
    rising = np.where(np.arange(40) < 8, 3.0, 12.0)
    assert not covered(held(12), False, rising).any()
    assert covered(held(12), True, rising).sum() == 12


def test_what_holds_to_the_end_of_the_day_is_believed() -> None:
    assert covered(1.0 - held(20), False).sum() == 20
