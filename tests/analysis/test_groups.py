"""One array whose modules lie in several ways: its light, its volts and what the controller makes of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest

from analysis import controllers, irradiance, mismatch, modules
from analysis.expected import module_temperature
from analysis.frames import Grid
from analysis.mismatch import Part
from analysis.modules import UNMEASURED_WIND, Electrics
from logger.settings import Array, Controller
from tests.analysis import frames
from tests.analysis.test_light import KIEL, lies, noon, sky_of

P100 = {
    "power": 100.0, "voc": 22.0, "isc": 5.95, "vmp": 18.0, "imp": 5.55, "temp_coeff_power": -0.4,
    "temp_coeff_voc": -0.3, "cells_in_series": 36, "substrings": 2,
}  # fmt: skip
DAY = dt.date(2024, 6, 10)


def pair(*ways: tuple[float, float], in_series: int = 2, **more: Any) -> Array:
    """Two modules, each in a way of its own: tilt and azimuth."""
    groups = [{"modules": 1, "tilt": tilt, "azimuth": azimuth} for tilt, azimuth in ways]
    base = {
        "name": "a", "modules_in_series": in_series, "strings_in_parallel": 2 // in_series, "tilt": 0.0,
        "azimuth": 180.0, "mounting": "rack", "module": P100, "group": groups,
    }  # fmt: skip
    return Array.model_validate(base | more)


def allowed(
    array: Array, lights: tuple[float, float], bank_v: float, ohm: float = 0.0, **kind: Any
) -> controllers.Allowed:
    ranks = np.array([[max(lights)], [min(lights)]])
    plane = np.maximum(ranks[0] / 2, ranks[1])
    electrics = Electrics.of(array, plane, np.array([25.0]), ranks)
    controller = Controller.model_validate({"name": "c", "start_headroom_v": 2.0} | kind)
    return controllers.allowed(array, controller, ohm, electrics, np.array([bank_v]), np.array([True]))


@pytest.mark.parametrize("lights", [(1000.0, 300.0), (1000.0, 700.0), (900.0, 850.0), (600.0, 150.0)])
def test_the_steps_of_a_string_are_those_of_its_whole_curve(lights: tuple[float, float]) -> None:
    """The best point by steps against the curves of both modules added up, by another way: within 3 %, never more than
    a per cent above, because a step takes the weaker module's best current and the curve may have a little more."""
    array = pair((0, 0), (30, 0))
    parts = [Part(array.module, 1, np.array([light]), np.array([25.0])) for light in lights]
    whole = mismatch.best([parts])
    found = allowed(array, lights, 12.0)
    assert found.power[0] == pytest.approx(whole.power[0], rel=0.03)
    assert found.best_volts[0] == pytest.approx(whole.volts[0], rel=0.06)


def test_a_bypassed_module_does_not_reach_the_bank() -> None:
    """One at 1000 W/m², one at 300: on a 12 V bank the bright one alone gives 97 W; on 24 V its 18 V are too few,
    and both give what the dim one's current carries."""
    array = pair((0, 0), (30, 0))
    low, high = allowed(array, (1000.0, 300.0), 13.0), allowed(array, (1000.0, 300.0), 26.0)
    assert low.power[0] == pytest.approx(97.0, rel=0.03)
    whole = mismatch.best(
        [[Part(array.module, 1, np.array([g]), np.array([25.0])) for g in (1000.0, 300.0)]], 0.0, 27.0
    )
    assert high.power[0] == pytest.approx(whole.power[0], rel=0.06)
    assert high.free[0] == pytest.approx(low.power[0])
    assert high.bound[0]


def test_open_circuit_volts_are_those_of_each_modules_own_light() -> None:
    """At open circuit no diode conducts: the volts of a module in full sun and of one in a tenth of it add up."""
    array = pair((0, 0), (30, 0))
    one, tenth = (Electrics(array.module, np.array([g]), np.array([25.0])).open_volts for g in (1000.0, 100.0))
    assert one is not None
    assert tenth is not None
    assert allowed(array, (1000.0, 100.0), 12.0).open_volts[0] == pytest.approx(float(one[0] + tenth[0]))


def test_a_switching_controller_takes_what_reaches_the_bank() -> None:
    """Joined to a bank at 13 V the bright module drives its own current past the dim one."""
    array = pair((0, 0), (30, 0))
    found = allowed(array, (1000.0, 300.0), 13.0, type="pwm")
    assert found.power[0] == pytest.approx(13.0 * 5.9, rel=0.03)


def test_alike_light_is_no_matter_of_ranks() -> None:
    """Both modules lit alike: the same figures with ranks and without."""
    array = pair((0, 0), (30, 0))
    plane, cell = np.array([50.0, 400.0, 900.0]), np.array([10.0, 30.0, 55.0])
    bank, first = np.full(3, 26.0), np.array([True, False, False])
    controller = Controller.model_validate({"name": "c"})
    plain, ranked = (
        controllers.allowed(array, controller, 0.05, Electrics.of(array, plane, cell, ranks), bank, first)
        for ranks in (None, np.stack([plane, plane]))
    )
    for name in ("modules", "free", "power", "best_volts", "open_volts"):
        assert getattr(ranked, name) == pytest.approx(getattr(plain, name), rel=1e-9), name


def test_groups_of_one_way_are_no_groups() -> None:
    """Two groups that lie alike, as those of unequal modules do, are lit as one."""
    sky = sky_of(KIEL, DAY, {"irradiance.horizontal.global": 400.0})
    one, two = (irradiance.on_array(pair(*ways), sky, lies(sky)) for ways in (((10, 90),) * 2, ((10, 90), (40, 270))))
    assert one.ranks is None
    assert two.ranks is not None


def test_the_sensor_in_the_arrays_plane_lights_its_groups_too() -> None:
    """A flat sensor under a clear noon sky; the modules lie 40° to the north and to the south: the southern one gets
    more than the sensor says, the northern one less, and the string no more than either lets it."""
    base = sky_of(KIEL, DAY)
    sky = sky_of(KIEL, DAY, {"irradiance.a.plane": base.clear.ghi})
    light = irradiance.on_array(pair((40, 0), (40, 180)), sky, lies(sky))
    assert light.ranks is not None
    best, worst = (noon(sky, rank) for rank in light.ranks)
    sensor = noon(sky, base.clear.ghi)
    assert worst < 0.65 * sensor < 1.02 * sensor < best
    assert noon(sky, light.plane) == pytest.approx(max(worst, best / 2))


def test_under_a_grey_sky_groups_are_lit_almost_alike() -> None:
    """The grey sky's light comes from all sides: the same two modules differ by a few per cent."""
    sky = sky_of(KIEL, DAY, {"irradiance.a.plane": 60.0})
    light = irradiance.on_array(pair((20, 0), (20, 180)), sky, lies(sky))
    assert light.ranks is not None
    assert noon(sky, light.ranks[1]) > 0.94 * noon(sky, light.ranks[0])


def test_strings_of_their_own_are_no_worse_for_one_another() -> None:
    """The same two modules in parallel: the light of both counts in full, and no module bypasses another."""
    sky = sky_of(KIEL, DAY, {"irradiance.horizontal.global": 500.0})
    series, parallel = (
        irradiance.on_array(pair((40, 0), (40, 180), in_series=n), sky, lies(sky)).plane for n in (2, 1)
    )
    assert (parallel >= series - 1e-9).all()
    assert noon(sky, parallel) > 1.02 * noon(sky, series)


def test_each_group_is_as_warm_as_its_mounting_makes_it() -> None:
    """800 W/m², 20 °C, 1 m/s: one module on a rack (45.1 °C) and one glued (18 K more) are 54.1 °C in the mean."""
    array = pair((0, 0), (0, 0), mounting="rack")
    glued = array.model_copy(
        update={"group": [array.group[0], array.group[1].model_copy(update={"mounting": "glued"})]}
    )
    found, _ = modules.array_temperature(glued, np.array([800.0]), np.array([20.0]), 1.0)
    assert found[0] == pytest.approx(45.126 + 9.0, abs=0.01)


def test_modules_are_warmed_by_their_own_light_not_by_what_the_string_can_use() -> None:
    """One module in 1000 W/m² and one in 200 warm by 600 in the mean, though the string can use 500."""
    n = 3
    ranks = np.stack([np.full(n, 1000.0), np.full(n, 200.0)])
    light = irradiance.Light(
        np.full(n, 500.0), np.full(n, 0.02), 3.0, np.zeros(n, bool), np.zeros(n, np.int8), np.full(n, np.nan),
        np.full(n, 0.5), np.zeros(n), np.zeros(n), np.ones(n), ranks,
    )  # fmt: skip
    grid = Grid(frames.START + np.arange(n, dtype=np.int64) * 60_000, 60_000)
    cell, _ = module_temperature(
        pair((0, 0), (60, 0)), light, frames.stretch(air__outside__temperature=frames.minutes(20.0)), grid
    )
    assert cell == pytest.approx(20.0 + 600.0 / (25.0 + 6.84 * UNMEASURED_WIND))
