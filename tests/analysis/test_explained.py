"""What a trend is not: a joint that grows bad, a shadow that comes and goes; dirt beside them stays dirt."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analysis import trends
from analysis.explained import without_cables, without_findings
from analysis.features import of_shortfall
from analysis.findings import History
from analysis.results import ArrayDay, Cause, Finding, LoopEstimate
from analysis.sun import DAY_MS
from tests.analysis import frames
from tests.analysis.test_findings import array_day, loop

DAYS, COULD_WH, BEAM_A2H = 40, 500.0, 60.0


def ohms(n: int) -> float:
    """A joint that is sound for a week and then grows by 15 mΩ a day."""
    return 0.115 + 0.015 * max(n - 7, 0)


def made(seed: int, dirt: float = 0.0) -> list[ArrayDay]:
    """Clear days of an array behind that joint, with dirt of so much a day; watts lost by Ohm and Joule."""
    random = np.random.default_rng(seed)
    days = []
    for n in range(DAYS):
        got = COULD_WH * (1.0 - dirt * n) * (1.0 + 0.005 * random.standard_normal()) - (ohms(n) - 0.11) * BEAM_A2H
        beam = {"beam": [got, COULD_WH], "beam_a2h": BEAM_A2H, "judged_a2h": 1.2 * BEAM_A2H}
        days.append(replace(array_day(n, 1.0), features=beam, evidence="horizontal"))
    return days


def joint(half: float = 0.005) -> list[LoopEstimate]:
    return [loop(n, ohms(n), half) for n in range(DAYS)]


def test_a_joint_that_grows_bad_is_no_dirt() -> None:
    """Six per cent in a month, all of it measured in the run: taken for dirt by the bare slope, steady without it; and
    the run is named with what it took on the last day, (0.595 - 0.11) Ω × 60 A²h of 500 Wh."""
    days = made(1)
    assert trends.of_array("a", days).verdict == "soiling"
    free, (told,) = without_cables(days, frames.settings(), joint())
    assert trends.of_array("a", free).verdict == "steady"
    assert (told.subject, told.cause) == ("cable.run", None)
    assert told.share == pytest.approx((ohms(DAYS - 1) - 0.11) * BEAM_A2H / COULD_WH)


@pytest.mark.parametrize("seed", range(5))
def test_dirt_behind_a_bad_joint_stays_dirt(seed: int) -> None:
    """0.2 % a day beside the joint: the slope is the dirt's own."""
    free, _ = without_cables(made(seed, dirt=0.002), frames.settings(), joint())
    trend = trends.of_array("a", free)
    assert trend.verdict == "soiling"
    assert trend.slope == pytest.approx(-0.002, abs=0.0004)


def test_what_may_be_sound_copper_explains_nothing() -> None:
    """Copper at 70 °C has a fifth more than at 20 °C: an interval that reaches down to it takes nothing back. Nor does
    a run that was never measured, or not for a week."""
    days = made(2)
    for loops in ([loop(n, 0.135, 0.01) for n in range(DAYS)], [], [loop(0, 0.4)]):
        free, told = without_cables(days, frames.settings(), loops)
        assert free[8:] == days[8:]
        assert all(one.days <= 8 for one in told)


def test_a_day_without_an_estimate_takes_the_last_one() -> None:
    days = made(3)
    free, _ = without_cables(days, frames.settings(), joint()[:36])
    back = free[39].features["beam"][0] - days[39].features["beam"][0]
    assert back == pytest.approx((ohms(35) - 0.11) * BEAM_A2H)


def test_without_a_light_sensor_the_run_is_taken_out_as_well() -> None:
    """Where the clear sky is the measure, what the run took comes back to the energy that it judges."""
    days = [replace(d, evidence="sister arrays") for d in made(4)]
    free, _ = without_cables(days, frames.settings(), joint())
    back = (ohms(39) - 0.11) * 1.2 * BEAM_A2H
    assert free[39].judged_measured_wh == pytest.approx((days[39].judged_measured_wh or 0.0) + back)


def shortfall(days: list[ArrayDay], cause: str) -> Finding:
    return Finding(
        "yield-shortfall", "array.a", "returned", "medium", days[0].start, days[-1].stop, "",
        {"days": [d.day.isoformat() for d in days]}, (Cause(cause, 0.8, ""),), 7,
    )  # fmt: skip


def test_days_in_a_shadow_are_left_out_and_said() -> None:
    """A boom stood in the light for five days: they are no step down and up again, and its notice is named."""
    days = [
        replace(d, features=d.features | {"beam": [375.0, 500.0]}) if 20 <= n < 25 else d
        for n, d in enumerate(made(5))
    ]  # fmt: skip
    kept, (told,) = without_findings(days, [shortfall(days[20:25], "shade")])
    assert [d.day for d in kept] == [d.day for d in days[:20] + days[25:]]
    assert (told.cause, told.days, told.finding) == ("shade", 5, 7)


@pytest.mark.parametrize("cause", ["soiling", "none-of-these"])
def test_days_that_dirt_may_explain_stay(cause: str) -> None:
    """They are what the trend is about; other arrays' findings do not touch it either."""
    days = made(6)
    other = replace(shortfall(days[20:25], "shade"), subject="array.b")
    assert without_findings(days, [shortfall(days[20:25], cause), other]) == (days, [])


def test_the_sisters_of_an_array_are_the_others() -> None:
    """One array lost a fifth, the other nothing: the loss is its own, and a light sensor is not to blame."""
    days = [array_day(n, 1.0 if n < 5 else 0.8) for n in range(9)]
    sister = [dataclasses.replace(array_day(n, 1.0), array="b") for n in range(9)]
    history = History(
        settings=frames.settings(), array_days=[*days, *sister], loops=(), enclosures=(), bank_days=(), states=(),
        stop=frames.START + 9 * DAY_MS,
    )  # fmt: skip
    assert days[5].day == dt.date(2026, 6, 15)
    assert of_shortfall(history, None, days, days[5:])["sister_loss"] == 0.0
