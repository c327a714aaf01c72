"""Each day is judged by what stood for it; a part that changed begins anew, and no other."""

from __future__ import annotations

import datetime as dt
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.in_force import SettingsThroughTime
from analysis.sun import DAY_MS, day_start
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import changing, schema
from logger.importing import bring_in, choose
from logger.settings import Settings
from logger.settings_file import plan, read
from logger.store import keep_settings, open_writer, transaction
from tests.analysis import frames

DAY = dt.date(2026, 6, 20)


def at(day: dt.date) -> int:
    return day_start(day, 0.0)


def cables(*entries: dict[str, Any]) -> Settings:
    return frames.settings(
        cable=[{"name": "run", "carries": "array.a", "length": 10.0, "area": 4.0} | e for e in entries]
    )


def split(**more: Any) -> Settings:
    return cables({"until": DAY - dt.timedelta(1)}, {"from": DAY, **more})


def test_an_entry_that_gives_way_to_another_is_a_change_of_that_part_alone() -> None:
    """Also where nothing differs: a joint that was made anew."""
    for more in ({"area": 6.0}, {}):
        assert SettingsThroughTime([(0, split(**more))], 0.0).changes() == {"cable.run": [at(DAY)]}


def test_a_file_in_which_a_part_reads_otherwise_is_a_change_from_its_day_on() -> None:
    kept = [(0, cables({})), (at(DAY) + 5_000, cables({"area": 6.0}))]
    assert SettingsThroughTime(kept, 0.0).changes() == {"cable.run": [at(DAY)]}


@pytest.mark.parametrize(
    "later",
    [
        frames.settings(enclosure=[{"name": "box", "temperature_limit": 45.0, "surroundings": "air.cabin"}]),
        frames.settings(controller=[{"name": "c", "enclosure": "box", "output_current_limit": 20.0, "float_v": 27.2}]),
        frames.settings(site=frames.settings().site.model_dump() | {"name": "Other", "coldest_c": -20.0}),
    ],
)
def test_limits_and_points_that_are_set_are_no_physical_change(later: Settings) -> None:
    assert SettingsThroughTime([(0, frames.settings()), (at(DAY), later)], 0.0).changes() == {}


def test_a_date_that_is_given_later_to_what_always_stood_is_no_change() -> None:
    kept = [(0, cables({})), (at(DAY), cables({"from": dt.date(2026, 5, 1)}))]
    assert SettingsThroughTime(kept, 0.0).changes() == {}


def test_what_judges_a_day_is_the_same_until_a_part_differs() -> None:
    """A new dated entry leaves the days before it as they were: their digest is the old file's."""
    before, after = SettingsThroughTime([(0, cables({}))], 0.0), SettingsThroughTime([(0, split(area=6.0))], 0.0)
    eve = DAY - dt.timedelta(1)
    assert before.on(eve).hash == after.on(eve).hash
    assert before.on(DAY).hash != after.on(DAY).hash
    assert [c.area for c in after.on(DAY).settings.cable] == [6.0]


def test_before_the_first_kept_file_the_first_one_counts() -> None:
    through = SettingsThroughTime([(at(DAY), cables({})), (at(DAY) + 3 * DAY_MS, cables({"area": 6.0}))], 0.0)
    assert through.on(DAY - dt.timedelta(30)) == through.on(DAY)


def test_a_change_in_the_past_is_judged_anew_from_its_day_on(tmp_path: Path) -> None:
    """A record that was taken live, five days of it judged: the change reaches back two days, and no further."""
    (tmp_path / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    located = read(tmp_path / "noonmark.toml")
    schema.prepare(located.store_path)
    story = Story.told(5, healthy=True)
    (tmp_path / "history.csv").write_text(history_csv(story, sail(story)), encoding="utf-8")
    with closing(open_writer(located.store_path)) as connection:
        first = list(choose(plan(located), [tmp_path / "history.csv"], "history"))
        list(bring_in(connection, plan(located), first, 1_790_000_000_000))
        with transaction(connection):
            connection.execute(
                "INSERT INTO session (boot_id, started, monotonic_ns, stopped_cleanly, clock) "
                "VALUES ('boot', 0, 0, 1, 'kernel')"
            )
            keep_settings(connection, 0, located.hash, located.text)
    judged = assess(located)
    assert len(judged) == 5
    day = judged[3]
    change = changing.Change("array", "gantry", day, {"tilt": 20})
    longitude = located.settings.site.longitude
    now = changing.make(located, change, day_start(day, longitude), 1_790_000_000_000, "mate", "")
    assert assess(now) == judged[3:]
    assert assess(now) == []
    now.path.write_text("# a remark\n" + now.text, encoding="utf-8")
    assert assess(read(now.path)) == []
