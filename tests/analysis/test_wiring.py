"""The resistance of a run is the slope of lost volts on current, never one pair of readings."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from analysis import wiring
from analysis.results import LoopEstimate
from analysis.sun import DAY_MS, Floats
from tests.analysis import frames

DAY = (frames.START, frames.START + DAY_MS, (frames.START + 6 * 3_600_000, frames.START + 18 * 3_600_000))
COUNT = 12 * 60


def sun_current(seed: int = 1, top: float = 5.5) -> Floats:
    """A day of broken cloud: amps from nothing to nearly full."""
    rng = np.random.default_rng(seed)
    hump = np.sin(np.linspace(0.02, np.pi - 0.02, COUNT))
    cloud = np.clip(np.repeat(rng.uniform(0.2, 1.1, COUNT // 12), 12), 0, 1)
    return top * hump * cloud


def measure(
    ohm: Any, current: Floats, *, offset: float = 0.0, gain: float = 0.0, noise: float = 0.01
) -> LoopEstimate | None:
    """What the day shows of a run of that resistance, through two meters."""
    rng = np.random.default_rng(7)
    near = 36.0 - 0.6 * current + rng.normal(0, 0.4, COUNT)
    far = (near + ohm * current) * (1 + gain) + offset + rng.normal(0, noise, COUNT)
    settings = frames.settings()
    stretch = frames.stretch(
        array__a__module_voltage=frames.minutes(np.round(far, 2), 6.0),
        array__a__voltage=frames.minutes(np.round(near, 2), 6.0),
        array__a__current=frames.minutes(np.round(current, 2), 6.0),
    )
    return wiring.of_day(settings.cable[0], settings, stretch, *DAY)


def within(estimate: LoopEstimate | None, ohm: float) -> bool:
    """The figure to reach: 5 % or 5 mΩ, whichever is larger."""
    assert estimate is not None
    assert estimate.ohm is not None
    return abs(estimate.ohm - ohm) <= max(0.05 * ohm, 0.005)


@pytest.mark.parametrize("ohm", [0.02, 0.0875, 0.30, 0.66])
def test_both_ends_measured_give_the_resistance(ohm: float) -> None:
    estimate = measure(ohm, sun_current())
    assert within(estimate, ohm)
    assert estimate is not None
    assert estimate.ohm_low is not None
    assert estimate.ohm_high is not None
    assert estimate.ohm_low < ohm < estimate.ohm_high


@profile(max_examples=25)
@given(st.floats(0.02, 0.6), st.floats(-0.3, 0.3), st.floats(-0.004, 0.004), st.integers(0, 50))
def test_offset_and_gain_of_two_meters_are_no_resistance(ohm: float, offset: float, gain: float, seed: int) -> None:
    """Two meters that disagree by an offset and by some thousandths leave the slope as it is."""
    assert within(measure(ohm, sun_current(seed), offset=offset, gain=gain), ohm)


def test_the_intercept_is_told_apart() -> None:
    """A blocking diode or a meter's offset stands in the intercept, not in the resistance."""
    estimate = measure(0.1, sun_current(), offset=0.25)
    assert estimate is not None
    assert estimate.intercept_v == pytest.approx(0.25, abs=0.05)


def test_a_joint_that_corrodes_over_the_day_is_given_for_its_own_moment() -> None:
    """Resistance that rises from 0.3 to 0.4 Ω within the day: the estimate holds at the time it names."""
    rising = np.linspace(0.30, 0.40, COUNT)
    estimate = measure(rising, sun_current())
    assert estimate is not None
    at = (estimate.at - DAY[2][0]) / (DAY[2][1] - DAY[2][0])
    assert within(estimate, 0.30 + 0.10 * at)


def test_a_grey_day_without_current_gives_no_number() -> None:
    """Dim light cannot prove a joint: there is no current."""
    estimate = measure(0.3, sun_current(top=0.2))
    assert estimate is not None
    assert estimate.ohm is None


def test_without_volts_at_both_ends_there_is_nothing_to_say() -> None:
    settings = frames.settings()
    stretch = frames.stretch(array__a__voltage=frames.minutes(36.0), array__a__current=frames.minutes(4.0))
    assert wiring.of_day(settings.cable[0], settings, stretch, *DAY) is None


def test_bad_clamp_good_wire() -> None:
    """A meter's readings at 0, 2, 4 and 6 A, differences 0.00, 0.17, 0.33, 0.50 V: 83 mΩ, no intercept."""
    current = np.tile([0.0, 2.0, 4.0, 6.0], COUNT // 4)
    drop = np.tile([0.0, 0.17, 0.33, 0.50], COUNT // 4)
    settings = frames.settings()
    stretch = frames.stretch(
        controller__c__output_voltage=frames.minutes(26.0 + drop, 6.0),
        bank__house__voltage=frames.minutes(np.full(COUNT, 26.0), 6.0),
        controller__c__output_current=frames.minutes(current, 6.0),
    )
    estimate = wiring.of_day(settings.cable[1], settings, stretch, *DAY)
    assert estimate is not None
    assert estimate.ohm == pytest.approx(0.083, abs=0.002)
    assert estimate.intercept_v == pytest.approx(0.0, abs=0.01)


def test_the_drop_is_a_share_of_vmp_at_full_current() -> None:
    estimate = measure(0.10, sun_current())
    assert estimate is not None
    assert estimate.ohm is not None
    assert estimate.drop_percent == pytest.approx(100 * 5.55 * estimate.ohm / 36.0)
