"""Cold strings bear the volts that worked examples and the NEC's table say."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.stringvolts import cold_factor, coldest
from logger.settings import Array, Module


def string(voc: float | None, in_series: int, coefficient: float | None = None) -> Array:
    module = Module(power=100, voc=voc, temp_coeff_voc=coefficient)
    return Array(name="a", modules_in_series=in_series, strings_in_parallel=1, tilt=0, azimuth=0, module=module)


@pytest.mark.parametrize(
    ("voc", "coefficient", "module_c", "volts", "limit", "in_series"),
    [(49.5, -0.27, -10, 54.18, 600, 11), (40.0, -0.30, -10, 44.2, 500, 11), (49.5, -0.28, -10, 54.35, 489.5, 9)],
)
def test_worked_examples(
    voc: float, coefficient: float, module_c: float, volts: float, limit: float, in_series: int
) -> None:
    """Worked examples of design guides: +9.45 % and 11 modules on 600 V; 44.2 V and 11 on 500 V; 9 instead of 10."""
    each = voc * cold_factor(coefficient, module_c)[0]
    assert each == pytest.approx(volts, abs=0.01)
    assert math.floor(limit / each) == in_series


# NEC (2017) table 690.7(A), crystalline silicon: both ends of every row.
NEC = {
    (24, 20): 1.02,
    (19, 15): 1.04,
    (14, 10): 1.06,
    (9, 5): 1.08,
    (4, 0): 1.10,
    (-1, -5): 1.12,
    (-6, -10): 1.14,
    (-11, -15): 1.16,
    (-16, -20): 1.18,
    (-21, -25): 1.20,
    (-26, -30): 1.21,
    (-31, -35): 1.23,
    (-36, -40): 1.25,
}


@pytest.mark.parametrize(("row", "factor"), NEC.items(), ids=str)
def test_every_row_of_the_table(row: tuple[int, int], factor: float) -> None:
    """Without a coefficient the row holds at both of its ends and between; -9 °C gives 1.14 (worked design guide)."""
    for degree in range(row[1], row[0] + 1):
        assert cold_factor(None, degree) == (factor, "NEC table 690.7(A), as temp_coeff_voc is not given")


def test_between_two_rows_the_colder_one_holds() -> None:
    """A fraction of a degree below a row's end is not yet the warmer row."""
    assert cold_factor(None, -0.1)[0] == 1.12
    assert cold_factor(None, 19.5)[0] == 1.04
    assert cold_factor(None, 24.9)[0] == 1.02


def test_warm_strings_need_no_correction_from_the_table() -> None:
    """From 25 °C up the table has no row."""
    assert cold_factor(None, 25)[0] == cold_factor(None, 40)[0] == 1.0


def test_below_the_tables_end_the_line_goes_on() -> None:
    """-0.40 %/K from 25 °C below -40 °C, and it says so."""
    factor, basis = cold_factor(None, -45)
    assert factor == pytest.approx(1.28)
    assert "ends at -40 °C" in basis


def test_the_coldest_morning_lies_below_the_air() -> None:
    """Four modules of 22.6 V, -0.30 %/K: 101.25 V at -15 °C of the module, which is air of -10 °C at a clear dawn."""
    volts = coldest(string(22.6, 4, -0.30), -10)
    assert volts is not None
    assert (volts.volts, volts.module_c) == (pytest.approx(101.25, abs=0.01), -15)
    assert 4 * 22.6 * cold_factor(-0.30, 0)[0] == pytest.approx(97.2, abs=0.05)


def test_a_string_of_unequal_modules_adds_up_module_by_module() -> None:
    """A group with modules of its own counts with its own volts and its own coefficient; of two strings the most."""
    group = [
        {"modules": 2, "tilt": 0, "azimuth": 0},
        {"modules": 2, "tilt": 0, "azimuth": 0, "module": {"power": 250.0, "voc": 37.6, "temp_coeff_voc": -0.32}},
    ]
    made = {
        "name": "a", "tilt": 0, "azimuth": 0, "group": group,
        "module": {"power": 100.0, "voc": 22.0, "temp_coeff_voc": -0.30},
    }  # fmt: skip
    small, large = 22.0 * (1 + 0.003 * 30), 37.6 * (1 + 0.0032 * 30)
    apart = coldest(Array.model_validate(made | {"modules_in_series": 2, "strings_in_parallel": 2}), 0.0)
    together = coldest(Array.model_validate(made | {"modules_in_series": 4, "strings_in_parallel": 1}), 0.0)
    assert apart is not None
    assert together is not None
    assert apart.volts == pytest.approx(2 * large)
    assert together.volts == pytest.approx(2 * small + 2 * large)


def test_without_open_circuit_volts_there_is_no_answer() -> None:
    """What is not on the datasheet is not invented."""
    assert coldest(string(None, 2), -10) is None


@given(coefficient=st.none() | st.floats(-0.5, -0.2), low=st.floats(-60, 24), step=st.floats(0, 30))
def test_colder_is_never_fewer_volts(coefficient: float | None, low: float, step: float) -> None:
    """Volts rise as the module cools, by the coefficient and by the table, at every temperature."""
    assert cold_factor(coefficient, low)[0] >= cold_factor(coefficient, low + step)[0] - 1e-12
