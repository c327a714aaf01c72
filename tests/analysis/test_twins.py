"""Under a grey sky two arrays see the same light: a weak side is found without compass, light sensor or sky model."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from analysis import twins
from analysis.findings import History
from analysis.results import TwinDay
from analysis.rules import yield_shortfall
from analysis.sun import DAY_MS
from tests.analysis import frames
from tests.analysis.grey_weeks import BROKEN, CLEAR, Week, days, history
from tests.analysis.test_findings import array_day

LOW = (("port", 0.9),)


def found(week: Week, **more: Any) -> list[Any]:
    return yield_shortfall.found(History(**history(days(week), week, **more)))


@pytest.mark.parametrize(("heading", "sensor"), list(product(("wind", "tide", "gyre"), (False, True))))
def test_a_side_that_gives_a_tenth_less_is_found_from_a_grey_week(heading: Any, sensor: bool) -> None:
    """Whichever way she lies, with a light sensor and without: the port side alone, and the interval holds 90 %."""
    for seed in (1, 2, 3):
        week = Week(heading=heading, sensor=sensor, gain=LOW, seed=seed, vessel=seed)
        (finding,) = found(week)
        assert finding.subject == "array.port"
        assert finding.evidence["found_by"] == yield_shortfall.TWINS
        assert finding.evidence["grey_against"] == "array.starboard"
        assert finding.evidence["grey_ratio_low"] <= 0.9 <= finding.evidence["grey_ratio_high"] < twins.LOW_BELOW
        assert finding.is_open


@pytest.mark.parametrize(("latitude", "first"), [(47.58, dt.date(2026, 12, 10)), (69.0, dt.date(2026, 3, 1))])
@pytest.mark.parametrize("sensor", [False, True])
def test_a_dim_week_finds_it_with_the_bare_kit(latitude: float, first: dt.date, sensor: bool) -> None:
    """Volts and amps of each side, a sun of no more than 19 or 13 degrees; no sound side is taken for a weak one, and a
    light sensor makes it no worse."""
    for seed, gain in product((31, 32), (1.0, 0.9)):
        week = Week(
            first=first, latitude=latitude, heading="wind", sensor=sensor, gain=(("port", gain),), seed=seed,
            vessel=seed, bare_kit=True,
        )  # fmt: skip
        assert [f.subject for f in found(week)] == (["array.port"] if gain < 1.0 else [])


def test_healthy_twins_are_never_told_apart() -> None:
    """Twenty-four grey weeks of two sound sides, from the tropics to 60° N, with meters of 1 %: no finding, and an even
    ratio inside the interval in all but a few (19 in 20 by its meaning)."""
    missed = 0
    places = [(5.0, dt.date(2026, 6, 1)), (47.58, dt.date(2026, 12, 10)), (60.0, dt.date(2026, 9, 1))]
    for (latitude, first), seed in product(places, range(8)):
        week = Week(
            first=first, latitude=latitude, heading="wind", sensor=seed % 2 == 0, seed=100 + seed, vessel=100 + seed
        )
        told = days(week)
        assert yield_shortfall.found(History(**history(told, week))) == []
        last = twins.compared(told, "port")
        assert last is not None
        missed += not last.low <= 1.0 <= last.high
    assert missed <= 3


@pytest.mark.parametrize("spell", [CLEAR, BROKEN])
def test_the_sun_on_one_side_is_no_fault_of_the_other(spell: Any) -> None:
    """Lying to one wind in sun, one side gets half as much again as the other: no grey light, nothing told by it."""
    week = Week(spell=spell, heading="wind", seed=5)
    told = days(week)
    assert sum(d.minutes for d in told) < 600
    assert yield_shortfall.found(History(**history(told, week))) == []


def test_a_mended_side_returns() -> None:
    """A grey week with the fault, nine grey days without: the finding ends with them."""
    bad, good = Week(gain=LOW, seed=2), Week(first=dt.date(2026, 9, 28), days=9, seed=3)
    (finding,) = yield_shortfall.found(History(**history([*days(bad), *days(good)], bad)))
    assert finding.state == "returned"
    assert finding.until is not None


def test_a_changed_array_is_compared_anew() -> None:
    """The port side was re-plugged after four grey days: what it was before says nothing of it now."""
    week = Week(gain=LOW, seed=2, days=10)
    told = days(week)
    one, two = yield_shortfall.found(History(**history(told, week, changes={"array.port": [told[4].start]})))
    assert (one.state, one.until) == ("returned", told[4].start)
    assert (two.state, two.since) == ("unacknowledged", told[4].start)


def twin_day(n: int, one_wh: float = 90.0, other_wh: float = 100.0, **more: Any) -> TwinDay:
    start = frames.START + n * DAY_MS
    date = dt.date(2026, 6, 10) + dt.timedelta(n)
    return TwinDay(
        **{
            "one": "a", "other": "b", "day": date, "start": start, "stop": start + DAY_MS, "minutes": 240.0,
            "one_wh": one_wh, "one_could_wh": 100.0, "other_wh": other_wh, "other_could_wh": 100.0, "sigma": 0.02,
            **more,
        }
    )  # fmt: skip


def test_the_ratio_by_hand() -> None:
    """Days without scatter: 90 of 100, half-width 1.96 times the 2 % that all share; turned round, 100 of 90."""
    told = twins.compared([twin_day(n) for n in range(4)], "a")
    assert told is not None
    assert told.ratio == pytest.approx(0.9)
    assert (told.low, told.high) == (pytest.approx(0.9 * (1 - 0.0392)), pytest.approx(0.9 * (1 + 0.0392)))
    assert (told.days, told.minutes) == (4, 960.0)
    turned = twins.compared([twin_day(n) for n in range(4)], "b")
    assert turned is not None
    assert turned.ratio == pytest.approx(1 / 0.9)
    assert turned.other == "a"


def lit(name: str, ratio: Any, bright: Any = 0.005) -> twins.Side:
    """A side of 90 minutes under an even dome, in which it gives that share of what the dome would give."""
    ratio = np.broadcast_to(np.asarray(ratio, dtype=float), 90)
    full = np.full(90, 1.0)
    whole = frames.settings().array[0].model_copy(update={"name": name})
    return twins.Side(
        whole, 60_000, np.arange(90, dtype=np.int64) * 60_000, 20.0 * ratio, 200.0 * full, 0.02 * full, bright * full,
        np.zeros(90, dtype=bool), 0.3 * full,
    )  # fmt: skip


def together(one: twins.Side, other: twins.Side) -> TwinDay:
    (day,) = twins.of_day([one, other], replace(frames.sun_day(), start=0, stop=DAY_MS))
    return day


def test_a_flash_of_sun_on_one_side_is_left_out() -> None:
    """Three minutes in ninety with half as much again on one side would lift the ratio by 2 %."""
    flash = np.where(np.arange(90) % 30 == 7, 1.5, 1.0)
    day = together(lit("one", 0.9 * flash), lit("other", 1.0))
    assert day.one_wh / day.other_wh == pytest.approx(0.9)
    assert day.minutes == 87.0


def test_a_ratio_that_stays_put_all_day_says_that_no_beam_came_through() -> None:
    """What beam takes from the mean it shows in the spread; the bright side of the dome stays in doubt."""
    steady = together(lit("one", 0.9), lit("other", 1.0)).sigma
    swaying = together(lit("one", 0.9 * (1.0 + 0.03 * np.sin(np.arange(90) / 9.0))), lit("other", 1.0)).sigma
    assert swaying > steady + 0.005


def test_the_hours_in_which_the_sun_stands_highest_are_taken() -> None:
    """A third of the time leans three times as much, and gives one side a tenth more: the rest alone tells."""
    low = np.arange(90) < 30
    day = together(lit("one", np.where(low, 1.1, 1.0), np.where(low, 0.03, 0.01)), lit("other", 1.0, 0.01))
    assert day.minutes == 60.0
    assert day.one_wh == pytest.approx(day.other_wh)


def test_too_little_grey_light_tells_nothing() -> None:
    """Two days, or four short hours in all, are no grey week."""
    assert twins.compared([twin_day(n) for n in range(2)], "a") is None
    assert twins.compared([twin_day(n, minutes=60.0) for n in range(4)], "a") is None


def test_days_that_scatter_widen_the_interval() -> None:
    steady = twins.compared([twin_day(n) for n in range(6)], "a")
    loose = twins.compared([twin_day(n, one_wh=90.0 + 8.0 * (-1) ** n) for n in range(6)], "a")
    assert steady is not None
    assert loose is not None
    assert loose.high - loose.low > 1.5 * (steady.high - steady.low)


def test_of_three_arrays_the_weak_one_is_found() -> None:
    """Weaker than both others: found; the others are each weaker than none."""
    pairs = [
        d
        for n in range(7)
        for d in (
            twin_day(n),
            twin_day(n, other="c"),
            twin_day(n, one="b", other="c", one_wh=100.0),
        )
    ]
    found = yield_shortfall.found(History(**history(pairs, Week())))
    assert [f.subject for f in found] == ["array.a"]


def test_grey_skies_support_what_the_light_has_found() -> None:
    """One finding, not two, and it says that both tests found it."""
    shown = [array_day(n, 0.8) for n in range(7)]
    grey = [twin_day(n, one_wh=80.0) for n in range(7)]
    (finding,) = yield_shortfall.found(History(**history(grey, Week(), array_days=shown)))
    assert finding.evidence["found_by"] == f"light and datasheet, and {yield_shortfall.TWINS}"
    assert finding.evidence["judged_ratio"] == pytest.approx(0.8)
    assert finding.evidence["grey_ratio"] == pytest.approx(0.8)


def test_an_even_dome_by_hand() -> None:
    """Liu and Jordan (1963): half the sky and half the ground for an upright plane, all of the sky for a level one."""
    assert twins.dome_view(0.0, 0.3) == 1.0
    assert twins.dome_view(90.0, 0.3) == pytest.approx(0.5 + 0.15)


def test_nothing_to_compare_is_no_error() -> None:
    assert twins.weeks([], "a") == []
    assert twins.weeks([replace(twin_day(0), one_wh=0.0)], "a") == []
