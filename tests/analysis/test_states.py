"""Only an array that nothing held back is judged: each state by what decides it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import evidence, instruments, states
from analysis.expected import Expected
from analysis.frames import Grid, Pieces
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.results import CLEAR, PLANE
from analysis.states import WORDS, Codes
from analysis.sun import SunPosition
from logger.settings import Settings
from tests.analysis import frames

N = 240
GRID = Grid(frames.START + 8 * 3_600_000 + np.arange(N, dtype=np.int64) * 60_000, 60_000)
NO_FROST = np.empty(0, dtype=np.int64)


def light(plane: Any, bound: float = np.nan) -> Light:
    plane = np.broadcast_to(np.asarray(plane, dtype=float), N).copy()
    known = np.isfinite(plane)
    return Light(
        plane, np.full(N, 0.02), 3.0, known, np.where(known, PLANE, CLEAR).astype(np.int8),
        np.where(known, np.nan, bound), np.full(N, 0.8),
        np.zeros(N), np.zeros(N), np.ones(N),
    )  # fmt: skip


def judge(
    plane: Any = 800.0,
    expected_w: Any = 150.0,
    covered_before: bool = False,
    frosts: Any = NO_FROST,
    **channels: Pieces,
) -> Codes:
    settings = frames.settings()
    heard = {
        "array__a__voltage": pieces(36.0), "array__a__current": pieces(4.1),
        "controller__c__output_voltage": pieces(26.0), "controller__c__output_current": pieces(5.6),
        "controller__c__stage": pieces(1),
    } | channels  # fmt: skip
    return told(settings, heard, plane, expected_w, frosts, covered_before)[0]


def told(
    settings: Settings,
    heard: dict[str, Any],
    plane: Any = 800.0,
    expected_w: Any = 150.0,
    frosts: Any = NO_FROST,
    covered_before: bool = False,
    could: Expected | None = None,
    clear: float = 600.0,
) -> tuple[Codes, str]:
    """The states, and the evidence of the last of them over the whole stretch."""
    stretch = frames.stretch(**{name: p for name, p in heard.items() if p is not None})
    array, controller = settings.array[0], settings.controller[0]
    power = np.broadcast_to(np.asarray(expected_w, dtype=float), N).copy()
    could = could or frames.could(power, opened=41.0)
    sun = SunPosition(np.full(N, 60.0), np.full(N, 30.0), np.full(N, 120.0))
    said = instruments.measured(array, controller, stretch, GRID)
    around = instruments.around(settings, stretch, GRID)
    lit = light(plane, 700.0)
    codes = states.of_array(
        array, controller, settings.bank, lit, sun, said, around, could, GRID, frosts, covered_before, np.full(N, clear)
    )
    return codes, evidence.teller(controller, lit, said, around, could, np.zeros(N, dtype=bool))(int(codes[-1]), 0, N)


def pieces(values: Any) -> Pieces:
    values = np.broadcast_to(np.asarray(values, dtype=float), N).copy()
    return frames.minutes(values, first_hour=8.0)


def words(codes: Codes) -> set[str]:
    return {WORDS[code] for code in codes}


def test_an_array_in_bulk_with_its_instruments_heard_is_unhindered() -> None:
    assert words(judge()) == {"unhindered"}


def test_dim_light_is_night() -> None:
    """Under 20 W/m² in the plane nothing is judged (IEC 61724-1's daylight rule, from memory)."""
    assert words(judge(plane=19.9)) == {"night"}
    assert words(judge(plane=20.0)) == {"unhindered"}


def test_without_a_light_sensor_the_clear_sky_decides_what_is_night() -> None:
    assert words(judge(plane=np.nan)) == {"unhindered"}


def test_silence_is_unheard_and_volts_alone_are_unknown() -> None:
    """Nothing said is another thing than no power to be worked out from what was said."""
    silent: dict[str, Any] = dict.fromkeys(
        ("array__a__voltage", "array__a__current", "controller__c__output_voltage", "controller__c__output_current",
         "controller__c__stage")
    )  # fmt: skip
    assert words(judge(**silent)) == {"unheard"}
    assert words(judge(**(silent | {"array__a__voltage": pieces(36.0)}))) == {"unknown"}


@pytest.mark.parametrize("stage", [2, 3])
def test_a_controller_at_its_set_point_is_bank_limited(stage: int) -> None:
    """Absorption and float hold the array back: low power there is no fault, at whichever volts."""
    named = {"controller__c__stage": pieces(stage)}
    assert words(judge(**named, array__a__voltage=pieces(39.6), array__a__current=pieces(2.0))) == {"bank-limited"}
    assert words(judge(**named, array__a__current=pieces(2.0))) == {"bank-limited"}


@pytest.mark.parametrize("stage", [2, 3])
def test_at_its_best_point_an_array_is_free_whatever_the_stage_is_called(stage: int) -> None:
    """Two controllers on one bank: one keeps the set point, the other stands at its best volts and gives all that the
    light allows, 147.6 W of 150 W."""
    assert words(judge(controller__c__stage=pieces(stage))) == {"unhindered"}


def test_without_a_stage_the_arrays_own_volts_tell_a_full_bank() -> None:
    """Two modules climb to 97 % of open circuit while the bank sits at its set point: turned down, not faulty."""
    held = judge(
        controller__c__stage=None,  # type: ignore[arg-type]
        array__a__voltage=pieces(39.6),
        array__a__current=pieces(0.56),
        controller__c__output_voltage=pieces(28.8),
        controller__c__output_current=pieces(0.75),
    )
    assert words(held) == {"bank-limited"}


def test_without_a_stage_high_volts_on_a_low_bank_are_no_full_bank() -> None:
    """The same volts with the output far below any set point are something else: no current is reported as such."""
    open_joint = judge(
        controller__c__stage=None,  # type: ignore[arg-type]
        array__a__voltage=pieces(40.5),
        array__a__current=pieces(0.0),
        controller__c__output_voltage=pieces(24.2),
        controller__c__output_current=pieces(0.0),
    )
    assert words(open_joint) == {"no-current"}


def test_output_at_the_controllers_limit_is_current_limited() -> None:
    """At 9.8 of 10 A with the array turned down; where it stands at its best and gives all, the limit takes nothing."""
    at_limit = {"controller__c__output_current": pieces(9.8)}
    assert words(judge(**at_limit, array__a__voltage=pieces(38.0))) == {"current-limited"}
    assert words(judge(**at_limit, array__a__current=pieces(3.5))) == {"current-limited"}
    assert words(judge(**at_limit)) == {"unhindered"}


def test_no_current_in_good_light_is_said_so() -> None:
    assert words(judge(array__a__current=pieces(0.0))) == {"no-current"}


def test_almost_nothing_after_a_frost_is_covered_until_the_power_returns() -> None:
    """Snow: from the first sign to the return, though the air is warm by then; the dim start of the day too."""
    frost = np.array([frames.START + 5 * 3_600_000])
    share = np.where(np.arange(N) < 120, 0.03, 0.85)
    expected_w = np.where(np.arange(N) < 20, 4.0, 150.0)
    codes = judge(expected_w=expected_w, frosts=frost, array__a__current=pieces(expected_w * share / 36.0))
    found = np.array([WORDS[c] for c in codes])
    assert set(found[:112]) == {"covered"}
    assert set(found[128:]) == {"unhindered"}


def test_what_was_covered_stays_covered_over_a_day_without_frost() -> None:
    """Once covered it stays so until power returns, even when the air is at +4 °C."""
    assert words(judge(covered_before=True, array__a__current=pieces(0.2))) == {"covered"}


def test_the_same_loss_without_frost_is_not_called_snow() -> None:
    assert words(judge(array__a__current=pieces(0.2))) == {"unhindered"}


def test_power_is_volts_times_amps_before_anything_else() -> None:
    """In the contract's order: V × I of the same moment; the power said; output over efficiency."""
    settings = frames.settings()

    def power(**channels: Pieces) -> Measured:
        return instruments.measured(settings.array[0], settings.controller[0], frames.stretch(**channels), GRID)

    said = power(array__a__voltage=pieces(36.0), array__a__current=pieces(4.0), array__a__power=pieces(99.0))
    assert said.power == pytest.approx(np.full(N, 144.0))
    assert power(array__a__voltage=pieces(36.0), array__a__power=pieces(99.0)).power[0] == 99.0
    out = power(controller__c__output_voltage=pieces(24.0), controller__c__output_current=pieces(4.0))
    assert out.power[0] == pytest.approx(96.0 / 0.96)


@given(st.lists(st.sampled_from([0.0, 0.05, 0.3, 0.8]), min_size=16, max_size=16), st.booleans())
def test_covered_never_begins_without_frost(shares: list[float], before: bool) -> None:
    """Whatever the power does, without frost covered can end but never begin."""
    current = np.repeat(shares, N // 16) * 150.0 / 36.0
    covered = judge(covered_before=before, array__a__current=pieces(current)) == states.COVERED
    begins = np.flatnonzero(~covered[:-1] & covered[1:])
    assert len(begins) == 0
    assert before or not covered.any()


@pytest.mark.parametrize(
    ("volts_out", "volts_in", "amps", "word"),
    [
        (27.9, 36.0, 4.1, "unhindered"),
        (28.6, 36.0, 4.1, "unhindered"),
        (28.6, 36.0, 3.5, "bank-limited"),
        (28.6, 39.0, 3.8, "bank-limited"),
        (27.9, 39.0, 3.8, "bank-limited"),
    ],
)
def test_absorption_in_name_alone_holds_nothing_back(volts_out: float, volts_in: float, amps: float, word: str) -> None:
    """A cloud lets the volts fall under the set point and the array stand at its best: all that there is flows. So it
    does at the set point, where another controller keeps that, as long as the array gives what the light allows. With
    the array turned down, or short of that, the bank holds it."""
    limits = [{"name": "c", "efficiency": 0.96, "absorption_v": 28.6, "float_v": 27.2}]
    heard = {
        "array__a__voltage": pieces(volts_in), "array__a__current": pieces(amps),
        "controller__c__output_voltage": pieces(volts_out), "controller__c__output_current": pieces(5.6),
        "controller__c__stage": pieces(2),
    }  # fmt: skip
    codes, _ = told(frames.settings(controller=limits), heard)
    assert states.WORDS[int(codes[N // 2])] == word
