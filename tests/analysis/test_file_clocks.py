"""A file's clock is told by the ends of an array's power over many days; weather, shade and planes tell nothing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis import file_clocks
from analysis.file_clocks import PowerDay
from analysis.findings import History
from analysis.folding import fold
from analysis.results import ArrayDay, Finding
from analysis.rules import clock_suspect
from analysis.sun import DAY_MS
from logger.settings import Settings, Site
from tests.analysis import frames

FIRST = dt.date(2025, 1, 1)
# How much later the power begins than the sun, and by how much earlier it ends [min]: ``serf_east_15min_ac_power.csv``
# of pvanalytics.
WAKES, SLEEPS, SPREAD = 45.0, -57.0, 15.0


def site(timezone: str = "Europe/Paris", longitude: float = 0.0) -> Site:
    return Site(name="Test", latitude=47.0, longitude=longitude, timezone=timezone, moored="fixed")


SITE = site()


def days(
    shift: Any = lambda day: (0.0, 0.0), count: int = 500, first: dt.date = FIRST, array: str = "a"
) -> list[PowerDay]:
    """Days whose two ends are moved by what `shift` says of each [min]."""
    rng = np.random.default_rng(1)
    found = []
    for n in range(count):
        day = first + dt.timedelta(n)
        start = round(dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC).timestamp() * 1000)
        early, late = shift(day)
        noise = rng.normal(0.0, SPREAD, 2)
        found.append(
            PowerDay(array, day, start, start + DAY_MS, (WAKES + early + noise[0], SLEEPS + late + noise[1]), False)
        )
    return found


def summer(day: dt.date) -> bool:
    """Of central Europe in 2025 and 2026 (directive 2000/84/EC: last Sundays of March and October)."""
    return any(
        begin <= day < end
        for begin, end in (
            (dt.date(2025, 3, 30), dt.date(2025, 10, 26)),
            (dt.date(2026, 3, 29), dt.date(2026, 10, 25)),
        )
    )


def spans(found: list[file_clocks.Off]) -> list[tuple[str, str]]:
    def day(t: int) -> str:
        return dt.datetime.fromtimestamp(t / 1000, dt.UTC).date().isoformat()

    return [(day(o.start), day(o.stop - 1)) for o in found]


@pytest.mark.parametrize("sign", [1, -1])
def test_a_clock_that_keeps_another_summer_time_is_told_with_its_dates(sign: int) -> None:
    """Late in summer where the stamps keep summer time and the settings do not; early the other way round."""
    found = file_clocks.off(days(lambda d: (60.0 * sign, 60.0 * sign) if summer(d) else (0, 0)), SITE)
    assert spans(found) == [("2025-03-30", "2025-10-25"), ("2026-03-29", "2026-05-15")]
    assert [round(o.shift_min / 10) for o in found] == [6 * sign, 6 * sign]
    assert {o.zone for o in found} == {"Europe/Paris"}
    assert {o.keeps_summer_time for o in found} == {sign > 0}
    assert [o.over for o in found] == [True, False]


def test_the_true_hour_is_the_one_nearer_to_the_sun() -> None:
    """Where the settings name the summer's offset, the winters are off."""
    found = file_clocks.off(days(lambda d: (0, 0) if summer(d) else (-60.0, -60.0)), SITE)
    assert spans(found) == [("2025-01-01", "2025-03-29"), ("2025-10-26", "2026-03-28")]


def test_between_two_that_lie_as_near_the_standard_time_is_the_true_one() -> None:
    found = file_clocks.off(days(lambda d: (30.0, 30.0) if summer(d) else (-30.0, -30.0)), SITE)
    assert spans(found)[0] == ("2025-03-30", "2025-10-25")


@pytest.mark.parametrize(
    "shift",
    [
        lambda d: (0.0, 0.0),
        lambda d: (60.0, 0.0) if summer(d) else (0.0, 0.0),  # leaves before the morning
        lambda d: (60.0, -60.0) if summer(d) else (0.0, 0.0),  # a hedge around it
        lambda d: (30.0, 30.0) if summer(d) else (0.0, 0.0),
        lambda d: (25.0 * np.sin(d.toordinal() / 58.0),) * 2,  # a plane's own season
    ],
)
def test_what_is_no_hour_of_both_ends_tells_nothing(shift: Any) -> None:
    assert file_clocks.off(days(shift), SITE) == []


def test_a_clock_that_is_set_by_hand_is_told_too() -> None:
    """An hour on a day on which no civil clock changes."""
    (found,) = file_clocks.off(days(lambda d: (60.0, 60.0) if d >= dt.date(2025, 7, 10) else (0, 0), 300), SITE)
    assert abs((dt.date.fromisoformat(spans([found])[0][0]) - dt.date(2025, 7, 10)).days) <= 2
    assert found.zone is None
    assert not found.over


def test_a_few_days_on_one_side_are_too_few() -> None:
    """Two days before the clocks change may have been a mist."""
    mine = days(lambda d: (60.0, 60.0) if summer(d) else (0, 0), 60, dt.date(2025, 3, 28))
    assert file_clocks.off(mine, SITE) == []


def test_days_that_tell_nothing_are_passed_over() -> None:
    """Half of the days without their ends: the steps stand where they stood."""
    mine = days(lambda d: (60.0, 60.0) if summer(d) else (0, 0))
    mine = [replace(d, ends=None) if n % 2 else d for n, d in enumerate(mine)]
    assert spans(file_clocks.off(mine, SITE))[0] == ("2025-03-30", "2025-10-25")


@pytest.mark.parametrize(("ends", "hours"), [((-20.0, -430.0), -7), ((470.0, 110.0), 7), ((-60.0, -140.0), -2)])
def test_hours_are_told_by_two_days(ends: tuple[float, float], hours: int) -> None:
    """Power in the dark at one end, and none for as long at the other."""
    mine = [replace(d, ends=ends) for d in days(count=6)]
    (found,) = file_clocks.off(mine, SITE)
    assert round(found.shift_min / 60) == hours
    assert file_clocks.off(mine[:1], SITE) == []


def filed(zone: str = "UTC", live: bool = False) -> Settings:
    source = {
        "name": "inverter", "kind": "csv", "path": "x.csv", "time": {"field": 1, "zone": zone},
        "channel": [{"field": "p", "channel": "array.a.power"}],
    }  # fmt: skip
    line = {"name": "line", "kind": "serial", "port": "loop://", "channel": [{"field": 1, "channel": "array.a.power"}]}
    return frames.settings(site=SITE.model_dump(), source=[source, line] if live else [source])


def told(mine: list[PowerDay], settings: Settings) -> list[Finding]:
    array_days = [array_day(d) for d in mine]
    return clock_suspect.found(History(settings, array_days, [], [], [], [], mine[-1].stop))


def array_day(day: PowerDay) -> ArrayDay:
    nothing = dict.fromkeys(
        (
            "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh", "judged_measured_wh",
            "judged_expected_wh", "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh", "limited_wh",
            "performance_ratio", "plane_wh_m2", "cause",
        )
    )  # fmt: skip
    ends = {file_clocks.ENDS: list(day.ends)} if day.ends else {}
    return ArrayDay(
        array=day.array, day=day.day, start=day.start, stop=day.stop, rated_w=200.0, daylight_min=720.0,
        known_min=720.0, judging_min=0.0, completeness=1.0, verdict="cannot tell", features=ends, **nothing,  # type: ignore[arg-type]
    )  # fmt: skip


def test_one_notice_tells_the_dates_and_the_remedy() -> None:
    """It stays open through the winter: summer comes again."""
    late = days(lambda d: (60.0, 60.0) if summer(d) else (0, 0), 400)
    (notice,) = told(late, filed())
    assert notice.subject == "source.inverter"
    assert notice.is_open
    assert notice.evidence["spells"] == [["2025-03-30", "2025-10-25"]]
    assert 'zone = "Europe/Paris"' in notice.causes[0].next_check
    early = days(lambda d: (-60.0, -60.0) if summer(d) else (0, 0), 400)
    (notice,) = told(early, filed("Europe/Paris"))
    assert 'zone = "UTC+1"' in notice.causes[0].next_check


def test_hours_off_name_the_zone_that_fits() -> None:
    mine = [replace(d, ends=(-20.0, -450.0)) for d in days(count=6)]
    (notice,) = told(mine, filed())
    assert 'fit zone = "UTC-7"' in notice.causes[0].next_check


def test_a_live_line_is_stamped_by_the_loggers_own_clock() -> None:
    mine = days(lambda d: (60.0, 60.0) if summer(d) else (0, 0))
    assert told(mine, filed(live=True)) == []
    assert file_clocks.doubts(mine, filed(live=True)) == {}
    assert spans_of(file_clocks.doubts(mine, filed())["a"])[0] == ("2025-03-30", "2025-10-25")


def spans_of(stretches: list[tuple[int, int]]) -> list[tuple[str, str]]:
    return [
        (
            dt.datetime.fromtimestamp(start / 1000, dt.UTC).date().isoformat(),
            dt.datetime.fromtimestamp((stop - 1) / 1000, dt.UTC).date().isoformat(),
        )
        for start, stop in stretches
    ]


def test_what_a_light_sensor_tells_of_the_clock_is_told_once() -> None:
    mine = [replace(d, ends=(-20.0, -450.0)) for d in days(count=6)]
    (by_power,) = told(mine, filed())
    by_light = replace(by_power, subject="clock", evidence={"noon_shift_min": -420.0})
    assert [f.subject for f in fold([by_power, by_light], filed())] == ["clock"]


@pytest.mark.parametrize("timezone", ["UTC", "Etc/GMT-1", "America/New_York"])
def test_where_the_sites_zone_does_not_change_another_may(timezone: str) -> None:
    """Settings that name no zone of summer time, or one that changes on other days: the nearest that does is named."""
    found = file_clocks.off(days(lambda d: (60.0, 60.0) if summer(d) else (0, 0)), site(timezone, longitude=12.0))
    assert {o.zone for o in found} == {"Europe/Paris"}
    assert spans(found) == [("2025-03-30", "2025-10-25"), ("2026-03-29", "2026-05-15")]


def test_a_winter_that_is_off_is_mended_by_the_zone_too() -> None:
    """The settings name the summer's offset: the clock keeps summer time all the same."""
    mine = days(lambda d: (0, 0) if summer(d) else (-60.0, -60.0), 400)
    (notice,) = told(mine, filed("UTC+2"))
    assert 'zone = "Europe/Paris"' in notice.causes[0].next_check
