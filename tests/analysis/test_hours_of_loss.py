"""In which part of the day a shortfall lies, told from the hours about true solar noon; and when it was first seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import states
from analysis.findings import History
from analysis.results import ArrayDay
from analysis.rules import yield_shortfall
from analysis.rules.yield_shortfall import _mostly
from tests.analysis import frames
from tests.analysis.test_findings import array_day
from tests.analysis.test_yields import N, judged_day
from tests.dashboard import story

DAY = story.day_results(0).array_days[0]


@pytest.mark.parametrize(
    ("short_hours", "says"),
    [([2, 3, 4], "afternoon"), ([-5, -4], "morning"), ([-1, 0], "midday"), (list(range(-6, 6)), None), ([], None)],
)
def test_the_part_of_the_day_that_lost_most_is_named(short_hours: list[int], says: str | None) -> None:
    """Over six tenths of the loss in one part of the day name it; a loss spread over the day names none."""
    by_hour = {str(h): [40.0 if h in short_hours else 100.0, 100.0] for h in range(-6, 6)}
    assert _mostly([replace(DAY, features={"by_hour": by_hour}), replace(DAY, features={})]) == says


def test_a_shortfall_is_dated_to_the_first_half_hour_that_shows_it() -> None:
    """Sound until 13:00, then 70 %: the day is short, and from 13:00 on. Its lower bound is 90 %, the deadband 7 %."""
    minute = np.arange(N)
    day = judged_day(states.UNHINDERED, np.where(minute < 13 * 60, 100.0, 50.0), 100.0)
    assert day.verdict == "shortfall"
    assert day.features["first_low"] == frames.START + 13 * 3_600_000


def test_a_passing_cloud_over_the_array_alone_dates_nothing() -> None:
    """Ten low minutes at 9:00 do not last; the loss that does begins at 12:00."""
    minute = np.arange(N)
    low = ((minute >= 540) & (minute < 550)) | (minute >= 720)
    day = judged_day(states.UNHINDERED, np.where(low, 60.0, 100.0), 100.0)
    assert day.features["first_low"] == frames.START + 12 * 3_600_000


def test_hours_in_which_something_held_it_back_date_nothing() -> None:
    """The bank was full until 14:00; low output then is no shortfall, so the date is 14:00."""
    minute = np.arange(N)
    state = np.where(minute < 14 * 60, states.BANK, states.UNHINDERED)
    day = judged_day(state, 50.0, 100.0)
    assert day.features["first_low"] == frames.START + 14 * 3_600_000


def test_a_sound_day_has_no_first_loss() -> None:
    assert "first_low" not in judged_day(states.UNHINDERED, 99.0, 100.0).features


def test_a_finding_begins_where_its_first_day_shows_it() -> None:
    """To the half hour where a day tells it, else at the day's start, and the finding says which."""
    moment = frames.START + 13 * 3_600_000
    days = [array_day(n, 0.8) for n in range(3)]
    told = [replace(days[0], features=days[0].features | {"first_low": moment}), *days[1:]]
    for shown, since in ((told, moment), (days, frames.START)):
        (finding,) = yield_shortfall.found(_history(shown))
        assert finding.since == since
        assert finding.evidence["to_the_hour"] is (since == moment)


def _history(days: list[ArrayDay]) -> History:
    return History(
        settings=frames.settings(), array_days=days, loops=(), enclosures=(), bank_days=(), states=(),
        stop=days[-1].stop,
    )  # fmt: skip
