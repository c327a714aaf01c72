"""In light too dim for watts to tell, an array's volts tell: snow from a grey morning, day from night."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import glimmer, instruments
from analysis.expected import Expected
from analysis.modules import Electrics
from analysis.states import WORDS
from fixtures.lapwing import story
from logger.settings import Module
from tests.analysis import frames
from tests.analysis.test_states import GRID, NO_FROST, N, pieces, told

FROST = np.array([frames.START + 5 * 3_600_000])
ARRAY = frames.settings().array[0]
# What lies before it: some way of snow lets a fiftieth through.
SNOW, NOTHING = 0.02, 1.0


def opened(light: float, cell: float = -5.0) -> float:
    """Volts of the array at open circuit in that light."""
    volts = Electrics.of(ARRAY, np.array([light]), np.array([cell])).open_volts
    assert volts is not None
    return ARRAY.modules_in_series * float(volts[0])


def dim(light: float, through: float, frosts: Any = FROST, plane: float | None = None, **more: Any) -> set[str]:
    """The states of an array in dim light, its controller off, behind something that lets that share through."""
    watts = ARRAY.rated_w * light / 1000.0 * np.ones(N)
    cold = Electrics.of(ARRAY, light * np.ones(N), -5.0 * np.ones(N))
    whole = frames.could(watts, plane=light, opened=opened(light), best=0.86 * opened(light))
    could = Expected(whole.power, whole.low, whole.high, cold.cell, cold, whole.allowed, whole.errors)
    heard = {
        "array__a__voltage": pieces(opened(light * through)), "array__a__current": pieces(0.0),
        "controller__c__output_voltage": pieces(25.0), "controller__c__output_current": pieces(0.0),
    }  # fmt: skip
    seen = light if plane is None else plane
    return {WORDS[c] for c in told(frames.settings(), heard, seen, frosts=frosts, could=could, **more)[0]}


def test_snow_in_dim_light_shows_in_the_volts() -> None:
    """Watts tell nothing in 25 to 40 W/m²; the volts under snow lie four slopes of the diode lower."""
    for light in (25.0, 32.0, 40.0):
        assert dim(light, SNOW) == {"covered"}
        assert dim(light, NOTHING) == {"unhindered"}


def test_dim_volts_without_a_frost_are_no_snow() -> None:
    assert dim(32.0, SNOW, frosts=NO_FROST) == {"unhindered"}


def test_what_was_covered_is_free_once_its_volts_stand_in_the_light() -> None:
    """Snow that slid off in the night leaves an array that is dim, not covered."""
    assert dim(32.0, NOTHING, covered_before=True) == {"unhindered"}
    assert dim(32.0, SNOW, covered_before=True) == {"covered"}


def test_a_grey_sky_brighter_or_darker_than_told_is_no_snow() -> None:
    """A weather series or a clear sky may miss the light by three times, either way."""
    for missed in (1 / 3, 3.0):
        assert "covered" not in dim(32.0, missed)


@pytest.mark.parametrize(("light", "word"), [(8.0, "night"), (40.0, "unhindered")])
def test_where_only_the_clear_sky_is_known_an_arrays_own_volts_part_day_from_night(light: float, word: str) -> None:
    """Under a heavy sky a sun that could light the plane does not; and one behind the plane's back may light it."""
    settings = frames.settings()
    nothing = frames.could(np.full(N, np.nan), opened=opened(light), best=0.86 * opened(light))
    cold = Electrics.of(ARRAY, np.full(N, np.nan), -5.0 * np.ones(N))
    could = Expected(
        nothing.power, nothing.low, np.full(N, 0.1 * ARRAY.rated_w), cold.cell, cold, nothing.allowed, nothing.errors
    )
    heard = {
        "array__a__voltage": pieces(opened(light)), "array__a__current": pieces(0.0),
        "controller__c__output_voltage": pieces(25.0), "controller__c__output_current": pieces(0.0),
    }  # fmt: skip
    for clear in (15.0, 90.0):
        codes, _ = told(settings, heard, np.nan, could=could, clear=clear)
        assert {WORDS[c] for c in codes} == {word}


@given(light=st.floats(1.0, 1000.0), warmth=st.floats(-20.0, 30.0))
def test_volts_tell_the_light_of_modules_made_by_other_physics(light: float, warmth: float) -> None:
    """Within a factor of three, by a diode that shares no code with ours."""
    module = story.CABIN.module
    volts = float(2 * module.under(np.array([light]), np.array([warmth])).open_circuit()[0])
    sheet = {
        "power": 175.0, "voc": module.voc, "isc": module.isc, "vmp": module.vmp, "imp": module.imp,
        "temp_coeff_voc": module.temp_coeff_voc, "temp_coeff_isc": module.temp_coeff_isc, "temp_coeff_power": -0.36,
        "cells_in_series": module.cells, "substrings": module.substrings,
    }  # fmt: skip
    array = ARRAY.model_copy(update={"module": Module.model_validate(sheet)})
    said = instruments.measured(array, None, frames.stretch(array__a__voltage=pieces(volts)), GRID)
    everywhere, cell = np.ones(N, dtype=bool), np.full(N, warmth)
    assert glimmer.shows(array, said, light / 3.0, cell, everywhere).all()
    assert not glimmer.shows(array, said, light * 3.0, cell, everywhere).any()


def test_a_thin_datasheet_tells_nothing_by_volts() -> None:
    array = ARRAY.model_copy(update={"module": Module.model_validate({"power": 175.0})})
    said = instruments.measured(array, None, frames.stretch(array__a__voltage=pieces(30.0)), GRID)
    assert not glimmer.told(array, said).any()
    assert not glimmer.shows(array, said, 1.0, np.zeros(N), np.ones(N, dtype=bool)).any()
