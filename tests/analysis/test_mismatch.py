"""Unequal modules on one controller: what is lost is by the wiring, not by a fault."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.mismatch import Part, best
from logger.settings import Module

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


@given(st.lists(st.floats(0.0, 1100.0), min_size=2, max_size=2), st.floats(-10.0, 70.0))
def test_joining_never_gives_more_than_the_modules_alone(lights: list[float], cell: float) -> None:
    """Series or parallel, at most the sum of what each module gives by itself, and never less than nothing."""
    apart = sum(watts([part(plane=light, cell=cell)]) for light in lights)
    for joined in (
        watts([part(plane=lights[0], cell=cell), part(plane=lights[1], cell=cell)]),
        watts([part(plane=lights[0], cell=cell)], [part(plane=lights[1], cell=cell)]),
    ):
        assert 0.0 <= joined <= apart * 1.002 + 0.01
