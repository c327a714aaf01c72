"""A reading that no array of its size gives, alone between sound ones, is left out; a wrong unit is not."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import spikes
from analysis.frames import Pieces
from tests.analysis import frames

CHANNEL = "array.a.power"  # of 200 W
DAY = np.r_[np.zeros(20), np.linspace(5, 180, 30), np.linspace(180, 5, 30), np.zeros(16)]


def left(values: np.ndarray) -> Pieces:
    return spikes.left_out(frames.stretch(array__a__power=frames.minutes(values)), frames.settings())[CHANNEL]


@pytest.mark.parametrize("run", [1, 2])
def test_a_spike_is_left_out_and_its_neighbours_stay(run: int) -> None:
    values = DAY.copy()
    values[40 : 40 + run] *= 10
    kept = left(values)
    assert len(kept.start) == len(DAY) - run
    assert kept.value.max() == 180.0


@pytest.mark.parametrize(
    "values",
    [
        DAY,
        DAY * 3,  # kilowatts read as something else, or another module: told as an excess
        np.where(np.arange(96) == 45, DAY * 1.5, DAY),  # beside a cloud
        np.where((np.arange(96) >= 40) & (np.arange(96) < 44), DAY * 10, DAY),
        np.full(96, 2000.0),
    ],
)
def test_what_lasts_or_can_be_stays(values: np.ndarray) -> None:
    assert np.array_equal(left(values).value, values)


def test_a_spike_at_either_end_of_the_record_is_one_too() -> None:
    values = DAY.copy()
    values[0] = values[-1] = 5000.0
    assert len(left(values).start) == len(DAY) - 2
