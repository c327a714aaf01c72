"""The drawing's hazards appear where the rule says, with their numbers, and not a hair before."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from analysis.hazards import ARRAY_DROP, BANK_DROP, Hazard, circuits, hazards
from logger.settings_file import parse

DAY = dt.date(2026, 6, 1)
BASE = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"
coldest_c = -10
hottest_c = 34
[store]
path = "lapwing.db"
[bank]
name = "house"
nominal_voltage = 24
"""
ARRAY = """
[[array]]
name = "cabin"
controller = "cabin"
modules_in_series = {series}
strings_in_parallel = {parallel}
tilt = 3
azimuth = 180
mounting = "{mounting}"
{dates}
[array.module]
power = 100
voc = 22.6
isc = 5.95
vmp = 18.2
imp = 5.55
temp_coeff_voc = -0.30
temp_coeff_power = -0.40
temp_coeff_isc = 0.05
"""
CONTROLLER = """
[[controller]]
name = "{name}"
type = "{type}"
{more}
"""
CABLE = """
[[cable]]
name = "{name}"
carries = "{carries}"
length = {length}
area = {area}
conductor = "class 5 copper"
"""


def array(series: int = 2, parallel: int = 1, mounting: str = "rack", dates: str = "", name: str = "cabin") -> str:
    text = ARRAY.format(series=series, parallel=parallel, mounting=mounting, dates=dates)
    return text.replace('name = "cabin"', f'name = "{name}"')


def controller(more: str = "", kind: str = "mppt", name: str = "cabin") -> str:
    return CONTROLLER.format(name=name, type=kind, more=more)


def cable(length: float, area: float, carries: str = "array.cabin", name: str = "run") -> str:
    return CABLE.format(name=name, carries=carries, length=length, area=area)


def found(text: str, rule: str, base: str = BASE) -> list[Hazard]:
    return [hazard for hazard in hazards(parse(base + text), DAY) if hazard.rule == rule]


# -- volts of the coldest morning -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limit", "priority"), [(101.0, "high"), (101.2, "high"), (101.3, "medium"), (106.5, "medium"), (106.6, None)]
)
def test_cold_string_against_the_controllers_limit(limit: float, priority: str | None) -> None:
    """Four of 22.6 V, -0.30 %/K, reach 101.25 V at -15 °C: from the limit on high, above 95 % of it medium."""
    hazard = found(array(4) + controller(f"input_voltage_limit = {limit}"), "string-volts")
    assert [h.priority for h in hazard] == ([priority] if priority else [])
    for h in hazard:
        assert h.evidence["string_v"] == pytest.approx(101.25, abs=0.01)
        assert h.evidence["module_c"] == -15


@pytest.mark.parametrize(
    ("take", "needs"),
    [
        ("coldest_c = -10\n", ["site.coldest_c"]),
        ("voc = 22.6\n", ["array.module.voc"]),
        ("input_voltage_limit = 100\n", ["controller.input_voltage_limit"]),
        ('controller = "cabin"\n', ["array.controller"]),
    ],
)
def test_what_is_missing_is_named(take: str, needs: list[str]) -> None:
    """Without one of the four figures nothing is told, but which figure would tell it."""
    text = (BASE + array(4) + controller("input_voltage_limit = 100\n")).replace(take, "")
    (hazard,) = found(text, "string-volts", base="")
    assert (hazard.priority, hazard.evidence) == ("cannot tell", {"needs": needs})


# -- currents -------------------------------------------------------------------------------------------------


def test_series_and_parallel_are_different_circuits() -> None:
    """Two 100 W modules: 5.55 A on the array side in series, 11.1 A in parallel, the same 8.0 A on the battery side."""
    series = circuits(parse(BASE + array(2, 1) + controller("efficiency = 0.96")), DAY)[0]
    parallel = circuits(parse(BASE + array(1, 2) + controller("efficiency = 0.96")), DAY)[0]
    assert (series.array_a, series.array_v) == (5.55, 36.4)
    assert (parallel.array_a, parallel.array_v) == (11.1, 18.2)
    assert series.bank_a == parallel.bank_a == pytest.approx(200 * 0.96 / 24)
    assert (series.open_circuit_v, parallel.short_circuit_a) == (45.2, 11.9)


def test_a_clipped_controller_is_told_without_alarm() -> None:
    """1000 W give 40 A at 24 V and 0.96; a limit of 30 A leaves a quarter of full sun: low, by design."""
    (hazard,) = found(array(2, 5) + controller("output_current_limit = 30\nefficiency = 0.96"), "output-current")
    assert hazard.priority == "low"
    assert hazard.evidence["clipped_percent"] == pytest.approx(25)
    assert not found(array(2, 5) + controller("output_current_limit = 40\nefficiency = 0.96"), "output-current")


@pytest.mark.parametrize(("limit", "high"), [(14.8, True), (14.9, False)])
def test_nothing_limits_a_direct_controller(limit: float, high: bool) -> None:
    """Two strings of 5.95 A short circuit times 1.25 (NEC 690.8) are 14.875 A, all of it through the controller."""
    hazard = found(array(1, 2) + controller(f"output_current_limit = {limit}", kind="pwm"), "input-current")
    assert [h.priority for h in hazard] == (["high"] if high else [])


# -- drop -----------------------------------------------------------------------------------------------------


def expected_drop(length: float, ohm_per_km: float, amps: float, volts: float, copper_c: float) -> float:
    """By hand: IEC 60228 at 20 °C, warmed by 0.00393 /K (IEC 60028), there and back [%]."""
    return 100 * amps * 2 * length / 1000 * ohm_per_km * (1 + 0.00393 * (copper_c - 20)) / volts


@pytest.mark.parametrize(("length", "priority"), [(10.0, None), (12.0, "low"), (16.0, "low"), (17.0, "medium")])
def test_drop_of_an_arrays_run(length: float, priority: str | None) -> None:
    """5.55 A of 36.4 V over 4 mm² class 5 (4.95 Ω/km), copper at 70 °C: aim at 2 %, flagged above 3 %."""
    hand = expected_drop(length, 4.95, 5.55, 36.4, 70)
    assert priority == ("medium" if hand > ARRAY_DROP[1] else "low" if hand > ARRAY_DROP[0] else None)
    hazard = found(array() + controller() + cable(length, 4.0), "array-drop")
    assert [h.priority for h in hazard] == ([priority] if priority else [])
    for h in hazard:
        assert h.subject == "cable.run"
        assert h.evidence["drop_percent"] == pytest.approx(hand)
        assert h.evidence["needs_mm2"] == (6 if length < 16.6 else 10)


def test_runs_behind_one_another_are_counted_together() -> None:
    """Two lengths of one circuit drop together; the worse of them is named, and both are told."""
    (hazard,) = found(array() + controller() + cable(8, 4.0, name="deck") + cable(3, 1.0, name="box"), "array-drop")
    hand = expected_drop(8, 4.95, 5.55, 36.4, 70) + expected_drop(3, 19.5, 5.55, 36.4, 70)
    assert hazard.evidence["drop_percent"] == pytest.approx(hand)
    assert (hazard.subject, hazard.evidence["cables"]) == ("cable.box", ["deck", "box"])


def test_drop_from_controller_to_bank() -> None:
    """30 A over 2 m of 10 mm² class 5 (1.91 Ω/km) at 50 °C are 0.26 V, 0.9 % of 28.6 V; 6 mm² lose more than 1 %."""
    more = "output_current_limit = 30\nabsorption_v = 28.6"
    text = array(2, 5) + controller(more)
    assert not found(text + cable(2, 10.0, "controller.cabin"), "bank-drop")
    (hazard,) = found(text + cable(2, 6.0, "controller.cabin"), "bank-drop")
    assert hazard.evidence["drop_percent"] == pytest.approx(expected_drop(2, 3.30, 30, 28.6, 50))
    assert hazard.priority == "low"
    (hazard,) = found(text + cable(4, 6.0, "controller.cabin"), "bank-drop")
    assert hazard.evidence["drop_percent"] > BANK_DROP[1]
    assert hazard.priority == "medium"


def test_a_run_that_is_not_drawn_cannot_be_judged() -> None:
    """No cable, or no current: "cannot tell" with what would tell."""
    assert [h.evidence for h in found(array() + controller(), "array-drop")] == [{"needs": ["cable"]}]
    bare = controller() + array().replace("imp = 5.55", "")
    assert found(bare + cable(9, 4.0), "array-drop")[0].evidence == {"needs": ["array.module.imp", "array.module.vmp"]}


# -- hot modules, set points, loose ends ------------------------------------------------------------------------


@pytest.mark.parametrize(("series", "told"), [(2, True), (3, False)])
def test_hot_modules_must_still_reach_the_bank(series: int, told: bool) -> None:
    """Two 36-cell modules on a 24 V bank sit on the edge: glued, in air of 34 °C, they fall below 28.8 V + 1 V."""
    hazard = found(array(series, mounting="glued") + controller("absorption_v = 28.8"), "hot-volts")
    assert bool(hazard) == told
    for h in hazard:
        assert 75 < h.evidence["module_c"] < 95
        assert h.evidence["needed_v"] == pytest.approx(29.8)
        assert h.evidence["array_v"] == pytest.approx(2 * 18.2 * (1 - 0.0045 * (h.evidence["module_c"] - 25)))


@pytest.mark.parametrize(("kind", "told"), [("pwm", True), ("mppt", False)])
def test_volts_that_a_switching_controller_throws_away(kind: str, told: bool) -> None:
    """250 W at 30.5 V and 8.2 A on a 12 V bank of 13.0 V: 107 W is all a pwm controller makes of it, 57 % unused."""
    big = (
        array(1)
        .replace("power = 100", "power = 250")
        .replace("voc = 22.6", "voc = 37.0")
        .replace("vmp = 18.2", "vmp = 30.5")
    )
    big = big.replace("imp = 5.55", "imp = 8.2").replace("isc = 5.95", "isc = 8.8")
    small = BASE.replace("nominal_voltage = 24", "nominal_voltage = 12")
    hazard = found(big + controller("absorption_v = 13.0", kind), "volts-unused", small)
    assert [h.priority for h in hazard] == (["medium"] if told else [])
    assert all(h.evidence["unused_percent"] == pytest.approx(57.4, abs=0.1) for h in hazard)


def test_modules_made_for_the_bank_are_no_hazard_on_a_switching_controller() -> None:
    """36 cells on a 12 V bank: a fifth is left unused, as everyone knows who buys such a controller."""
    small = BASE.replace("nominal_voltage = 24", "nominal_voltage = 12")
    assert found(array(1) + controller("", "pwm"), "volts-unused", small) == []


@pytest.mark.parametrize(("second", "told"), [(28.6, False), (28.8, False), (28.9, True)])
def test_set_points_of_one_bank_agree(second: float, told: bool) -> None:
    """More than 0.1 V per 12 V apart: the lower one stops first and looks faulty."""
    text = controller("absorption_v = 28.6") + controller(f"absorption_v = {second}", name="gantry")
    hazard = found(text, "set-points-apart")
    assert [(h.subject, h.priority) for h in hazard] == ([("controller.cabin", "medium")] if told else [])


def test_unlike_arrays_on_one_controller() -> None:
    """Strings of 36.4 and 54.6 V share no best point."""
    (hazard,) = found(array(2) + array(3, name="gantry") + controller(), "arrays-unlike")
    assert (hazard.evidence["lower"], hazard.evidence["higher"]) == ("cabin", "gantry")
    assert not found(array(2) + array(2, name="gantry") + controller(), "arrays-unlike")


def test_loose_ends_are_told() -> None:
    """A controller that nothing feeds, an array that nothing measures, a line without a checksum."""
    line = '[[source]]\nname = "s"\nkind = "serial"\nport = "/dev/x"\n{}\n'
    entries = "".join(
        f'[[source.channel]]\nfield = {n}\nchannel = "array.cabin.{q}"\n' for n, q in ((1, "voltage"), (2, "current"))
    )
    assert [h.subject for h in found(controller(name="spare"), "no-array")] == ["controller.spare"]
    assert [h.subject for h in found(array() + controller(), "unmeasured")] == ["array.cabin"]
    measured = array() + controller() + line.format("") + entries
    assert not found(measured, "unmeasured")
    assert found(measured, "line-unchecked")[0].evidence == {"sources": ["s"]}
    assert not found(array() + controller() + line.format('checksum = "sum8"') + entries, "line-unchecked")


def test_parts_fitted_later_are_judged_too_and_past_ones_are_not() -> None:
    """A planned string over the limit is told before it is fitted; one that was taken away is not."""
    limit = controller("input_voltage_limit = 100")
    assert found(array(4, dates="from = 2026-09-01") + limit, "string-volts")
    assert not found(array(4, dates="until = 2026-05-01") + limit, "string-volts")


def test_the_worst_comes_first() -> None:
    """High, medium, low, then what cannot be told."""
    text = (
        array(5, mounting="glued") + controller("input_voltage_limit = 100") + controller(name="spare") + cable(40, 2.5)
    )
    order: list[Any] = [h.priority for h in hazards(parse(BASE + text), DAY)]
    assert order == sorted(order, key=["high", "medium", "low", "cannot tell"].index)
    assert {"high", "medium", "low"} <= set(order)
