"""Yields and ratios as IEC 61724 defines them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.iec61724 import Storage, Yields, grouped, performance, warmth_weighed
from analysis.results import ArrayDay
from analysis.sun import DAY_MS, Floats


def test_two_years_of_an_island_system() -> None:
    """Ma, Yang and Lu, Applied Energy 2016 (abstract): 19.8 kWp with a bank, 4.08, 3.05, 2.45 kWh/kWp a day: 60 %."""
    found = Yields(4.08, 3.05, 2.45)
    assert found.performance_ratio == pytest.approx(0.600, abs=0.005)
    assert found.capture_loss == pytest.approx(1.03, abs=0.005)
    assert found.system_loss == pytest.approx(0.60, abs=0.005)


# Dierauf et al. 2013 as the test suite of pvanalytics asserts it, seven rows.
G = np.array([921.75575, 916.11225, 914.8590833, 914.86375, 913.6426667, 889.6296667, 751.4611667])
AIR = np.array([28.89891667, 29.69258333, 30.21441667, 30.5815, 31.14808333, 31.5445, 31.63208333])
WIND = np.array([1.796333333, 2.496916667, 2.413333333, 2.023666667, 1.844416667, 1.605583333, 1.18625])
KW = np.array([39389.6625, 39425.3525, 39460.9625, 39125.315, 38888.59, 37520.8925, 27303.8025])
RATED_KW, COEFFICIENT = 61056.0, -0.0028
CELL = pvlib.temperature.sapm_cell(G, AIR, WIND, a=-3.58, b=-0.113, deltaT=3.0)


def corrected(power: Floats, plane: Floats, cell: Floats, rated: float, coefficient: float, to: float) -> float:
    return float(power.sum() / (rated * warmth_weighed(plane, cell, coefficient, to).sum() / 1000.0))


def test_weather_corrected_performance_ratio() -> None:
    """NREL/TP-5200-57991, equation 5: 0.6873060 at the record's own temperature of 53.15894 °C; 0.7461350 at 25 °C."""
    own = float((G * CELL).sum() / G.sum())
    assert own == pytest.approx(53.15894, abs=1e-4)
    assert corrected(KW, G, CELL, RATED_KW, COEFFICIENT, own) == pytest.approx(0.6873060, abs=1e-6)
    assert corrected(KW, G, CELL, RATED_KW, COEFFICIENT, 25.0) == pytest.approx(0.7461350, abs=1e-6)


@given(st.lists(st.tuples(st.floats(50, 1200), st.floats(-20, 75), st.floats(0, 1)), min_size=2, max_size=30))
def test_at_its_own_temperature_the_ratio_stays_as_it_is(rows: list[tuple[float, float, float]]) -> None:
    """Algebra of the same equation: corrected to the weighed mean of the record itself, nothing changes."""
    plane, cell, share = (np.array(column) for column in zip(*rows, strict=True))
    power = 100.0 * plane / 1000 * share
    own = corrected(power, plane, cell, 100.0, -0.004, float((plane * cell).sum() / plane.sum()))
    assert own == pytest.approx(power.sum() / (100.0 * plane.sum() / 1000), rel=1e-9, abs=1e-12)


# -- an array's days ------------------------------------------------------------------------------------------


def day(n: int = 0, **more: Any) -> ArrayDay:
    """A day of 700 W: 5 kWh/m² in the plane, 2.8 kWh at the controller, nine tenths of the daylight known."""
    start = n * DAY_MS
    base: dict[str, Any] = dict.fromkeys(
        ("expected_wh", "expected_low_wh", "expected_high_wh", "judged_measured_wh", "judged_expected_wh",
         "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh", "limited_wh"),
    )  # fmt: skip
    return ArrayDay(
        **base
        | {
            "array": "a", "day": dt.date(2026, 6, 10) + dt.timedelta(n), "start": start, "stop": start + DAY_MS,
            "rated_w": 700.0, "measured_wh": 2800.0, "performance_ratio": 0.8, "plane_wh_m2": 5000.0,
            "plane_weighed_wh_m2": 4500.0, "daylight_min": 900.0, "known_min": 810.0, "plane_min": 810.0,
            "judging_min": 500.0, "completeness": 0.9, "verdict": "healthy", "cause": None,
            "states": {"night": 540.0, "unhindered": 700.0, "no-current": 100.0, "unheard": 100.0},
        }
        | more
    )  # fmt: skip


def test_a_day_by_hand() -> None:
    """Y_r 5.0, Y_A 2800/700 = 4.0, Y_f 2660/700 = 3.8 h; PR 3.8/5 = 0.76, at 25 °C 3.8/4.5; 700 of 800 minutes able."""
    found = performance([day()], {day().day: 2660.0})
    assert (found.yields.reference, found.yields.array) == (5.0, pytest.approx(4.0))
    assert found.yields.final == pytest.approx(3.8)
    assert found.yields.capture_loss == pytest.approx(1.0)
    assert found.yields.system_loss == pytest.approx(0.2)
    assert found.yields.performance_ratio == pytest.approx(0.76)
    assert found.corrected_ratio == pytest.approx(3.8 / 4.5)
    assert found.availability == pytest.approx(700 / 800)
    assert found.coverage == pytest.approx(0.9)
    assert found.irradiation_wh_m2 == 5000.0


def test_yields_count_the_light_that_was_measured_alone() -> None:
    """The plane's sensor spoke half a day, the meters for all of it: yields are of that half; coverage says so."""
    half = day(measured_wh=2800.0, plane_wh_m2=2500.0, performance_ratio=0.8, plane_min=405.0)
    found = performance([half], {half.day: 2660.0})
    assert found.yields.array == pytest.approx(2.0)
    assert found.yields.final == pytest.approx(1.9)
    assert found.coverage == pytest.approx(0.45)


def test_without_a_sensor_in_the_plane_there_is_no_ratio() -> None:
    """The array's and the final yield are known all the same; what needs irradiation is not made up."""
    bare = day(performance_ratio=None, plane_wh_m2=None, plane_weighed_wh_m2=None, plane_min=0.0)
    found = performance([bare], {bare.day: 2660.0})
    assert (found.yields.array, found.yields.final) == (pytest.approx(4.0), pytest.approx(3.8))
    assert found.yields.system_loss == pytest.approx(0.2)
    absent = (found.yields.reference, found.yields.capture_loss, found.yields.performance_ratio, found.corrected_ratio)
    assert absent == (None, None, None, None)
    assert found.irradiation_wh_m2 is None


def test_a_day_whose_way_to_the_bank_is_not_known_leaves_the_final_yield_unknown() -> None:
    """The ratio is then that of the array's yield, as is said of it."""
    found = performance([day(0), day(1)], {day(0).day: 2660.0})
    assert found.yields.final is None
    assert found.yields.performance_ratio == pytest.approx(0.8)


@given(st.lists(st.tuples(st.floats(1, 9000), st.floats(0.05, 1.1), st.floats(0.5, 1.0)), min_size=1, max_size=20))
def test_losses_sum_to_what_is_missing(rows: list[tuple[float, float, float]]) -> None:
    """L_C + L_S = Y_r - Y_f over any days (a property that needs no text of the standard)."""
    days = [
        day(n, plane_wh_m2=plane, performance_ratio=share, measured_wh=share * plane * 0.7)
        for n, (plane, share, _) in enumerate(rows)
    ]
    found = performance(days, {d.day: (d.measured_wh or 0.0) * rows[n][2] for n, d in enumerate(days)}).yields
    assert found.reference is not None
    assert found.final is not None
    assert found.capture_loss is not None
    assert found.system_loss is not None
    assert found.capture_loss + found.system_loss == pytest.approx(found.reference - found.final, abs=1e-9)


def test_a_grown_array_counts_each_day_by_its_own_rating() -> None:
    """700 W on one day, 1,400 W on the next, twice the energy: 4 h each."""
    found = performance([day(0), day(1, rated_w=1400.0, measured_wh=5600.0)], {})
    assert found.yields.array == pytest.approx(8.0)


# -- storage --------------------------------------------------------------------------------------------------


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
    first = dt.date(2020, 12, 31)
    days = [day((dt.date.fromisoformat(text) - dt.date(2026, 6, 10)).days) for text in (
        "2020-12-31", "2021-01-01", "2021-01-04", "2021-03-01",
    )]  # fmt: skip
    assert days[0].day == first
    assert {name: len(part) for name, part in grouped(days, "week").items()} == {
        "2020-W53": 2, "2021-W01": 1, "2021-W09": 1,
    }  # fmt: skip
    assert list(grouped(days, "month")) == ["2020-12", "2021-01", "2021-03"]
    assert {name: len(part) for name, part in grouped(days, "season").items()} == {"2021 winter": 3, "2021 spring": 1}
    assert list(grouped(days, "day")) == [d.day.isoformat() for d in days]
