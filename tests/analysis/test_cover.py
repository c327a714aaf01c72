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


def covered(share: np.ndarray, measured: bool, good: np.ndarray = ALL, frosty: np.ndarray = ALL) -> np.ndarray:
    return cover.covered(share, ALL, frosty, GRID, False, ~ALL if measured else ALL, good)


def held(quarters: int) -> np.ndarray:
    """Nothing for the first quarters of the day, then all."""
    return np.where(np.arange(40) < quarters, 0.0, 1.0)


@pytest.mark.parametrize(("quarters", "measured", "believed"), [(4, True, 4), (4, False, 0), (12, False, 12)])
def test_a_dark_hour_by_a_weather_series_is_no_cover(quarters: int, measured: bool, believed: int) -> None:
    assert covered(held(quarters), measured).sum() == believed


def test_hours_under_a_low_sun_do_not_count() -> None:
    """Of three dark hours the first two stand under a low sun, behind whatever stands there."""
    assert not covered(held(12), False, good=np.arange(40) >= 8).any()
    assert covered(held(12), True, good=np.arange(40) >= 8).sum() == 12


def test_what_holds_to_the_end_of_the_day_is_believed() -> None:
    assert covered(1.0 - held(20), False).sum() == 20


def test_without_a_frost_there_is_no_cover() -> None:
    assert not covered(held(12), False, frosty=~ALL).any()
