"""Unequal modules on one controller: what is lost is by the wiring, not by a fault."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import controllers
from analysis.mismatch import Part, best
from analysis.modules import Electrics
from logger.settings import Array, Controller, Module

P100 = Module.model_validate(
    {
        "power": 100, "voc": 22.0, "isc": 5.95, "vmp": 18.0, "imp": 5.55, "temp_coeff_power": -0.41,
        "cells_in_series": 36, "substrings": 2,
    }
)  # fmt: skip
# Near in volts and near in amps: 16.2 V at 6.2 A; open and short circuit in the first module's proportions.
NEAR = P100.model_copy(update={"voc": 19.8, "isc": 6.65, "vmp": 16.2, "imp": 6.2, "cells_in_series": 32})
FAR = Module.model_validate(
    {
        "power": 250, "voc": 37.6, "isc": 8.8, "vmp": 30.5, "imp": 8.2, "temp_coeff_power": -0.41,
        "cells_in_series": 60, "substrings": 3,
    }
)  # fmt: skip


def part(module: Module = P100, count: int = 1, plane: float = 1000.0, cell: float = 25.0, **more: list[float]) -> Part:
    return Part(module, count, np.array([plane]), np.array([cell]), **more)


def watts(*strings: list[Part], loop_ohm: float = 0.0, floor_v: float = 0.0) -> float:
    return float(best(strings, loop_ohm, floor_v).power[0])


@pytest.mark.parametrize(
    ("other", "parallel", "series"),
    [(NEAR, 196.6, 196.7), (FAR, 261.0, 295.0)],
)
def test_unequal_pairs_lose_by_design(other: Module, parallel: float, series: float) -> None:
    """100 W beside 100 W of other volts: 2 % lost, no fault. Beside 250 W: 25 % lost in parallel, 16 % in series.
    Figures for a made-up module, computed apart; 1 %."""
    assert watts([part()], [part(other)]) == pytest.approx(parallel, rel=0.01)
    assert watts([part(), part(other)]) == pytest.approx(series, rel=0.01)


def test_series_and_parallel_on_a_long_wire() -> None:
    """10 m of 4 mm², 0.0875 Ω both ways: 10.6 W lost at 11 A, 2.6 W at 5.5 A: half the amps, a quarter of the loss."""
    whole = watts([part(count=2)])
    parallel = whole - watts([part()], [part()], loop_ohm=0.0875)
    series = whole - watts([part(count=2)], loop_ohm=0.0875)
    assert parallel == pytest.approx(10.6, abs=0.4)
    assert series == pytest.approx(2.6, abs=0.2)


def test_one_dim_module_costs_more_in_series() -> None:
    """One of two at 30 % of the light: 97 W in series, 129 W in parallel of 200 (computed apart); 3 %."""
    assert watts([part(), part(plane=300.0)]) == pytest.approx(97.0, rel=0.03)
    assert watts([part()], [part(plane=300.0)]) == pytest.approx(129.0, rel=0.03)


@pytest.mark.parametrize("modules", [1, 2, 3, 4, 6, 7, 10])
def test_a_bypassed_substring_takes_its_share_of_volts_and_no_current(modules: int) -> None:
    """One of three substrings out: a third of one module's volts and one diode's drop, the current as before: 33.3 % of
    one module, 3.3 % of ten (IEC 62446-1's signature as texts that cite it give it; shares computed)."""
    sound = best([[part(FAR, count=modules)]])
    hurt = best([[part(FAR, count=modules, shaded=[1.0, 1.0, 0.0])]])
    volts = sound.volts[0] / modules / 3 + 0.45
    assert sound.volts[0] - hurt.volts[0] == pytest.approx(volts, abs=0.1 + 0.002 * sound.volts[0])
    assert hurt.amps[0] == pytest.approx(sound.amps[0], rel=0.01)
    drop = 0.45 * sound.amps[0] / sound.power[0]
    assert 1 - hurt.power[0] / sound.power[0] == pytest.approx(1 / (3 * modules) + drop, abs=0.004)


def test_a_bypassed_substring_can_stop_the_harvest_of_a_string() -> None:
    """Two modules of 36 cells at 75 °C on a 24 V bank at 28 V: sound they charge, with one substring of four out their
    volts lie below what the bank needs, and nothing is left of the three quarters."""
    sound = watts([part(cell=75.0, count=2)], floor_v=29.0)
    free = watts([part(cell=75.0, count=2, shaded=[1.0, 0.0])])
    assert sound > 150.0
    assert free > 0.7 * sound
    assert watts([part(cell=75.0, count=2, shaded=[1.0, 0.0])], floor_v=29.0) < 1.0


def test_of_parallel_strings_the_crippled_one_gives_nothing_and_the_other_all() -> None:
    """The bank's volts hold both strings up: the sound one alone still gives what it gave."""
    alone = watts([part(cell=75.0, count=2)], floor_v=29.0)
    crippled = [part(cell=75.0, count=2, shaded=[1.0, 0.0])]
    assert watts([part(cell=75.0, count=2)], crippled, floor_v=29.0) == pytest.approx(alone, rel=0.005)


def test_a_module_without_a_curve_is_said() -> None:
    with pytest.raises(ValueError, match="80 W without voc, isc, vmp and imp"):
        best([[part(Module(power=80.0))]])


def mixed(other: Module, in_series: int) -> Array:
    lies = {"modules": 1, "tilt": 0, "azimuth": 180}
    return Array.model_validate(
        {
            "name": "a", "modules_in_series": in_series, "strings_in_parallel": 2 // in_series, "tilt": 0,
            "azimuth": 180, "module": P100.model_dump(), "group": [lies, lies | {"module": other.model_dump()}],
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "in_series", "watts_"), [(NEAR, 1, 196.6), (NEAR, 2, 196.7), (FAR, 1, 261.0), (FAR, 2, 295.0)]
)
def test_the_expectation_knows_the_wiring(other: Module, in_series: int, watts_: float) -> None:
    """A group with modules of its own: what joining them costs is expected, or it would be blamed on a module."""
    array = mixed(other, in_series)
    electrics = Electrics.of(array, np.array([1000.0, 0.0]), np.array([25.0, 25.0]))
    assert array.rated_w == 100.0 + other.power
    assert array.rated_w * electrics.power_ratio[0] == pytest.approx(watts_, rel=0.01)
    assert electrics.power_ratio[1] == pytest.approx(0.0, abs=1e-4)
    assert electrics.matched == pytest.approx(electrics.power_ratio[0], rel=1e-3)


def test_unequal_modules_fall_with_warmth_and_dimness_as_their_own_do() -> None:
    """Between the falls of its two kinds in full sun; in dim light little is lost besides."""
    warm = P100.model_copy(update={"temp_coeff_power": -0.30})
    array = mixed(warm, 2)
    found = Electrics.of(array, np.array([1000.0, 1000.0, 200.0]), np.array([25.0, 65.0, 25.0])).power_ratio
    assert found[1] / found[0] == pytest.approx(1 - 0.00355 * 40, abs=2e-3)
    assert 0.95 < found[2] / found[0] * 5 < 1.0


def test_the_banks_volts_bind_unequal_modules_too() -> None:
    """One of 36 and one of 60 cells on a 24 V bank: far above it they are free, under it the bank sets the volts."""
    array = mixed(FAR, 1)
    light, cell, first = np.array([1000.0]), np.array([25.0]), np.array([True])
    for bank_v, bound in ((11.0, False), (20.0, True)):
        controller = Controller(name="c", start_headroom_v=1.0)
        electrics = Electrics.of(array, light, cell)
        found = controllers.allowed(array, controller, None, electrics, np.array([bank_v]), first)
        assert found.bound[0] == bound
        assert 0 < found.power[0] <= found.free[0]
    joined = controllers.allowed(array, Controller(name="c", type="pwm"), None, electrics, np.array([13.0]), first)
    assert joined.power[0] == pytest.approx(13.0 * (5.95 + 8.8), rel=0.03)


@given(st.lists(st.floats(0.0, 1100.0), min_size=2, max_size=2), st.floats(-10.0, 70.0))
def test_joining_never_gives_more_than_the_modules_alone(lights: list[float], cell: float) -> None:
    """Series or parallel, at most the sum of what each module gives by itself, and never less than nothing."""
    apart = sum(watts([part(plane=light, cell=cell)]) for light in lights)
    for joined in (
        watts([part(plane=lights[0], cell=cell), part(plane=lights[1], cell=cell)]),
        watts([part(plane=lights[0], cell=cell)], [part(plane=lights[1], cell=cell)]),
    ):
        assert 0.0 <= joined <= apart * 1.002 + 0.01
