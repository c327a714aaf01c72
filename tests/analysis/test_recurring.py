"""The shadow of a boom: dips at one hour of each clear day, told with hours and watt-hours, though no day is short.

Weeks of the fixtures' own sky, modules and meters on a flat array, which knows no heading; a shadow is a share of its
power by hour.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.findings import History
from analysis.frames import Pieces, Stretch
from analysis.recurring import in_words
from analysis.results import ArrayDay, Finding
from analysis.rules import yield_shortfall
from analysis.sun import DAY_MS, Floats
from tests.analysis.grey_weeks import BROKEN, CLEAR, GREY, Week, said, settings
from tests.analysis.whole_days import judged

Gives = Callable[[Floats, Floats], Floats]


def boom(day: Floats, hour: Floats) -> Floats:
    """From 09:10 to 10:40 four tenths are left, until the boom is moved after the sixth day."""
    return np.where((day < 6) & (hour > 9.17) & (hour < 10.67), 0.41, 1.0)


def mast(day: Floats, hour: Floats) -> Floats:
    """From half past two on, half, on each day."""
    return np.where(hour > 14.5, 0.5, 1.0)


def sound(day: Floats, hour: Floats) -> Floats:
    return np.ones_like(hour)


def lean(day: Floats, hour: Floats) -> Floats:
    """A plane drawn askew: less in the morning, more in the afternoon, by little from hour to hour."""
    return 1.0 + 0.04 * (hour - 12.0)


def skyline(day: Floats, hour: Floats) -> Floats:
    """Half until an hour after sunrise, where there is next to nothing to lose."""
    return np.where(hour < 8.3, 0.5, 1.0)


def wandering(day: Floats, hour: Floats) -> Floats:
    """A cloud shadow of an hour and a half that comes two hours later each day."""
    begin = 7.5 + 2.0 * (day % 4)
    return np.where((hour > begin) & (hour < begin + 1.5), 0.41, 1.0)


def told(gives: Gives, week: Week) -> tuple[list[Finding], list[ArrayDay]]:
    record = said(week)
    pieces = {channel: record[channel] for channel in record.channels()}
    power = pieces["array.port.power"]
    since = (power.start - record.start) / DAY_MS
    share = gives(np.floor(since), 24.0 * (since % 1.0))
    pieces["array.port.power"] = Pieces(power.start, power.length, power.value * share)
    vessel = settings(week)
    judged_days = judged(Stretch(record.start, record.stop, pieces, record.words), vessel)
    days = [one.day for of_array in judged_days.values() for one in of_array]
    history = History(
        settings=vessel, array_days=days, loops=(), enclosures=(), bank_days=(), states=(), stop=days[-1].stop
    )
    return yield_shortfall.found(history), [d for d in days if d.array == "port"]


def winter(seed: int = 3, latitude: float = 30.5, **more: object) -> Week:
    base = Week(first=dt.date(2026, 2, 18), days=9, latitude=latitude, spell=CLEAR, sensor=True, tilt=0.0, seed=seed)
    return replace(base, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("seed", "latitude"), [(3, 30.5), (4, 30.5), (5, 0.0), (6, 47.58)])
def test_the_boom_is_told_with_its_hours_and_its_watt_hours(seed: int, latitude: float) -> None:
    """30.5° N in February: 8 A of 19.6 between 09:10 and 10:40, gone when the boom is moved. No day is short; the dips
    are one notice of low priority, shade first, over with the first clear day without them."""
    (found,), days = told(boom, winter(seed, latitude))
    assert (found.subject, found.priority, found.state) == ("array.port", "low", "returned")
    assert found.until == days[6].start
    assert found.causes[0].cause == "shade"
    assert found.causes[0].probability > 0.5
    assert found.evidence["hours"] in ("from 3 to 1 hour before noon", "from 3 to 2 hours before noon")
    expected = sum(pair[1] for d in days[:6] for hour, pair in d.features["by_hour"].items() if hour in ("-3", "-2"))
    assert found.evidence["lost_wh"] == pytest.approx(0.59 * 0.75 * expected, rel=0.25)
    assert all(d.verdict == "healthy" for d in days)


def test_a_shadow_that_lasts_until_dusk_is_told_too() -> None:
    """It never comes back on the day: told by where it falls."""
    found, _ = told(mast, winter())
    assert [f.causes[0].cause for f in found] == ["shade"]
    assert found[0].is_open
    assert "after noon" in found[0].evidence.get("hours", "after noon")


@pytest.mark.parametrize("gives", [sound, lean, skyline, wandering])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_what_is_no_shadow_at_one_hour_is_none(gives: Gives, seed: int) -> None:
    """A sound array; a plane drawn askew, whose ratio leans without a jump; a skyline at
    dawn; dips at another hour each day."""
    found, _ = told(gives, winter(seed))
    assert [f for f in found if f.evidence["found_by"] == "hours of the sun"] == []


@pytest.mark.parametrize("spell", [GREY, BROKEN])
@pytest.mark.parametrize("seed", range(4))
def test_clouds_are_no_shadow(spell: object, seed: int) -> None:
    """Weeks of broken and of grey sky."""
    found, _ = told(sound, winter(seed, spell=spell))
    assert found == []


def test_hours_of_which_heading_nobody_knows_tell_nothing() -> None:
    """A tilted array that swings without a compass: its hours go up and down by themselves."""
    found, _ = told(sound, winter(3, tilt=30.0, heading="tide"))
    assert [f for f in found if f.evidence.get("found_by") == "hours of the sun"] == []


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        (-3, -2, "from 3 to 1 hour before noon"),
        (-2, -1, "in the 2 hours before noon"),
        (-1, 1, "from 1 hour before noon to 2 hours after it"),
        (-1, -1, "in the hour before noon"),
        (0, 2, "in the 3 hours after noon"),
        (2, 4, "from 2 to 5 hours after noon"),
    ],
)
def test_hours_as_a_person_says_them(first: int, last: int, words: str) -> None:
    assert in_words(first, last) == words
