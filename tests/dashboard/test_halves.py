"""Two alike arrays in words: how often their volts lay apart, which half is low, and what that speaks for."""

from __future__ import annotations

import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from analysis.report_alike import entries
from analysis.results_alike import AlikeDay
from analysis.results_boxes import TOLD, BoxSpell
from analysis.results_writing import write_day, write_spells
from dashboard import halves
from dashboard.terminal import assess_text
from dashboard.writing import NBSP, UNKNOWN, LocalTime
from logger.store import open_writer, transaction
from tests.dashboard import story
from tests.dashboard.test_pages import shown
from tests.dashboard.test_terminal import verdict

WHEN = LocalTime(ZoneInfo("Europe/Paris"), story.sun_day(13).noon)
SUN = story.sun_day(12)
DAY = AlikeDay(
    "port", "starboard", SUN.day, SUN.start, SUN.stop, 60_000, "plane", 400, 120, 90, 90, 450, 30, 0.9, 1.02, 0.41,
    1.04, 400, 800.0, -20.0, 4000.0, 14.25, 0.998, 14.09, 0.988,
)  # fmt: skip


def pair(**changed: Any) -> dict[str, Any]:
    (told,) = entries([replace(DAY, **changed)])
    return told


def plain(text: str) -> str:
    return text.replace(NBSP, " ")


def test_the_low_half_is_named_with_its_volts_and_its_current() -> None:
    assert plain(halves.line(pair())) == (
        "Port array and starboard array, the two halves in the same moment: volts apart by more than 5 % in 120 of 400 "
        "intervals (2.0 h of 6.7 h) with light over 200 W/m², by more than 10 % in 90. The port array is mostly the "
        "low half: 41 % of the other's volts and 104 % of its current at those times; what it lost, it lost in volts "
        "alone."
    )
    other = plain(halves.line(pair(one_low=0, low_amps_ratio=0.4)))
    assert "The starboard array is mostly the low half: 41 % of the other's volts and 40 % of its current" in other
    assert "alone" not in other


def test_halves_that_agree_name_none() -> None:
    agreed = pair(apart_5=2, apart_10=0, one_low=0, low_volts_ratio=None, low_amps_ratio=None)
    assert agreed["low"] is None
    assert plain(halves.line(agreed)).endswith("by more than 10 % in 0.")
    assert not halves.matters(agreed)


def test_a_line_is_worth_it_where_volts_took_a_share() -> None:
    """A fifth of what the other gave is told without being asked, a hundredth is not."""
    assert halves.matters(pair())
    assert not halves.matters(pair(by_volts_wh=40.0))


def test_the_days_stand_below_in_full() -> None:
    _, far = (plain(line) for line in halves.counted(pair()))
    assert far.startswith("Volts under 0.45 of the other half's in 30 of 450 intervals")
    assert far.endswith("with light over 100 W/m², by a sensor in the plane.")
    ((date, *figures),) = halves.days(pair(), WHEN)
    assert date == WHEN.date(SUN.day)
    assert figures == ["400", "120", "90", "450", "30", "14.25 and 14.09"]
    assert len(halves.HEAD) == len(figures) + 1
    ((*_, amps),) = halves.days(pair(one_a_per_kw=None), WHEN)
    assert amps == UNKNOWN


def test_dim_light_alone_compares_nothing() -> None:
    dim = pair(bright=0, apart_5=0, apart_10=0, one_low=0, free=0, low_volts_ratio=None, one_a_per_kw=None)
    assert "no light over 200 W/m²" in plain(halves.line(dim))


def test_the_sheet_tells_them_once() -> None:
    """In a line of its own where it is worth one; in full, and no second time, with the quality of the record."""
    told = verdict() | {"alike": [pair()]}
    quality = {
        "channel": "a", "heard": 1, "intervals": 1, "days": 1, "days_whole": 1, "days_under_quarter": 0, "marked": {},
        "longest_same_h": 0.0, "stuck_h": 0.0, "light": None, "at_lowest": 0, "beyond_4_sigma": 0,
    }  # fmt: skip
    for told_, days in ((told, 0), (told | {"quality": [quality]}, 1)):
        flat = " ".join(assess_text(told_, timezone="Europe/Paris").split())
        assert flat.count("the two halves in the same moment") == 1
        assert flat.count("14.25 and 14.09") == days
    assert "the two halves" not in assess_text(told | {"alike": [pair(by_volts_wh=1.0)]})


def test_harvest_and_enclosure_show_what_needs_no_model(told: story.Story, tmp_path: Path) -> None:
    """The two halves on *Harvest*, and on *Enclosure* where a fan that nobody hears cuts in."""
    store = tmp_path / "lapwing.db"
    shutil.copy(told.store, store)
    held = BoxSpell(
        "electrics", SUN.start, SUN.stop, 7, TOLD, 1008, 0.99, 0.4, 0.8, 62.0, 1.0, 44.6, 44.1, 45.1, 600.0, 24.0
    )
    with closing(open_writer(store)) as connection, transaction(connection):
        write_day(connection, replace(story.day_results(12), alike=[DAY]), story.METHOD)
        write_spells(connection, [], [held], story.METHOD)
    assert "The two halves, in the same moment" in shown(store, told.settings, "/harvest")
    assert "The two halves" not in shown(told.store, told.settings, "/harvest")
    page = shown(store, told.settings, "/enclosure")
    assert "held at 44.6 °C (44.1 to 45.1): about there its fan cuts in" in page
    assert "0.80 K/W, two thirds of the way to it within 62 min" in page
    with closing(open_writer(store)) as connection, transaction(connection):
        write_spells(connection, [], [replace(held, thermal_resistance_k_per_w=0.00798)], story.METHOD)
    assert "8.0 K/kW, two thirds" in shown(store, told.settings, "/enclosure")
    assert "held at" not in shown(told.store, told.settings, "/enclosure")
