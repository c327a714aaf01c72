"""Each way in which a sound array is held back is told by its own sign, and none of them is called a shortfall."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import states
from analysis.expected import Expected
from analysis.frames import Pieces
from analysis.instruments import Surroundings
from analysis.limits import set_points
from analysis.states import WORDS
from logger.settings import Bank, Controller, Settings
from tests.analysis import frames
from tests.analysis.test_states import NO_FROST, N, pieces, told, words

NOMINAL_12: dict[str, Any] = {"bank": {"name": "house", "nominal_voltage": 12.0, "chemistry": "agm"}}


def settings(bank: dict[str, Any] | None = None, controller: dict[str, Any] | None = None, **more: Any) -> Settings:
    base = {"name": "c", "enclosure": "box", "output_current_limit": 30.0, "efficiency": 0.96}
    made: dict[str, Any] = {"bank": {"name": "house", "nominal_voltage": 24.0} | (bank or {})}
    return frames.settings(controller=[base | (controller or {})], **(made | more))


def heard(**channels: Any) -> dict[str, Pieces]:
    """Channels by short names: volts, amps, out_v, out_a, sink, bank_v, bank_a, bank_c, stage."""
    names = {
        "volts": "array__a__voltage", "amps": "array__a__current", "out_v": "controller__c__output_voltage",
        "out_a": "controller__c__output_current", "sink": "controller__c__temperature",
        "stage": "controller__c__stage", "bank_v": "bank__house__voltage", "bank_a": "bank__house__current",
        "bank_c": "bank__house__temperature",
    }  # fmt: skip
    return {names[key]: pieces(value) for key, value in channels.items()}


def test_a_full_bank_without_a_word_for_the_stage() -> None:
    """Two modules at 800 W/m², 45 °C: 16.0 V and 142 W until the bank reaches its 14.4 V; then the array climbs to
    19.6 V, 99 % of open circuit, and gives 22 W: bank-limited, and no shortfall."""
    full = np.arange(N) >= 120
    codes, _ = told(
        settings(NOMINAL_12["bank"], {"absorption_v": 14.4}),
        heard(
            volts=np.where(full, 19.6, 16.0), amps=np.where(full, 1.13, 8.9), out_v=np.where(full, 14.4, 13.1),
            out_a=np.where(full, 1.5, 10.4),
        ),
        could=frames.could(np.full(N, 142.0), opened=19.8, best=16.0),
    )  # fmt: skip
    assert words(codes[:120]) == {"unhindered"}
    assert words(codes[120:]) == {"bank-limited"}


def test_known_set_points_tell_a_taper_before_the_array_is_near_open() -> None:
    """At 28.6 V, its absorption volts, with the array a tenth above its best point: turned down already."""
    taper = heard(volts=39.0, amps=3.0, out_v=28.6, out_a=4.0)
    could = frames.could(np.full(N, 150.0), opened=44.0, best=35.0)
    assert words(told(settings(controller={"absorption_v": 28.6}), taper, could=could)[0]) == {"bank-limited"}
    assert words(told(settings(), taper, could=could)[0]) == {"unhindered"}


def test_set_points_move_with_the_banks_warmth() -> None:
    """14.1 V at 25 °C falls by 3 mV/K and cell: 14.46 V at 5 °C and 13.83 V at 40 °C (published worked case)."""
    for bank_c, volts in ((5.0, 14.46), (40.0, 13.83)):
        at = settings(NOMINAL_12["bank"], {"absorption_v": 14.1, "temp_comp_mv_per_cell_k": -3.0})
        could = frames.could(np.full(N, 150.0), opened=22.0, best=17.5)
        here = heard(volts=19.5, amps=3.0, out_v=volts, out_a=4.0, bank_c=bank_c)
        assert words(told(at, here, could=could)[0]) == {"bank-limited"}
        there = heard(volts=19.5, amps=3.0, out_v=volts - 0.25, out_a=4.0, bank_c=bank_c)
        assert words(told(at, there, could=could)[0]) == {"unhindered"}


@pytest.mark.parametrize(
    ("nominal", "at_25", "per_cell_k", "bank_c", "volts"),
    [
        # A handbook's printed check, 2.30 V a cell, rounded to 0.01 V: so to 0.03 V of six cells.
        (12.0, 13.80, -3.0, 35.0, 6 * 2.27), (12.0, 13.80, -3.0, 15.0, 6 * 2.33),
        # Computed from the three published coefficients, at 0 °C and at 40 °C.
        (12.0, 14.40, -3.0, 0.0, 14.85), (12.0, 14.40, -4.0, 0.0, 15.00), (12.0, 14.40, -5.0, 0.0, 15.15),
        (12.0, 14.40, -3.0, 40.0, 14.13), (12.0, 14.40, -4.0, 40.0, 14.04), (12.0, 14.40, -5.0, 40.0, 13.95),
        # A handbook's table for the charge of 12 V systems at 5 mV/K and cell, and its 0.060 and 0.120 V/K.
        (12.0, 14.40, -5.0, 10.0, 14.85), (12.0, 14.40, -5.0, 60.0, 13.35),
        (24.0, 28.80, -5.0, 24.0, 28.86), (48.0, 57.60, -5.0, 24.0, 57.72),
    ],
)  # fmt: skip
def test_set_points_by_handbooks(nominal: float, at_25: float, per_cell_k: float, bank_c: float, volts: float) -> None:
    """Two volts a cell, the coefficient a cell and kelvin from 25 °C."""
    bank = Bank(name="house", nominal_voltage=nominal, chemistry="agm")
    controller = Controller(name="c", type="mppt", absorption_v=at_25, temp_comp_mv_per_cell_k=per_cell_k)
    nothing = np.full(1, np.nan)
    around = Surroundings(nothing, nothing, np.array([bank_c]), nothing, nothing)
    (found,) = set_points(controller, bank, around)
    assert found[0] == pytest.approx(volts, abs=0.005)


def test_a_flat_top_at_a_cool_case_is_the_current_limit() -> None:
    """30.0 ± 0.2 A for three hours at a case of 52-58 °C: by design, no alarm."""
    amps = 30.0 + 0.2 * np.sin(np.arange(N))
    codes, said = told(
        settings(NOMINAL_12["bank"], {"output_current_limit": 30.0}),
        heard(volts=19.0, amps=22.0, out_v=13.5, out_a=amps, sink=55.0),
        expected_w=500.0,
    )
    assert words(codes) == {"current-limited"}
    assert said == (
        "output at the controller's limit: 30.0 A out, its limit is 30 A, 418 W of the 500 W that the light allowed"
    )


def test_a_top_that_falls_as_the_case_warms_is_heat() -> None:
    """30 A until 80 °C, then 28.5, 27, 24 and 18 A at 81-84 °C, nothing at 85 °C, back at 74 °C: heat-derated while it
    gives less (published worked case)."""
    steps = np.array([30.0, 28.5, 27.0, 24.0, 18.0, 0.0, 0.0, 30.0])
    sink = np.array([80.0, 81.0, 82.0, 83.0, 84.0, 85.0, 76.0, 74.0])
    amps, warm = (np.repeat(values, N // 8) for values in (steps, sink))
    codes, _ = told(
        settings(NOMINAL_12["bank"], {"output_current_limit": 30.0}),
        heard(volts=19.0, amps=amps * 13.5 / 0.96 / 19.0, out_v=13.5, out_a=amps, sink=warm, stage=1),
        could=frames.could(np.full(N, 500.0), opened=21.0, best=17.0),
    )
    found = [WORDS[code] for code in codes[:: N // 8]]
    assert found == ["current-limited", *["heat-derated"] * 6, "current-limited"]


def test_heat_is_told_with_its_numbers() -> None:
    _, said = told(
        settings(NOMINAL_12["bank"]), heard(volts=19.0, amps=18.0, out_v=13.5, out_a=24.0, sink=83.0, stage=1),
        could=frames.could(np.full(N, 500.0), opened=21.0, best=17.0),
    )  # fmt: skip
    assert said == (
        "the controller gives less because it is hot: heatsink at 83 °C, 24.0 A out, 342 W of the 500 W that the light "
        "allowed"
    )


def test_a_dirty_array_on_a_warm_controller_is_judged() -> None:
    """72 °C and 12 % too little at the best point's own volts: nothing throttles, the array is short."""
    codes, _ = told(settings(), heard(volts=36.0, amps=3.67, out_v=26.0, out_a=4.8, sink=72.0), expected_w=150.0)
    assert words(codes) == {"unhindered"}


def test_an_engine_that_charges_holds_the_array_back() -> None:
    """The alternator lifts the bank to 14.6 V over the solar set point of 14.4 V; solar falls from 9 to 0 A, the array
    climbs to 20.5 V, the shunt says +45 A: held-back (published worked case)."""
    codes, said = told(
        settings(NOMINAL_12["bank"], {"absorption_v": 14.4}),
        heard(volts=20.5, amps=0.0, out_v=14.6, out_a=0.0, bank_v=14.6, bank_a=45.0),
        could=frames.could(np.full(N, 120.0), opened=21.0, best=17.0),
    )
    assert words(codes) == {"held-back"}
    assert said == (
        "another charger lifts the bank: 45.0 A into the bank, 0.0 A of it solar, 14.6 V out, "
        "array at 20.5 V, 98 % of open circuit"
    )


def test_another_charger_at_a_low_bank_holds_nothing_back() -> None:
    """45 A into a bank at 12.9 V while the array stays at its best point: both charge, the array is judged."""
    free = heard(volts=17.0, amps=7.0, out_v=12.9, out_a=8.8, bank_v=12.9, bank_a=45.0, stage=1)
    could = frames.could(np.full(N, 120.0), opened=21.0, best=17.0)
    assert words(told(settings(NOMINAL_12["bank"]), free, could=could)[0]) == {"unhindered"}


def test_a_small_charger_shows_where_the_bank_stands_over_every_set_point() -> None:
    """29.3 V over set points of 28.7 and 27.0 V with all controllers idle: 1.9 A suffice where 2 A alone would not;
    0.3 A may be the shunt's zero."""
    at = settings({"chemistry": "agm"}, {"absorption_v": 28.7, "float_v": 27.0})
    could = frames.could(np.full(N, 100.0), opened=41.0)
    for amps, word in ((1.9, "held-back"), (0.3, "bank-limited")):
        idle = heard(volts=40.5, amps=0.0, out_v=29.3, out_a=0.0, bank_v=29.3, bank_a=amps, stage=3)
        assert words(told(at, idle, could=could)[0]) == {word}


def test_what_is_off_because_of_the_cold_is_not_held_back() -> None:
    """An engine charges a lithium bank of -2 °C: a controller that it held back would keep a set point, and say so."""
    could = frames.could(np.full(N, 100.0), opened=41.0)
    for stage, word in ((0, "cold-blocked"), (3, "held-back")):
        cold = heard(
            volts=40.5, amps=0.0, out_v=28.9, out_a=0.0, bank_v=28.9, bank_a=20.0, bank_c=-2.0, stage=stage
        )  # fmt: skip
        assert words(told(settings({"chemistry": "lifepo4"}), cold, could=could)[0]) == {word}


def test_the_arrays_own_amps_are_no_other_charger() -> None:
    """A full bank that takes what the array gives, less the loads: bank-limited."""
    own = heard(volts=40.0, amps=1.0, out_v=28.6, out_a=1.4, bank_v=28.5, bank_a=0.9, stage=2)
    assert words(told(settings(), own)[0]) == {"bank-limited"}


def test_snow_is_told_by_low_volts_after_frost_and_ends_with_the_power() -> None:
    """-4 °C, clear, 3-8 V at the array and no amps at noon, then at 12:10 a jump to 80 %: covered until then though the
    air is above freezing again; not open circuit, not silence."""
    freed = np.arange(N) >= 150
    frost = np.array([frames.START + 6 * 3_600_000])
    could = frames.could(np.full(N, 150.0), opened=41.0)
    snow = heard(volts=np.where(freed, 36.0, 5.5), amps=np.where(freed, 3.33, 0.0), out_v=25.0,
                 out_a=np.where(freed, 4.5, 0.0), stage=np.where(freed, 1, 0))  # fmt: skip
    codes, _ = told(settings(), snow, frosts=frost, could=could)
    assert words(codes[:142]) == {"covered"}
    assert words(codes[158:]) == {"unhindered"}
    warm, _ = told(settings(), heard(volts=5.5, amps=0.0, out_v=25.0, out_a=0.0, stage=0), could=could,
                   covered_before=True)  # fmt: skip
    assert words(warm) == {"covered"}


def test_open_circuit_after_frost_is_not_snow() -> None:
    """Volts near open circuit and no amps: there is light on the cells; a parted lead, not a cover."""
    frost = np.array([frames.START + 6 * 3_600_000])
    codes, said = told(
        settings(), heard(volts=40.5, amps=0.0, out_v=25.0, out_a=0.0, stage=1), frosts=frost,
        could=frames.could(np.full(N, 150.0), opened=41.0),
    )  # fmt: skip
    assert words(codes) == {"no-current"}
    assert "array at 40.5 V, 99 % of open circuit" in said


@pytest.mark.parametrize(("chemistry", "bank_c", "word"), [
    ("lifepo4", -2.0, "cold-blocked"), ("lifepo4", 8.0, "no-current"), ("agm", -2.0, "no-current"),
])  # fmt: skip
def test_lithium_below_freezing_stops_the_charge(chemistry: str, bank_c: float, word: str) -> None:
    """The array stands at open circuit because the bank must not be charged; lead may be."""
    cold = heard(volts=40.5, amps=0.0, out_v=26.0, out_a=0.0, bank_c=bank_c, stage=0)
    could = frames.could(np.full(N, 150.0), opened=41.0)
    assert words(told(settings({"chemistry": chemistry}), cold, could=could)[0]) == {word}


def test_a_lead_bank_has_the_limit_that_its_sheet_gives() -> None:
    cold = heard(volts=40.5, amps=0.0, out_v=26.0, out_a=0.0, bank_c=-21.0, stage=0)
    could = frames.could(np.full(N, 150.0), opened=41.0)
    codes, said = told(settings({"chemistry": "agm", "charge_min_c": -20.0}), cold, could=could)
    assert words(codes) == {"cold-blocked"}
    assert said.startswith("the bank is too cold to be charged: bank at −21.0 °C")


def test_array_volts_under_the_banks_need_are_too_low() -> None:
    """A string with a substring out: 21.9 V on a bank of 25 V, no harvest, though the light is good."""
    codes, said = told(settings(), heard(volts=21.9, amps=0.0, out_v=25.0, out_a=0.0, stage=1))
    assert words(codes) == {"too-low"}
    assert said == (
        "the array's volts lie below what the bank needs: array at 21.9 V, the bank needs 26.0 V, "
        "0 W of the 150 W that the light allowed"
    )


def test_volts_too_low_by_the_drawing() -> None:
    """Hot modules whose best point lies below what the bank needs: limited by the circuit, not faulty."""
    bound = frames.could(np.full(N, 90.0), opened=33.0, best=28.0, free=np.full(N, 150.0))
    codes, _ = told(settings(), heard(volts=29.8, amps=3.0, out_v=28.8, out_a=3.0, stage=1), could=bound)
    assert words(codes) == {"too-low"}


def test_no_volts_at_all_are_no_current() -> None:
    """Under a fifth of the bank's volts nothing arrives: a parted run, not a weak string."""
    codes, _ = told(settings(), heard(volts=0.4, amps=0.0, out_v=25.0, out_a=0.0, stage=1))
    assert words(codes) == {"no-current"}


def test_a_dump_at_work_is_told_from_a_full_bank() -> None:
    """18 A into the dump while the array is turned down: diverting, whatever the stage says."""
    source = {
        "name": "wind", "kind": "serial", "port": "/dev/null",
        "channel": [{"field": 1, "channel": "dump.wind.current"}],
    }  # fmt: skip
    at_work = heard(volts=40.0, amps=0.5, out_v=28.8, out_a=0.7, stage=2) | {"dump__wind__current": pieces(18.0)}
    codes, said = told(settings(source=[source]), at_work)
    assert words(codes) == {"diverting"}
    assert said.startswith("the dump takes the surplus: 18.0 A into the dump")
    idle = at_work | {"dump__wind__current": pieces(0.1)}
    assert words(told(settings(source=[source]), idle)[0]) == {"bank-limited"}


@given(share=st.floats(0.0, 1.0), stage=st.sampled_from([2, 3]), other=st.floats(0.0, 60.0), sink=st.floats(20.0, 90.0))
def test_at_its_set_point_an_array_is_never_judged(share: float, stage: int, other: float, sink: float) -> None:
    """Whatever it gives, however hot the box and whoever else charges: absorption and float hold it back."""
    codes, _ = told(
        settings(),
        heard(volts=38.0, amps=share * 150 / 38, out_v=28.6, out_a=share * 5, stage=stage, bank_a=other, sink=sink),
        frosts=NO_FROST,
    )
    assert not (codes == states.UNHINDERED).any()
    assert np.isin(codes, states.LIMITED).all()


def unlit(best: float = 35.0, opened: float = 42.0) -> Expected:
    """Nobody knows the light: no power to expect, a clear sky's 160 W at most, volts by the array's own power."""
    could = frames.could(np.full(N, np.nan), opened=opened, best=best)
    return replace(could, high=np.full(N, 160.0))


@pytest.mark.parametrize(("volts", "word"), [(34.6, "unhindered"), (37.5, "bank-limited")])
def test_without_light_the_volts_of_its_own_power_tell_a_full_bank(volts: float, word: str) -> None:
    """Float in name: at its best point the array gives all, above it the bank takes no more."""
    said = heard(volts=volts, amps=2.0, out_v=27.2, out_a=2.5, stage=3)
    assert words(told(settings(controller={"float_v": 27.2}), said, np.nan, could=unlit())[0]) == {word}


def test_without_light_a_cold_bank_and_a_parted_run_are_told() -> None:
    """At 41 V and no amps on lithium at -2 °C the array stands open; at 0.1 V nothing joins it to its instruments."""
    cold = heard(volts=41.0, amps=0.0, out_v=26.0, out_a=0.0, bank_c=-2.0)
    assert words(told(settings({"chemistry": "lifepo4"}), cold, np.nan, could=unlit())[0]) == {"cold-blocked"}
    parted = heard(volts=0.1, amps=0.0, out_v=26.0, out_a=0.0)
    assert words(told(settings(), parted, np.nan, could=unlit())[0]) == {"no-current"}


def test_no_volts_after_a_frost_are_no_snow() -> None:
    """Under snow cells show some volts still."""
    frost = np.array([frames.START + 6 * 3_600_000])
    could = frames.could(np.full(N, 150.0), opened=41.0)
    parted = heard(volts=0.1, amps=0.0, out_v=25.0, out_a=0.0, stage=0)
    assert words(told(settings(), parted, frosts=frost, could=could)[0]) == {"no-current"}
