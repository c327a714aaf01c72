"""When scheduled work is due: by slots of local mean solar time, whatever the wall clock does."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from analysis.sun import day_start, solar_day
from dashboard.schedule import DAY_MS, FIRST_HOUR, LAST_HOUR, Schedule

MINUTE_MS = 60_000
moments = st.integers(0, 2_000_000_000_000)
schedules = st.builds(Schedule, st.floats(-180, 180), st.integers(5, 1440), st.integers(0, 1439))


@given(moments, schedules)
def test_the_night_begins_after_the_solar_midnight_of_the_analysis(t: int, schedule: Schedule) -> None:
    """The slot changes exactly `archive_after_midnight_min` after the midnight by which days are judged."""
    midnight = day_start(solar_day(t, schedule.longitude), schedule.longitude)
    due = midnight + schedule.archive_after_midnight_min * MINUTE_MS
    assert schedule.night(due + 1) == schedule.night(due - 2) + 1
    assert schedule.night(due + DAY_MS - 2) == schedule.night(due + 1)


@given(moments, schedules)
def test_the_assessment_rests_in_the_dark(t: int, schedule: Schedule) -> None:
    """Between the last hour and the first one nothing but the night's own work makes an assessment due."""
    midnight = day_start(solar_day(t, schedule.longitude), schedule.longitude)
    evening, morning = midnight + LAST_HOUR * 60 * MINUTE_MS + 1, midnight + DAY_MS + FIRST_HOUR * 60 * MINUTE_MS - 2
    assert schedule.assessment(evening)[1] == schedule.assessment(morning)[1]


@given(moments, schedules)
def test_by_day_the_assessment_is_due_once_in_each_stretch(t: int, schedule: Schedule) -> None:
    """A stretch later, both in daylight, it is due; a day later always."""
    midnight = day_start(solar_day(t, schedule.longitude), schedule.longitude)
    every = schedule.assess_every_min * MINUTE_MS
    morning = midnight + FIRST_HOUR * 60 * MINUTE_MS + 1
    last = midnight + LAST_HOUR * 60 * MINUTE_MS - 2
    at = morning
    while at + every <= last and at < morning + 3 * every:
        assert schedule.assessment(at + every)[1] == schedule.assessment(at)[1] + 1
        at += every
    assert schedule.assessment(t) != schedule.assessment(t + DAY_MS)


def test_lapwing_seals_at_half_past_solar_midnight() -> None:
    """At 2.9° west mean solar midnight is 00:11:36 UTC (4 min of time a degree): the archive is due at 00:41:36."""
    schedule = Schedule(-2.90)
    due = 1_780_272_000_000 + (41 * 60 + 36) * 1000
    assert schedule.night(due) == schedule.night(due - 1) + 1
