"""Conductors resist what IEC 60228 and IEC 60028 say, and what no table holds is said, not guessed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import conductors
from analysis.conductors import basis, loop_ohm, ohm_per_km, temperature_factor
from logger.errors import UnknownConductor
from logger.settings import Cable

CLASSES = [f"class {number}{coat} copper" for number in (1, 2, 5, 6) for coat in ("", " plain", " tinned")]

# IEC 60228, maximum DC resistance at 20 °C [Ω/km]: area, class 2 plain, class 2 coated, class 5 plain, class 5 tinned.
IEC_60228 = """
0.5 36.0 36.7 39.0 40.1
0.75 24.5 24.8 26.0 26.7
1 18.1 18.2 19.5 20.0
1.5 12.1 12.2 13.3 13.7
2.5 7.41 7.56 7.98 8.21
4 4.61 4.70 4.95 5.09
6 3.08 3.11 3.30 3.39
10 1.83 1.84 1.91 1.95
16 1.15 1.16 1.21 1.24
25 0.727 0.734 0.780 0.795
35 0.524 0.529 0.554 0.565
50 0.387 0.391 0.386 0.393
70 0.268 0.270 0.272 0.277
95 0.193 0.195 0.206 0.210
120 0.153 0.154 0.161 0.164
150 0.124 0.126 0.129 0.132
185 0.0991 0.100 0.106 0.108
240 0.0754 0.0762 0.0801 0.0817
300 0.0601 0.0607 0.0641 0.0654
"""
ROWS = [tuple(map(float, line.split())) for line in IEC_60228.strip().splitlines()]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]:g} mm²")
def test_a_listed_size_takes_the_tables_own_figure(row: tuple[float, ...]) -> None:
    """IEC 60228 at 20 °C, every row and column: classes 1 and 2 share the plain column, 5 and 6 theirs."""
    area, stranded, coated, flexible, tinned = row
    written = {
        "class 1 copper": stranded,
        "class 2 plain copper": stranded,
        "class 2 tinned copper": coated,
        "class 5 copper": flexible,
        "class 6 plain copper": flexible,
        "class 5 tinned copper": tinned,
        "class 6 tinned copper": tinned,
    }
    assert {c: ohm_per_km(area, c, 20.0) for c in written} == written
    assert basis(area, "class 2 copper") == f"IEC 60228, {area:g} mm²"


def test_the_table_holds_these_sizes_alone() -> None:
    """No row beyond the ones checked against the standard."""
    assert [row[0] for row in ROWS] == list(conductors.LISTED_AREAS)


@pytest.mark.parametrize(("temperature", "factor"), [(20, 1.0), (50, 1.1179), (75, 1.21615)])
def test_copper_warms_as_iec_60028_says(temperature: float, factor: float) -> None:
    """α20 = 0.00393 /K, IEC 60028; the factors to 50 and 75 °C are computed from it."""
    assert temperature_factor(temperature) == pytest.approx(factor, abs=1e-5)


@pytest.mark.parametrize(
    ("temperature", "to_20"),
    [
        (5, 1.064), (10, 1.042), (15, 1.020), (25, 0.980), (30, 0.962), (40, 0.926), (50, 0.893), (60, 0.862),
        (75, 0.820), (90, 0.781),
    ],
)  # fmt: skip
def test_the_standards_printed_factors_agree(temperature: float, to_20: float) -> None:
    """IEC 60228 prints R20/R(t) rounded from α = 0.004 /K; ours differ by the rounding of α alone."""
    assert 1 / temperature_factor(temperature) == pytest.approx(to_20, abs=0.005)


def test_the_coefficient_at_75_degrees_follows() -> None:
    """NEC chapter 9 table 8, note 2: α75 = 0.00323 /K, from α20."""
    assert conductors.ALPHA_20 / temperature_factor(75) == pytest.approx(0.0032315, abs=1e-6)


def awg_mm2(number: int) -> float:
    """ASTM B258: 36 AWG is 0.127 mm across, 4/0 (here -3) 11.684 mm, and all between in equal ratios."""
    across_mm: float = 0.127 * 92 ** ((36 - number) / 39)
    return math.pi / 4 * across_mm**2


@pytest.mark.parametrize(
    ("number", "listed"), [(18, 25.5), (16, 16.0), (14, 10.1), (12, 6.34), (10, 3.984), (8, 2.506)]
)
def test_solid_copper_agrees_with_the_american_table(number: int, listed: float) -> None:
    """NEC chapter 9 table 8, solid uncoated at 75 °C, is ρ/A warmed up, to 0.4 %; areas by ASTM B258."""
    area = awg_mm2(number)
    assert 1000 * conductors.RESISTIVITY_20 / area * temperature_factor(75) == pytest.approx(listed, rel=0.004)


# NEC (2017) chapter 9 table 8, stranded at 75 °C [Ω/km]: number (0, -1, -3: 1/0, 2/0, 4/0), uncoated, coated.
NEC_TABLE_8 = """
18 26.1 27.7
16 16.4 17.3
14 10.3 10.7
12 6.50 6.73
10 4.070 4.226
8 2.551 2.653
6 1.608 1.671
4 1.010 1.053
2 0.634 0.661
1 0.505 0.524
0 0.399 0.415
-1 0.3170 0.329
-3 0.1996 0.2050
"""


@pytest.mark.parametrize("row", NEC_TABLE_8.strip().splitlines())
def test_an_unlisted_size_is_a_maximum_near_the_american_table(row: str) -> None:
    """The ρ/A rule bounds every stranded row of NEC chapter 9 table 8 from above, by less than 12 %."""
    number, *listed = row.split()
    area = awg_mm2(int(number))
    for conductor, ohm in zip(("class 2 copper", "class 2 tinned copper"), map(float, listed), strict=True):
        assert ohm <= ohm_per_km(area, conductor, 75.0) < 1.12 * ohm
    assert "not in IEC 60228" in basis(area, "class 2 copper")


@given(area=st.floats(0.05, 2000), conductor=st.sampled_from(CLASSES), temperature=st.floats(-60, 120))
def test_no_conductor_beats_pure_copper(area: float, conductor: str, temperature: float) -> None:
    """Whatever the size, class and temperature, the figure is a maximum: never below ρ/A."""
    assert ohm_per_km(area, conductor, temperature) >= (
        0.999 * 1000 * conductors.RESISTIVITY_20 / area * temperature_factor(temperature)
    )


@pytest.mark.parametrize(("temperature", "volts"), [(20, 1.320), (50, 1.4756)])
def test_a_worked_run(temperature: float, volts: float) -> None:
    """20 A over 10 m, there and back, of 6 mm² class 5 plain: 1.320 V at 20 °C (IEC 60228), 1.4756 V at 50 °C."""
    assert 20 * loop_ohm(10, 6, "class 5 copper", temperature) == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize(
    ("area", "watts_of_array", "percent"),
    [(2.5, (5.6, 36), 1.4), (2.5, (11.1, 18), 5.6), (0.75, (5.6, 36), 4.6), (0.75, (11.1, 18), 18.0)],
)
def test_series_and_parallel_on_one_run(area: float, watts_of_array: tuple[float, float], percent: float) -> None:
    """Two modules over 5.5 m of tinned class 5 at 20 °C lose four times as much in parallel as in series."""
    amps, volts = watts_of_array
    assert 100 * amps * loop_ohm(5.5, area, "class 5 tinned copper", 20) / volts == pytest.approx(percent, abs=0.2)


@pytest.mark.parametrize("written", ["class 3 copper", "class 5 aluminium", "tinned", "", "class 5 tinned", "5"])
def test_what_is_not_understood_is_said(written: str) -> None:
    """An unknown class or metal names what is understood, with an example."""
    with pytest.raises(UnknownConductor, match="is not understood: write class 1, 2, 5 or 6, plain or tinned"):
        ohm_per_km(4.0, written, 20.0)


@pytest.mark.parametrize("area", [0.0, -4.0, 1e6, float("nan")])
def test_an_area_that_is_no_cables_is_refused(area: float) -> None:
    """Nonsense areas raise, they never become a resistance."""
    with pytest.raises(UnknownConductor, match="is no cable's; write square millimetres"):
        ohm_per_km(area, "class 5 copper", 20.0)


@pytest.mark.parametrize("conductor", CLASSES)
@pytest.mark.parametrize("area", [0.05, 4.0, 2000.0])
def test_what_the_settings_accept_is_understood(conductor: str, area: float) -> None:
    """No cable passes the check of the settings and fails here."""
    cable = Cable(name="run", carries="array.cabin", length=1.0, area=area, conductor=conductor)
    assert loop_ohm(cable.length, cable.area, cable.conductor, 20.0) > 0
