"""Where she is: the berth, a passage, or her own positions, and the sun that follows from it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest

from analysis import whereabouts
from analysis.in_force import SettingsThroughTime
from analysis.sun import DAY_MS, Place, SunPath, Track
from logger.errors import SettingsError
from logger.settings import Settings
from logger.settings_file import parse
from tests.analysis import frames

HOUR_MS = 3_600_000
NORTH = {"from": dt.date(2026, 6, 1), "until": dt.date(2026, 6, 20), "latitude": 69.0, "longitude": 18.0}


def voyage(**more: Any) -> Settings:
    return frames.settings(passage=[NORTH | more])


def test_a_passage_stands_for_the_berth_on_its_days_alone() -> None:
    """From and until included; before and after she lies where [site] says."""
    through = SettingsThroughTime([(0, voyage(around="ice"))], 0.0)
    places = [
        whereabouts.place(through.on(dt.date(2026, *day)).settings) for day in ((5, 31), (6, 1), (6, 20), (6, 21))
    ]
    assert [place.latitude for place in places] == [0.0, 69.0, 69.0, 0.0]
    assert [whereabouts.around(through.on(dt.date(2026, *day)).settings) for day in ((5, 31), (6, 1))] == [
        "water",
        "ice",
    ]


def test_a_passage_judges_its_own_days_alone() -> None:
    """A plan for June touches no judgement of May: the days before it are not worked out again."""
    before, after = (SettingsThroughTime([(0, s)], 0.0) for s in (frames.settings(), voyage()))
    may, june = dt.date(2026, 5, 31), dt.date(2026, 6, 1)
    assert before.on(may).hash == after.on(may).hash
    assert before.on(june).hash != after.on(june).hash


TEXT = """
[site]
name = "Lapwing"
latitude = 47.6
longitude = -2.9
timezone = "UTC"
moored = "under way"
[store]
path = "lapwing.db"
"""


@pytest.mark.parametrize(
    ("passages", "said"),
    [
        ("[[passage]]\nfrom = 2026-06-01\nlatitude = 60\nlongitude = 5\n", "give it from and until dates"),
        (
            "[[passage]]\nfrom = 2026-06-01\nuntil = 2026-06-09\nlatitude = 60\nlongitude = 5\n"
            "[[passage]]\nfrom = 2026-06-09\nuntil = 2026-06-20\nlatitude = 62\nlongitude = 5\n",
            "they hold the same days",
        ),
        ("[passage]\nfrom = 2026-06-01\nuntil = 2026-06-02\nlatitude = 60\nlongitude = 5\n", r"write \[\[passage\]\]"),
    ],
)
def test_a_passage_is_one_place_on_days_that_are_told(passages: str, said: str) -> None:
    """Both dates are needed, and she cannot be at two places."""
    with pytest.raises(SettingsError, match=said):
        parse(TEXT + passages)


def test_the_sun_is_that_of_where_she_was_at_each_moment() -> None:
    """A day's run of 4° east and 2° north: at every hour the sun stands as pvlib's SPA puts it over her position then.

    From one place for the whole day it would stand most of a degree off.
    """
    t = frames.START + np.arange(25, dtype=np.int64) * HOUR_MS
    track = Track(t, np.linspace(47.0, 49.0, 25), np.linspace(-8.0, -4.0, 25))
    path = SunPath(frames.START, frames.START + DAY_MS, Place(48.0, -6.0), track=track)
    found = path.at(t[6:21])
    for i, moment in enumerate(t[6:21]):
        latitude, longitude = (float(x[0]) for x in track.at(np.array([moment])))
        times = pd.DatetimeIndex([pd.Timestamp(int(moment), unit="ms", tz="UTC")])
        wanted = pvlib.solarposition.get_solarposition(times, latitude, longitude)
        assert found.elevation[i] == pytest.approx(wanted["elevation"].iloc[0], abs=0.005)
        assert found.azimuth[i] == pytest.approx(wanted["azimuth"].iloc[0], abs=0.01)
    still = SunPath(frames.START, frames.START + DAY_MS, Place(48.0, -6.0)).at(t[6:21])
    assert np.abs(still.elevation - found.elevation).max() > 0.7


def test_positions_are_hourly_medians() -> None:
    """A receiver that once says 0° N 0° E has not moved her."""
    latitude = np.full(1440, 58.0)
    longitude = np.linspace(5.0, 7.0, 1440)
    latitude[700:703], longitude[700:703] = 0.0, 0.0
    stretch = frames.stretch(
        site__position__latitude=frames.minutes(latitude), site__position__longitude=frames.minutes(longitude)
    )
    way = whereabouts.track(stretch, frames.START, frames.START + DAY_MS)
    assert way is not None
    assert way.latitude == pytest.approx(58.0)
    assert np.diff(way.longitude) == pytest.approx(2.0 / 24, abs=0.01)
    assert whereabouts.place(frames.settings(), way).longitude == pytest.approx(6.0, abs=0.05)


def test_across_the_date_line_the_short_way() -> None:
    """From 179° E to 179° W she passes 180°, not Greenwich."""
    longitude = np.linspace(179.0, 181.0, 1440)
    stretch = frames.stretch(
        site__position__latitude=frames.minutes(-17.0),
        site__position__longitude=frames.minutes(np.where(longitude > 180, longitude - 360, longitude)),
    )
    way = whereabouts.track(stretch, frames.START, frames.START + DAY_MS)
    assert way is not None
    noon = frames.START + 12 * HOUR_MS
    assert abs(way.at(np.array([noon]))[1][0]) == pytest.approx(180.0, abs=0.1)
    assert abs(whereabouts.place(frames.settings(), way).longitude) == pytest.approx(180.0, abs=0.1)


def test_without_a_fix_there_is_no_way() -> None:
    """No position heard: the passage, or the berth, stands."""
    assert whereabouts.track(frames.stretch(), frames.START, frames.START + DAY_MS) is None
    assert whereabouts.place(voyage().on(dt.date(2026, 6, 10))).latitude == 69.0
