"""The datasheet as a single diode gives what published parameter sets give, and what the datasheet itself says."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from analysis import diodes
from analysis.diodes import Diode, Parameters
from analysis.modules import Electrics
from logger.settings import Module

P100 = {
    "power": 100, "voc": 22.0, "isc": 5.95, "vmp": 18.0, "imp": 5.55, "temp_coeff_power": -0.41,
    "temp_coeff_voc": -0.30, "temp_coeff_isc": 0.05, "cells_in_series": 36, "substrings": 2,
}  # fmt: skip


def module(**more: float | None) -> Module:
    return Module.model_validate(P100 | more)


def device(light: float, dark: float, series: float, shunt: float, slope: float) -> Parameters:
    return Parameters(*(np.array([value]) for value in (light, dark, series, shunt, slope)))


def test_the_points_of_a_published_device() -> None:
    """The parameter set that pvlib's own test suite asserts for its single-diode solvers."""
    points = device(7.0, 6e-7, 0.1, 20.0, 0.5).points()
    found = [points[key][0] for key in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")]
    assert found == pytest.approx([6.965172, 8.106300, 6.136267, 6.224339, 38.194211], abs=1e-5)


@pytest.mark.parametrize(
    ("ideality", "shunt", "wanted"),
    [
        (1.01, 300.0, (39.74810738, 0.99966678, 33.93689432, 0.84612386, 28.71481605)),
        (1.30, 300.0, (51.05412127, 0.99966678, 43.50892289, 0.81744688, 35.56623344)),
        (1.01, 3000.0, (39.98859078, 0.99996667, 34.34302509, 0.93797540, 32.21291270)),
    ],
)
def test_the_points_of_high_precision_curves(ideality: float, shunt: float, wanted: tuple[float, ...]) -> None:
    """72 cells at 25 °C, solved to many digits: the open set ``ivcurves`` of the pvlib project (its second short
    circuit is not printed there and follows from light / (1 + series / shunt))."""
    thermal = 1.380649e-23 * 298.15 / 1.602176634e-19
    points = device(1.0, 5e-10, 0.1, shunt, ideality * 72 * thermal).points()
    found = [points[key][0] for key in ("v_oc", "i_sc", "v_mp", "i_mp", "p_mp")]
    assert found == pytest.approx(wanted, abs=2e-6)


EXAMPLE = Diode(7.545, 1.94e-9, 0.094, 15.72, 0.473, 0.003)


def test_dimmer_light_by_de_soto() -> None:
    """The 18-cell example module of pvlib's test suite at 800 W/m² and 25 °C."""
    under = EXAMPLE.under(np.array([800.0]), np.array([25.0]))
    assert [under.light[0], under.shunt[0], under.slope[0]] == pytest.approx([6.036, 19.65, 0.473], abs=1e-3)
    points = under.points()
    found = [points[key][0] for key in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")]
    assert found == pytest.approx([6.0073, 10.2960, 5.2905, 8.4094, 44.490], abs=1e-3)


def test_warmer_cells_by_de_soto() -> None:
    """The same module at 800 W/m² and 50 °C; the saturation current by the paper's closed form."""
    under = EXAMPLE.under(np.array([800.0]), np.array([50.0]))
    assert [under.light[0], under.slope[0]] == pytest.approx([6.096, 0.5127], abs=1e-3)
    k, warm, cool = 8.617333e-5, 323.15, 298.15
    gap = 1.121 * (1 - 0.0002677 * 25.0)
    dark = 1.94e-9 * (warm / cool) ** 3 * np.exp(1.121 / (k * cool) - gap / (k * warm))
    assert under.dark[0] == pytest.approx(dark, rel=1e-4)


def test_devices_joined_in_series_and_parallel() -> None:
    """Four of the published devices in series, two such strings (computed); and every figure scales as circuits do."""
    points = device(7.0, 6e-7, 0.1, 20.0, 0.5).joined(4, 2).points()
    assert [points[key][0] for key in ("v_mp", "i_mp", "p_mp")] == pytest.approx([24.8974, 12.2725, 305.5537], abs=1e-3)
    one, joined = (device(7.0, 6e-7, 0.1, 20.0, 0.5).joined(*n).points() for n in ((1, 1), (2, 3)))
    for key, factor in (("i_sc", 3), ("i_mp", 3), ("v_oc", 2), ("v_mp", 2), ("p_mp", 6)):
        assert joined[key][0] == pytest.approx(factor * one[key][0], rel=1e-5)


def test_a_cable_takes_volts_in_proportion_to_current() -> None:
    """The curve seen through a cable is the curve less current times its resistance."""
    bare, through = (device(7.0, 6e-7, 0.1, 20.0, 0.5).joined(2, 1, ohm) for ohm in (0.0, 0.2))
    amps = np.array([5.0])
    assert through.volts(amps)[0] == pytest.approx(bare.volts(amps)[0] - 1.0, abs=1e-6)
    assert through.current(through.volts(amps))[0] == pytest.approx(5.0, abs=1e-6)


def test_the_diode_goes_through_the_datasheets_points() -> None:
    """Short circuit, open circuit and best point within 0.1 % of what was typed in."""
    diode = diodes.of_module(module())
    assert diode is not None
    points = diode.under(np.array([1000.0]), np.array([25.0])).points()
    for key, wanted in (("i_sc", 5.95), ("v_oc", 22.0), ("i_mp", 5.55), ("v_mp", 18.0)):
        assert points[key][0] == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("missing", ["voc", "isc", "vmp", "imp"])
def test_a_thin_datasheet_has_no_diode(missing: str) -> None:
    """Then the PVWatts form stands, to the last digit: 100 W, -0.41 %/K, 800 W/m², 50 °C."""
    thin = module(**{missing: None})
    assert diodes.of_module(thin) is None
    found = Electrics(thin, np.array([800.0, np.nan]), np.array([50.0, 50.0])).power_ratio
    assert found[0] == pytest.approx(0.8 * (1 - 0.0041 * 25), rel=1e-12)
    assert np.isnan(found[1])


def test_power_falls_with_warmth_as_the_datasheet_says() -> None:
    """Along full sun the table keeps the datasheet's own coefficient, not the diode's."""
    cell = np.array([-10.0, 25.0, 45.0, 70.0])
    found = Electrics(module(), np.full(4, 1000.0), cell).power_ratio
    assert found == pytest.approx(1 - 0.0041 * (cell - 25), abs=2e-4)


def test_dim_light_is_used_less_well_and_volts_fall_slowly() -> None:
    """A crystalline module keeps 96-100 % of its efficiency at 200 W/m² (common practice, no source) and most of its
    volts: a pair shows 38-40 V at 100 W/m², by ideality, and 44 V in full sun (computed)."""
    electrics = Electrics(module(), np.array([1000.0, 200.0, 100.0, 50.0]), np.full(4, 25.0))
    efficiency = electrics.power_ratio / (electrics.plane / 1000.0)
    assert 0.96 < efficiency[1] < 1.0
    assert efficiency[3] < efficiency[2] < efficiency[1]
    assert electrics.open_volts is not None
    assert 2 * electrics.open_volts[0] == pytest.approx(44.0, abs=0.05)
    assert 37.5 < 2 * electrics.open_volts[2] < 40.5


def test_the_table_reads_as_the_diode_solves() -> None:
    """Between its points the table misses power and volts by less than 0.1 % from dawn to bright sun."""
    diode = diodes.of_module(module())
    assert diode is not None
    plane, cell = np.array([20.3, 77.0, 333.3, 911.0, 1444.0]), np.array([3.0, -17.5, 41.2, 58.8, 25.0])
    points, read = diode.under(plane, cell).points(), Electrics(module(), plane, cell)
    assert read.best_volts is not None
    assert read.open_volts is not None
    assert read.best_volts == pytest.approx(points["v_mp"], rel=1e-3)
    assert read.open_volts == pytest.approx(points["v_oc"], rel=1e-3)
    assert read.table is not None
    dim = np.interp(np.sqrt(plane), np.arange(0.0, 46.25, 0.25), read.table.dim)
    assert read.power_ratio * 100.0 == pytest.approx(points["p_mp"] * read.trim * dim, rel=1e-3)


def test_dim_light_is_used_as_measured_modules_do() -> None:
    """The median of the crystalline modules from 2005 on in Sandia's database, as pvlib carries it, its estimates
    left out: 96.1 % of full sun's efficiency at 200 W/m², 92.8 % at 100 W/m², 88.0 % at 50 W/m²."""
    every = pvlib.pvsystem.retrieve_sam("SandiaMod").T
    vintage = every["Vintage"].astype(str)
    since = vintage.str.extract(r"(\d{4})")[0].astype(float) >= 2005
    chosen = every[every["Material"].isin(["c-Si", "mc-Si"]) & since & ~vintage.str.contains("(E)", regex=False)]
    light, shares = np.array([50.0, 100.0, 200.0, 400.0, 700.0, 1000.0]), []
    for _, sheet in chosen.iterrows():
        power = np.asarray(pvlib.pvsystem.sapm(light, np.full(6, 25.0), sheet)["p_mp"], dtype=float) / light
        shares.append(power / power[-1])
    measured = np.median([share for share in shares if np.isfinite(share).all()], axis=0)
    ours = Electrics(module(), light, np.full(6, 25.0)).power_ratio * 1000.0 / light
    assert ours == pytest.approx(measured, abs=0.002)


@given(
    voc=st.floats(18.0, 50.0), fill_v=st.floats(0.78, 0.86), isc=st.floats(2.0, 15.0), fill_a=st.floats(0.91, 0.96),
    beta=st.floats(-0.36, -0.24), gamma=st.floats(-0.5, -0.28),
)  # fmt: skip
def test_any_plausible_datasheet_gives_sane_power(
    voc: float, fill_v: float, isc: float, fill_a: float, beta: float, gamma: float
) -> None:
    """More light is never less power, nothing in the dark, the nameplate in full sun; with a diode or without."""
    vmp, imp = voc * fill_v, isc * fill_a
    one = module(
        power=vmp * imp, voc=voc, isc=isc, vmp=vmp, imp=imp, temp_coeff_voc=beta, temp_coeff_power=gamma,
        cells_in_series=None,
    )  # fmt: skip
    plane = np.array([0.0, 1.0, 20.0, 60.0, 200.0, 600.0, 1000.0, 1300.0])
    found = Electrics(one, plane, np.full(8, 25.0)).power_ratio
    assert found[0] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(found) > 0).all()
    assert found[6] == pytest.approx(1.0, abs=1e-3)
    assume(diodes.of_module(one) is not None)
    volts = Electrics(one, plane, np.full(8, 25.0)).open_volts
    assert volts is not None
    assert (np.diff(volts) > 0).all()
