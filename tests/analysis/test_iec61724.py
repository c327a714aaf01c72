"""Yields and ratios as IEC 61724 defines them."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.iec61724 import Storage, Yields, corrected_performance_ratio, grouped, weighed_temperature, yields


def test_two_years_of_an_island_system() -> None:
    """Ma, Yang and Lu, Applied Energy 2016 (abstract): 19.8 kWp with a bank, 4.08, 3.05, 2.45 kWh/kWp a day: 60 %."""
    found = Yields(4.08, 3.05, 2.45)
    assert found.performance_ratio == pytest.approx(0.600, abs=0.005)
    assert found.capture_loss == pytest.approx(1.03, abs=0.005)
    assert found.system_loss == pytest.approx(0.60, abs=0.005)


def test_yields_are_hours_at_rated_power() -> None:
    found = yields(700.0, 5_000.0, 2_800.0, 2_660.0)
    assert (found.reference, found.array, found.final) == (5.0, 4.0, pytest.approx(3.8))
    assert found.performance_ratio == pytest.approx(0.76)
    assert yields(700.0, None, 2_800.0, None).performance_ratio is None


# Dierauf et al. 2013 as the test suite of pvanalytics asserts it, seven rows.
G = np.array([921.75575, 916.11225, 914.8590833, 914.86375, 913.6426667, 889.6296667, 751.4611667])
AIR = np.array([28.89891667, 29.69258333, 30.21441667, 30.5815, 31.14808333, 31.5445, 31.63208333])
WIND = np.array([1.796333333, 2.496916667, 2.413333333, 2.023666667, 1.844416667, 1.605583333, 1.18625])
KW = np.array([39389.6625, 39425.3525, 39460.9625, 39125.315, 38888.59, 37520.8925, 27303.8025])
RATED_KW, COEFFICIENT = 61056.0, -0.0028
CELL = pvlib.temperature.sapm_cell(G, AIR, WIND, a=-3.58, b=-0.113, deltaT=3.0)


def test_weather_corrected_performance_ratio() -> None:
    """NREL/TP-5200-57991, equation 5: 0.6873060 at the record's own temperature of 53.15894 °C; 0.7461350 at 25 °C."""
    assert weighed_temperature(G, CELL) == pytest.approx(53.15894, abs=1e-4)
    own = corrected_performance_ratio(1000 * KW, G, CELL, 1000 * RATED_KW, COEFFICIENT)
    assert own == pytest.approx(0.6873060, abs=1e-4)
    standard = corrected_performance_ratio(1000 * KW, G, CELL, 1000 * RATED_KW, COEFFICIENT, 25.0)
    assert standard == pytest.approx(0.7461350, abs=1e-4)


@given(st.lists(st.tuples(st.floats(50, 1200), st.floats(-20, 75), st.floats(0, 1)), min_size=2, max_size=30))
def test_at_its_own_temperature_the_ratio_stays_as_it_is(rows: list[tuple[float, float, float]]) -> None:
    """Algebra of the same equation: corrected to the weighed mean of the record itself, nothing changes."""
    plane, cell, share = (np.array(column) for column in zip(*rows, strict=True))
    power = 100.0 * plane / 1000 * share
    own = corrected_performance_ratio(power, plane, cell, 100.0, -0.004)
    assert own == pytest.approx(power.sum() / (100.0 * plane.sum() / 1000), rel=1e-9, abs=1e-12)


energies = st.floats(0, 1e5)


@given(energies, energies, energies, energies, energies)
def test_storage_gains_or_gives_never_both(array: float, backup: float, into: float, out: float, load: float) -> None:
    """Properties of the 1998 edition's quantities that need no text: E_TSN · E_FSN = 0, shares between 0 and 1."""
    found = Storage(array, backup, into, out, load)
    assert found.net_to_storage * found.net_from_storage == 0
    assert found.put_in >= found.array
    assert found.array_fraction is None or 0 <= found.array_fraction <= 1


def test_without_a_change_of_the_bank_the_load_is_all_that_is_used() -> None:
    found = Storage(array=1000.0, backup=200.0, to_storage=400.0, from_storage=400.0, load=900.0)
    assert found.load_efficiency == pytest.approx(900 / 1200)


def test_days_fall_into_weeks_months_and_seasons() -> None:
    """ISO 8601 weeks (2020-W53 runs into January 2021), December with the winter that follows."""
    days = ["2020-12-31", "2021-01-01", "2021-01-04", "2021-03-01"]
    assert grouped(days, "week") == {"2020-W53": [0, 1], "2021-W01": [2], "2021-W09": [3]}
    assert list(grouped(days, "month")) == ["2020-12", "2021-01", "2021-03"]
    assert grouped(days, "season") == {"2021 winter": [0, 1, 2], "2021 spring": [3]}
    assert grouped(days, "year") == {"2020": [0], "2021": [1, 2, 3]}
