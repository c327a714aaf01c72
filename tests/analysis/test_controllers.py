"""What a controller can make of an array: the best point where the bank's volts let it, else what they leave."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import controllers
from analysis.controllers import Allowed
from analysis.modules import Electrics
from analysis.sun import Floats
from logger.settings import Array, Controller
from tests.analysis import frames


def array(in_series: int = 2, **module: Any) -> Array:
    base = frames.settings().array[0]
    typed = base.module.model_dump() | module
    return Array.model_validate(base.model_dump(by_alias=True) | {"modules_in_series": in_series, "module": typed})


def allowed(
    one: Array,
    plane: Any,
    cell: Any,
    bank_v: Any,
    type_: str = "mppt",
    ohm: float | None = None,
    morning: Any = None,
    **keys: float,
) -> Allowed:
    light: Floats = np.atleast_1d(np.asarray(plane, dtype=float))
    n = len(light)
    warm, bank = (np.broadcast_to(np.asarray(x, dtype=float), n) for x in (cell, bank_v))
    first = np.arange(n) == 0 if morning is None else np.asarray(morning)
    controller = Controller.model_validate({"name": "c", "type": type_} | keys)
    return controllers.allowed(one, controller, ohm, Electrics(one.module, light, warm), bank, first)


def test_a_tracking_controller_is_free_while_the_array_has_volts_in_hand() -> None:
    """Two modules at 45 °C stand near 33 V: a bank at 26 V does not bind them."""
    found = allowed(array(), 800.0, 45.0, 26.0)
    assert found.power[0] == found.free[0] == pytest.approx(200 * 0.8 * (1 - 0.004 * 20), rel=0.02)
    assert not found.bound[0]


def test_hot_modules_lose_the_bank() -> None:
    """Two 36-cell modules on a 24 V bank: at 75 °C their best point lies near 29 V, at 28.3 V and 1 V of headroom they
    are on the edge, at 30 V past it: less is left, and it falls fast."""
    one = array(temp_coeff_voc=-0.30)
    cold, edge, past, far = (allowed(one, 1000.0, 75.0, v) for v in (24.0, 29.0, 31.0, 34.0))
    assert cold.power[0] == cold.free[0]
    assert edge.power[0] > 0.9 * edge.free[0]
    assert past.bound[0]
    assert 0.2 * past.free[0] < past.power[0] < 0.95 * past.free[0]
    assert far.power[0] < 0.3 * far.free[0]


def test_a_controller_starts_by_one_headroom_and_runs_on_by_the_other() -> None:
    """36 V of open circuit in the morning do not start it on a 32 V bank (5 V wanted); once started by 42 V it runs on
    at 36 V; the next morning it must start again."""
    one = array()
    plane = np.array([10.0, 600.0, 10.0, 10.0])
    found = allowed(one, plane, 25.0, 32.0, morning=[True, False, False, True])
    volts = found.open_volts
    assert 33.0 < volts[0] < 37.0 < volts[1]
    assert (found.power > 0).tolist() == [False, True, True, False]
    eager = allowed(one, plane, 25.0, 32.0, morning=[True, False, False, True], start_headroom_v=1.0)
    assert (eager.power > 0).all()


def test_an_unmeasured_bank_binds_nothing() -> None:
    found = allowed(array(), [800.0, np.nan], 60.0, np.nan)
    assert found.power[0] == found.free[0] > 0
    assert np.isnan(found.power[1])


def test_a_switching_controller_gives_the_modules_current_at_the_banks_volts() -> None:
    """17.8 V and 5.6 A behind a PWM controller on 12.4 V: 69.4 W is all there is, though tracking would give 94.7 W;
    30.5 V and 8.2 A at 13.0 V: 107 of 250 W, no fault of the array's (published worked cases)."""
    small = array(1, power=100.0, voc=None, isc=None, vmp=17.8, imp=5.6)
    assert allowed(small, 1000.0, 25.0, 12.4, "pwm").power[0] == pytest.approx(69.4, abs=0.1)
    assert allowed(small, 1000.0, 25.0, 14.4, "pwm").power[0] == pytest.approx(80.6, abs=0.1)
    large = array(1, power=250.0, voc=None, isc=None, vmp=30.5, imp=8.2)
    found = allowed(large, 1000.0, 25.0, 13.0, "pwm")
    assert found.power[0] == pytest.approx(107.0, abs=0.6)
    assert 1 - found.power[0] / found.free[0] == pytest.approx(0.57, abs=0.01)


def test_a_switching_controller_by_the_full_datasheet() -> None:
    """With the whole curve the current lies between those of the best point and of short circuit; a hot module near its
    knee gives less."""
    one = array(1)
    assert 5.55 * 12.4 < allowed(one, 1000.0, 25.0, 12.4, "pwm").power[0] < 5.95 * 12.4
    cool, hot = (allowed(one, 1000.0, cell, 14.8, "pwm").power[0] for cell in (25.0, 85.0))
    assert hot < 0.97 * cool


def test_without_current_a_switching_controller_cannot_be_judged() -> None:
    thin = array(1, voc=None, isc=None, vmp=None, imp=None)
    assert np.isnan(allowed(thin, 1000.0, 25.0, 12.4, "pwm").power[0])
    assert np.isnan(allowed(array(1), 1000.0, 25.0, np.nan, "pwm").power[0])


def test_the_cable_takes_its_volts() -> None:
    """0.0875 Ω at about 5.5 A: 2.6 W of the pair's 200 (computed)."""
    found = allowed(array(), 1000.0, 25.0, 24.0, ohm=0.0875)
    assert found.modules[0] - found.free[0] == pytest.approx(2.6, abs=0.15)
    assert found.best_volts[0] == pytest.approx(36.0 - 0.49, abs=0.05)


@given(
    plane=st.lists(st.one_of(st.floats(0.0, 1300.0), st.just(float("nan"))), min_size=2, max_size=8),
    cell=st.floats(-30.0, 90.0), bank=st.one_of(st.floats(9.0, 60.0), st.just(float("nan"))),
    ohm=st.floats(0.0, 0.5), in_series=st.integers(1, 3), type_=st.sampled_from(["mppt", "pwm"]),
)  # fmt: skip
def test_no_controller_gives_more_than_the_best_point(
    plane: list[float], cell: float, bank: float, ohm: float, in_series: int, type_: str
) -> None:
    """0 ≤ at the bank's volts ≤ at the best point ≤ the modules', and unknown light stays unknown."""
    found = allowed(array(in_series), plane, cell, bank, type_, ohm)
    known = np.isfinite(found.power)
    assert (found.power[known] >= 0).all()
    assert (found.power[known] <= found.free[known] * 1.005 + 0.2).all()
    assert (found.free <= found.modules + 1e-9)[np.isfinite(plane)].all()
    assert np.isnan(found.free[~np.isfinite(plane)]).all()
