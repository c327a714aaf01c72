"""Snow on part of an array that slides off after days is told from dirt, from a shadow and from a string that opened.

Winter weeks of the fixtures' own sky, modules and meters; what befell the port side is a share of its power by hour.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.findings import History
from analysis.frames import Pieces, Stretch
from analysis.results import Finding
from analysis.rules import yield_shortfall
from analysis.sun import DAY_MS, Floats
from tests.analysis.grey_weeks import BROKEN, CLEAR, Week, said, settings
from tests.analysis.whole_days import judged

HOUR_MS = 3_600_000
DAYS = 9
Gives = Callable[[Floats, Floats], Floats]


def snow(day: Floats, hour: Floats) -> Floats:
    """Four tenths under snow from the third night on, until ten past twelve of the fifth day."""
    return np.where((day + hour / 24.0 >= 2.0) & (day + hour / 24.0 < 4.0 + 12.17 / 24.0), 0.6, 1.0)


def shadow(day: Floats, hour: Floats) -> Floats:
    """A boom stands before the sun from the third to the fifth day until noon, each day anew."""
    return np.where((day >= 2) & (day <= 4) & (hour < 12.0), 0.45, 1.0)


def opened(day: Floats, hour: Floats) -> Floats:
    """Half of it gone from the third day on, and never back."""
    return np.where(day >= 2, 0.5, 1.0)


def dirt(day: Floats, hour: Floats) -> Floats:
    """Four in a thousand a day creep in and stay."""
    return 1.0 - 0.004 * day


def found(gives: Gives, frost: bool, week: Week) -> Finding:
    warmth = -3.0 if frost else 9.0
    record = said(replace(week, spell=replace(week.spell, warmth=warmth)))
    pieces = {channel: record[channel] for channel in record.channels()}
    power, air = pieces["array.port.power"], pieces["air.outside.temperature"]
    since = (power.start - record.start) / DAY_MS
    share = gives(np.floor(since), 24.0 * (since % 1.0))
    pieces["array.port.power"] = Pieces(power.start, power.length, power.value * share)
    pieces["air.outside.temperature"] = replace(air, value=np.full(len(air.start), warmth))
    record = Stretch(record.start, record.stop, pieces, record.words)
    frosts = record.start + np.arange(24 * week.days, dtype=np.int64) * HOUR_MS if frost else None
    vessel = settings(week)
    days = [one.day for of_array in judged(record, vessel, frosts).values() for one in of_array]
    history = History(
        settings=vessel, array_days=days, loops=(), enclosures=(), bank_days=(), states=(), stop=days[-1].stop
    )
    (told,) = yield_shortfall.found(history)
    assert told.subject == "array.port"
    return told


def winter(seed: int = 3, latitude: float = 47.58, grey: bool = False) -> Week:
    return Week(
        first=dt.date(2026, 2, 20), days=DAYS, latitude=latitude, spell=BROKEN if grey else CLEAR, sensor=True,
        tilt=3.0, seed=seed,
    )  # fmt: skip


@pytest.mark.parametrize(("latitude", "grey"), [(47.58, False), (47.58, True), (60.0, False), (38.0, False)])
@pytest.mark.parametrize("seed", [3, 4])
def test_snow_that_slides_off_at_noon_is_named_first(latitude: float, grey: bool, seed: int) -> None:
    """Frost, an even loss from one day to the next, and all of it back within an hour of daylight for good."""
    told = found(snow, True, winter(seed, latitude, grey))
    assert told.state == "returned"
    assert told.evidence["features"]["slid"] > 0.7
    assert told.causes[0].cause == "snow"
    assert told.causes[0].probability > 0.5


def test_without_frost_it_is_not_snow() -> None:
    """The same loss and the same return at 9 °C."""
    told = found(snow, False, winter())
    assert "snow" not in [c.cause for c in told.causes if c.probability > 0.05]


def test_a_shadow_that_passes_every_noon_is_no_snow() -> None:
    """In frost too: what comes back each day anew did not slide off."""
    told = found(shadow, True, winter())
    assert told.causes[0].cause == "shade"


def test_a_string_that_opened_in_a_frost_is_no_snow_once_it_thaws() -> None:
    """It lasts, in frost and out of it: while the frost lasts snow may be it, and is not alone."""
    told = found(opened, False, winter())
    assert "snow" not in [c.cause for c in told.causes if c.probability > 0.05]
    frozen = found(opened, True, winter())
    assert len([c for c in frozen.causes if c.probability > 0.1]) >= 2


def test_dirt_that_creeps_in_through_a_frost_stays_dirt() -> None:
    told = found(dirt, True, replace(winter(), days=50))
    assert told.causes[0].cause == "soiling"


def test_a_vessel_without_a_thermometer_knows_of_no_frost() -> None:
    """Then nothing is said of it, for or against."""
    week = winter()
    record = said(week)
    pieces = {channel: record[channel] for channel in record.channels() if not channel.startswith("air.")}
    record = Stretch(record.start, record.stop, pieces, record.words)
    days = [one.day for of_array in judged(record, settings(week)).values() for one in of_array]
    assert all("froze" not in day.features for day in days)
