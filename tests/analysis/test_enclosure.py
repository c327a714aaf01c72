"""A fan is judged by kelvins per watt against the box's own history, never by one temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis import enclosure
from analysis.results import EnclosureEstimate
from analysis.sun import DAY_MS, Floats
from tests.analysis import frames


def box_day(
    k_per_w: Any, loss_w: Floats, air: float = 20.0, capacity_wh_k: float = 0.5, told: Any = 1.0
) -> list[EnclosureEstimate]:
    """One day of a first-order box: minute by minute, read in tenths of a degree."""
    resistance = np.broadcast_to(np.asarray(k_per_w, dtype=float), 1440)
    inside, now = np.empty(1440), air
    for i in range(1440):
        now += ((loss_w[i] + 2.0) - (now - air) / resistance[i]) / capacity_wh_k / 60
        inside[i] = now
    current = loss_w / 0.04 / 36.0
    stretch = frames.stretch(
        enclosure__box__temperature=frames.minutes(np.round(inside, 1)),
        air__cabin__temperature=frames.minutes(np.full(1440, air)),
        array__a__voltage=frames.minutes(np.full(1440, 36.0)),
        array__a__current=frames.minutes(current),
        fan__box__running=frames.minutes(np.broadcast_to(np.asarray(told, dtype=float), 1440).copy()),
    )
    settings = frames.settings()
    return enclosure.of_day(settings.enclosure[0], settings, stretch, frames.START, frames.START + DAY_MS)


def sunny_loss(top: float = 20.0, seed: int = 3) -> Floats:
    rng = np.random.default_rng(seed)
    hump = np.maximum(np.sin((np.arange(1440) - 360) / 720 * np.pi), 0.0)
    return top * hump * np.repeat(rng.uniform(0.5, 1.0, 48), 30)


@pytest.mark.parametrize("k_per_w", [0.45, 1.10])
@pytest.mark.parametrize("air", [-15.0, 15.0, 42.0])
def test_k_per_w_knows_neither_season_nor_sun(k_per_w: float, air: float) -> None:
    """The same box gives the same figure in the cold and in the heat; 20 W in 0.5 Wh/K."""
    (found,) = box_day(k_per_w, sunny_loss(), air)
    assert found.fan == "running"
    assert found.thermal_resistance_k_per_w == pytest.approx(k_per_w, rel=0.06)
    assert found.low_k_per_w is not None
    assert found.high_k_per_w is not None
    assert found.low_k_per_w < k_per_w < found.high_k_per_w


def test_a_fan_told_to_run_half_the_day_gives_both_figures() -> None:
    """A thermostat: one figure while it runs, one while it stands."""
    told = np.where(np.arange(1440) % 240 < 120, 1.0, 0.0)
    found = {e.fan: e for e in box_day(np.where(told > 0, 0.45, 1.10), sunny_loss(), told=told)}
    assert found["running"].thermal_resistance_k_per_w == pytest.approx(0.45, rel=0.12)
    assert found["stopped"].thermal_resistance_k_per_w == pytest.approx(1.10, rel=0.12)


def test_a_box_that_hardly_warms_gives_no_figure() -> None:
    """A grey day of 2 W: not identifiable, and no number is made up."""
    (found,) = box_day(0.45, sunny_loss(top=2.0))
    assert found.thermal_resistance_k_per_w is None
    assert found.peak_c is not None


def test_the_peak_is_told_with_its_time_and_its_minutes_over_the_limit() -> None:
    (found,) = box_day(1.10, sunny_loss(top=30.0), air=30.0)
    assert found.peak_c is not None
    assert found.peak_at is not None
    assert found.peak_c > found.limit_c == 50.0
    assert found.over_limit_min is not None
    assert found.over_limit_min > 60
    assert 8 * 3_600_000 < found.peak_at - frames.START < 18 * 3_600_000


def test_without_the_air_it_breathes_nothing_is_said_of_the_fan() -> None:
    """Outside air alone would make a cabin heater look like a dead fan."""
    settings = frames.settings()
    stretch = frames.stretch(
        enclosure__box__temperature=frames.minutes(30.0 + np.arange(1440) % 300 / 30),
        air__outside__temperature=frames.minutes(np.full(1440, 10.0)),
        array__a__voltage=frames.minutes(36.0),
        array__a__current=frames.minutes(sunny_loss() / 1.4),
    )
    found = enclosure.of_day(settings.enclosure[0], settings, stretch, frames.START, frames.START + DAY_MS)
    assert [e.thermal_resistance_k_per_w for e in found] == [None]
