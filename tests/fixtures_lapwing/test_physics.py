"""Lapwing's own physics, held to published values and to what must be true of any such vessel."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures.lapwing.bank import Bank
from fixtures.lapwing.box import CAPACITY_J_PER_K, FAN_K_PER_W, STILL_K_PER_W, box_temperature
from fixtures.lapwing.controller import ABSORPTION, BULK, FLOAT, Controller, share
from fixtures.lapwing.modules import BYPASS_DROP, Diode, Module, part_of, string_voltage
from fixtures.lapwing.sky import clear_sky, glass, on_plane, sun
from fixtures.lapwing.story import CABIN, CABIN_CONTROLLER, GANTRY, GANTRY_CONTROLLER, LATITUDE, LONGITUDE


def moment(text: str) -> np.ndarray:
    return np.array([dt.datetime.fromisoformat(text).timestamp()])


def diode(*values: float) -> Diode:
    return Diode(*(np.array([v]) for v in values))


def test_sun_stands_where_the_reference_algorithm_puts_it() -> None:
    """Reda and Andreas, NREL/TP-560-34302, worked example: zenith 50.11162°, azimuth 194.34024°; ours within 0.1°."""
    place = sun(moment("2003-10-17T12:30:30-07:00"), 39.742476, -105.1786)
    assert np.degrees(place.zenith) == pytest.approx(50.111622, abs=0.1)
    assert np.degrees(place.azimuth) == pytest.approx(194.340241, abs=0.1)


def test_midnight_sun_stands_where_the_closed_form_puts_it() -> None:
    """70° N at lower culmination on 21 June 2024: elevation is latitude + declination - 90 = 3.44°, lifted to 3.65°."""
    place = sun(moment("2024-06-21T00:01:52+00:00"), 70.0, 0.0)
    assert 90 - np.degrees(place.zenith) == pytest.approx(3.6536, abs=0.1)


def test_extraterrestrial_irradiance_follows_the_distance() -> None:
    """Spencer 1971 over a solar constant of 1366.1 gives 1383.636 W/m² on day 300: a ratio of 1.01284."""
    place = sun(moment("2023-10-27T12:00:00+00:00"), 0.0, 0.0)
    assert place.normal / 1361.0 == pytest.approx(1383.636 / 1366.1, abs=0.001)


@pytest.mark.parametrize(("elevation_text", "haurwitz"), [("2026-06-21T12:12:00+00:00", 940.0)])
def test_clear_noon_is_as_bright_as_a_simple_published_model_says(elevation_text: str, haurwitz: float) -> None:
    """Haurwitz 1945: 1098 cos z exp(-0.057 / cos z) is 940 W/m² at a zenith of 24.1°; ours within 5 %."""
    place = sun(moment(elevation_text), LATITUDE, LONGITUDE)
    beam, diffuse = clear_sky(place, np.array([3.3]))
    assert beam * place.height + diffuse == pytest.approx(haurwitz, rel=0.05)
    assert 0.08 < float((diffuse / (beam * place.height + diffuse))[0]) < 0.22


def test_a_level_plane_receives_what_the_horizontal_does() -> None:
    """On a plane without tilt, beam and diffuse add up to the global irradiance, but for the glass."""
    place = sun(moment("2026-06-21T12:12:00+00:00"), LATITUDE, LONGITUDE)
    beam, diffuse = np.array([800.0]), np.array([120.0])
    direct, sky = on_plane(place, beam, diffuse, 0.0, 180.0)
    total = float((beam * place.height + diffuse)[0])
    assert 0.95 * total < float((direct + sky)[0]) < total


def test_glass_passes_all_at_normal_incidence_and_nothing_at_grazing() -> None:
    """Martin and Ruiz 2001: 1 at 0°, 0 at 90°, and about 5 % lost at 60°."""
    assert glass(np.cos(np.radians([0.0, 60.0, 90.0]))) == pytest.approx([1.0, 0.965, 0.0], abs=0.015)


def test_single_diode_gives_the_reference_vector() -> None:
    """IL 7 A, I0 6e-7 A, Rs 0.1, Rsh 20, nNsVth 0.5, as in a general reference library's own tests."""
    device = diode(7, 6e-7, 0.1, 20, 0.5)
    best = device.best()
    assert device.open_circuit() == pytest.approx(8.106300, abs=1e-5)
    assert device.current(device.junction_at_voltage(np.zeros(1))) == pytest.approx(6.965172, abs=1e-5)
    assert device.current(best) == pytest.approx(6.136267, abs=1e-5)
    assert device.voltage(best) == pytest.approx(6.224339, abs=1e-5)


def test_diodes_joined_in_series_and_parallel_scale() -> None:
    """Four of that device in series, two strings: Vmp 24.8974 V, Imp 12.2725 A, 305.5537 W (computed from it)."""
    joined = diode(7, 6e-7, 0.1, 20, 0.5).scaled(4, 2)
    best = joined.best()
    assert joined.voltage(best) == pytest.approx(24.8974, abs=1e-3)
    assert joined.current(best) == pytest.approx(12.2725, abs=1e-3)


@pytest.mark.parametrize(
    ("light", "shunt", "ideality", "volts", "amps"),
    [
        (1.0, 300.0, 1.01, 33.93689432, 0.84612386),
        (1.0, 300.0, 1.3, 43.50892289, 0.81744688),
        (1.0, 3000.0, 1.01, 34.34302509, 0.93797540),
    ],
)
def test_single_diode_agrees_with_high_precision_curves(
    light: float, shunt: float, ideality: float, volts: float, amps: float
) -> None:
    """Open set of curves computed with 72 cells at 25 °C, I0 5e-10 A, Rs 0.1 Ω, in arbitrary precision."""
    device = diode(light, 5e-10, 0.1, shunt, ideality * 72 * 1.380649e-23 * 298.15 / 1.602176634e-19)
    best = device.best()
    assert device.voltage(best) == pytest.approx(volts, abs=1e-5)
    assert device.current(best) == pytest.approx(amps, abs=1e-6)


@pytest.mark.parametrize("array", [CABIN, GANTRY], ids=["cabin", "gantry"])
def test_modules_give_their_datasheet_at_standard_test_conditions(array: object) -> None:
    """Voc, Isc, Vmp and Imp of the datasheet come out again; voltage falls by its coefficient."""
    module: Module = array.module  # type: ignore[attr-defined]
    full = module.under(np.array([1000.0, 1000.0]), np.array([25.0, 55.0]))
    best = full.best()
    assert full.voltage(best)[0] == pytest.approx(module.vmp, rel=1e-4)
    assert full.current(best)[0] == pytest.approx(module.imp, rel=1e-4)
    assert full.open_circuit()[0] == pytest.approx(module.voc, rel=1e-4)
    fall = full.open_circuit()[1] / full.open_circuit()[0] - 1
    assert fall / 30 * 100 == pytest.approx(module.temp_coeff_voc, abs=0.01)


def test_a_bypassed_substring_takes_its_share_of_volts_and_no_current() -> None:
    """One of three substrings bypassed: volts fall by a third and one diode drop, current stays (IEC 62446-1 texts)."""
    module = Module(36.0, 9.0, 30.0, 8.5, -0.30, 0.05, 54, 3, ideality=1.05)
    flow = np.array([module.imp])
    lit = np.array([[1000.0], [1000.0], [1000.0]])
    shaded = np.array([[1000.0], [1000.0], [50.0]])
    temp = np.full((3, 1), 25.0)
    whole = string_voltage(part_of(module.under(lit, temp), 3), flow)
    less = string_voltage(part_of(module.under(shaded, temp), 3), flow)
    assert whole == pytest.approx(module.vmp, rel=1e-4)
    assert less == pytest.approx(module.vmp * 2 / 3 - BYPASS_DROP, rel=1e-3)


def test_an_evenly_lit_array_has_the_same_curve_whichever_way_it_is_computed() -> None:
    """Substring by substring or as one diode: the same current at each voltage."""
    light, temp, ohm = np.full(1, 800.0), np.full(1, 40.0), np.full(1, 0.05)
    volts = np.arange(24.0, 42.0, 0.5)
    even = np.full((1, CABIN.in_parallel, CABIN.in_series * 2), 800.0)
    by_parts = CABIN.curves(even, temp, ohm, volts)[0]
    whole = CABIN.whole(light, temp, ohm)
    at_once = np.array([whole.current(whole.junction_at_voltage(np.array([v])))[0] for v in volts])
    assert by_parts == pytest.approx(at_once, abs=0.05)


def test_one_shaded_substring_of_two_strings_leaves_a_curve_with_two_peaks() -> None:
    """The shaded string gives its dim current at full volts, or all its current at less volts than the bank needs."""
    light = np.full((1, 2, 4), 900.0)
    light[0, 0, 0] = 200.0
    volts = np.arange(20.0, 45.0, 0.1)
    power = volts * CABIN.curves(light, np.full(1, 45.0), np.full(1, 0.05), volts)[0]
    rising = np.diff(power) > 0
    peaks = np.flatnonzero(rising[:-1] & ~rising[1:])
    assert len(peaks) == 2


@pytest.mark.parametrize(("k_per_w", "watts"), [(FAN_K_PER_W, 25.0), (STILL_K_PER_W, 20.0)])
def test_box_settles_at_its_thermal_resistance_times_its_heat(k_per_w: float, watts: float) -> None:
    """Steady state of a first-order heat balance: rise = R·P."""
    air = box_temperature(np.full(600, watts), np.full(600, 20.0), np.full(600, k_per_w))
    assert air[-1] == pytest.approx(20.0 + k_per_w * watts, abs=1e-6)


def test_box_rises_as_the_exponential_says() -> None:
    """After one time constant 63.212 % of the step; checked at the middle of the minute."""
    steps = round(STILL_K_PER_W * CAPACITY_J_PER_K)
    heat = np.concatenate([[0.0], np.full(steps, 20.0)])
    air = box_temperature(heat, np.full(steps + 1, 20.0), np.full(steps + 1, STILL_K_PER_W), step_s=1.0)
    assert (air[-1] - 20.0) / (STILL_K_PER_W * 20.0) == pytest.approx(0.63212, abs=0.001)


@given(
    charge=st.floats(0.05, 1.0),
    power=st.tuples(st.floats(0, 650), st.floats(0, 290)),
    load=st.floats(0, 40),
)
def test_two_controllers_share_a_bank_without_losing_current(
    charge: float, power: tuple[float, float], load: float
) -> None:
    """The bank's voltage fits its current; nobody exceeds set point, current limit or what the light gives."""
    ratings = (CABIN_CONTROLLER, GANTRY_CONTROLLER)
    bank = Bank(charge=charge)
    source = bank.line()
    volts, amps, limited = share(source, load, ratings, (28.8, 28.8), power)
    into = sum(amps) - load
    assert volts == pytest.approx(source[0] + (source[1] if into > 0 else source[2]) * into, abs=1e-3)
    for rating, flow, held, available in zip(ratings, amps, limited, power, strict=True):
        terminal = volts + flow * rating.feed_ohm
        assert terminal <= 28.8 + 1e-3 or flow == 0
        assert flow <= rating.current_limit + 1e-9
        assert flow * terminal <= available + 1e-3
        assert held or flow == pytest.approx(min(available / terminal, rating.current_limit), abs=1e-3)


def test_a_controller_goes_from_bulk_through_absorption_to_float_and_back() -> None:
    """Held at its set point it absorbs; when little is taken it floats; a fall of voltage brings it back to bulk."""
    controller = Controller(CABIN_CONTROLLER)
    controller.wake(50.0)
    seen = [controller.stage]
    for amps in np.linspace(15, 0.5, 200):
        controller.after(limited=True, volts=28.8, amps=float(amps))
        seen.append(controller.stage)
    for _ in range(10):
        controller.after(limited=False, volts=25.5, amps=10.0)
        seen.append(controller.stage)
    changes = [a for a, b in zip(seen, [None, *seen], strict=False) if a != b]
    assert changes == [BULK, ABSORPTION, FLOAT, BULK]


def test_a_full_bank_takes_little_and_an_empty_one_much() -> None:
    """At 28.8 V a bank at 70 % would take well over a tenth of its capacity per hour, a full one 2 % at most."""

    def settled(charge: float) -> float:
        bank = Bank(charge=charge)
        amps = 0.0
        for _ in range(60):
            bank.charge = charge
            volts, ohm, _ = bank.line()
            amps = (28.8 - volts) / ohm
            bank.take(amps)
        return amps / bank.capacity_ah

    assert settled(0.7) > 0.10
    assert settled(1.0) < 0.02


@pytest.mark.parametrize("rating", [CABIN_CONTROLLER, GANTRY_CONTROLLER], ids=["cabin", "gantry"])
@pytest.mark.parametrize("watts", [120.0, 250.0])
def test_controllers_are_as_efficient_as_such_controllers_are(rating: object, watts: float) -> None:
    """0.96 to 0.98 over the range in which they work (common practice, no source)."""
    loss = float(rating.loss(watts))  # type: ignore[attr-defined]
    assert 0.96 < 1 - loss / watts < 0.98
