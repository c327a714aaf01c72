"""Trends in words and figures: how an array holds up, side against side, and what the standard counts."""

from __future__ import annotations

import datetime as dt
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis import twins as grey
from analysis.report_iec61724 import performance_entry
from analysis.report_trends import trend_entry, twin_entry
from analysis.trends import Trend, of_array
from dashboard import standard, trend_figures, trends
from dashboard.writing import NBSP, LocalTime, period_word
from logger.store import open_writer, transaction
from tests.analysis.test_trends import made, note
from tests.dashboard import story
from tests.dashboard.test_pages import shown

WHEN = LocalTime(ZoneInfo("Europe/Paris"), story.sun_day(13).noon)


def soiled() -> Trend:
    return of_array("cabin", made(3, washed=(30,)), [note(30, "washed the modules")])


def said(entry: dict[str, Any]) -> str:
    return trends.trend("cabin", entry, WHEN).replace(NBSP, " ")


def test_an_array_that_soils_says_by_how_much_and_since_when() -> None:
    """A range a day, what it comes to, since the last step; the size is the slope's."""
    entry = trend_entry(soiled())
    assert said(entry).startswith("On clear days the cabin array gives less from day to day, ")
    low, high = -entry["slope_high_percent_per_day"], -entry["slope_low_percent_per_day"]
    assert f"{low:.2f} to {high:.2f} %" in said(entry)
    assert f"{entry['soiled_percent']:.0f} % since {WHEN.date(soiled().steps[-1].day)}".replace(NBSP, " ") in said(
        entry
    )


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("steady", "holds its level between steps and changes by 0.30 % a day at most."),
        ("rising", "gives more from day to day, −0.30 to −0.10 %"),
        ("cannot tell", "Cannot tell yet how the cabin array holds up"),
    ],
)
def test_each_verdict_has_its_sentence(verdict: str, words: str) -> None:
    entry = trend_entry(soiled()) | {
        "verdict": verdict, "slope_low_percent_per_day": -0.3, "slope_high_percent_per_day": -0.1,
    }  # fmt: skip
    assert words in said(entry)


def test_nothing_known_says_what_would_settle_it() -> None:
    assert said(trend_entry(of_array("cabin", []))) == (
        "Cannot tell yet how the cabin array holds up: no clear days so far. More, over two weeks and longer, would "
        "settle it."
    )


def test_a_step_is_told_with_what_explains_it() -> None:
    """Up or down, by how much, and the logbook's own words; what nobody wrote down says so."""
    entry = {
        "steps": [
            {"date": "2026-06-11", "rise_percent": 6.2, "explained_by": "washed the modules"},
            {"date": "2026-06-14", "rise_percent": -4.1, "explained_by": None},
        ]
    }
    assert [line.replace(NBSP, " ") for line in trends.steps(entry, WHEN)] == [
        "11 June: up 6 %; the logbook says: washed the modules.",
        "14 June: down 4 %; nothing in the logbook explains it.",
    ]


def test_side_against_side() -> None:
    """Even, weak on either hand, and too little to tell."""
    days = [day for n in range(story.DAYS) for day in story.day_results(n).twins]
    weak = [replace(day, one_wh=0.85 * day.one_wh) for day in days]
    strong = [replace(day, one_wh=day.one_wh / 0.85) for day in days]
    told = [
        trends.twins(twin_entry("cabin", "gantry", part)).replace(NBSP, " ") for part in (days, weak, strong, days[:1])
    ]
    assert told[0].endswith("of what the gantry array got for its size, which is no difference.")
    assert told[1].endswith(": the cabin array is the weak side.")
    assert told[2].endswith(": the gantry array is the weak side.")
    assert told[3].startswith("Cannot tell the cabin array from the gantry array under grey skies")


def test_the_slope_is_drawn_through_the_days_and_its_shade_about_it() -> None:
    """In each part between steps one line, inside its shade; a ring a clear day; a rule at each step."""
    trend = soiled()
    drawn = trend_figures.clear_days(trend)
    lines = [t for t in drawn["data"] if t["mode"] == "lines" and "fill" not in t]
    shades = [t for t in drawn["data"] if "fill" in t]
    rings = next(t for t in drawn["data"] if t["mode"] == "markers")
    assert len(lines) == len(shades) == len(trend.parts)
    assert len(rings["x"]) == len(trend.points)
    assert len(drawn["layout"]["shapes"]) == len(trend.steps)
    for line, shade in zip(lines, shades, strict=True):
        low, high = np.array(shade["y"][:3]), np.array(shade["y"][3:][::-1])
        assert (low - 0.01 <= line["y"]).all()
        assert (line["y"] <= high + 0.01).all()
    assert trend.slope is not None
    first, _, last = lines[0]["y"]
    span = (dt.date.fromisoformat(lines[0]["x"][2]) - dt.date.fromisoformat(lines[0]["x"][0])).days
    assert (last - first) / span == pytest.approx(100 * trend.slope, rel=0.02)


def test_what_cannot_be_told_is_not_drawn() -> None:
    drawn = trend_figures.clear_days(replace(soiled(), verdict="cannot tell"))
    assert [t["mode"] for t in drawn["data"]] == ["markers"]


def test_no_date_is_written_twice_under_a_grey_week() -> None:
    days = [day for n in range(story.DAYS) for day in story.day_results(n).twins]
    drawn = trend_figures.grey_weeks(grey.weeks(days, "cabin"))
    assert drawn["layout"]["xaxis"]["dtick"] == 86_400_000
    assert drawn["data"][0]["y"] == pytest.approx([100.0] * 3, abs=1.0)


def test_the_standards_table_leaves_out_what_nobody_knows() -> None:
    """With a sensor in the plane all ten rows; without one those that need none; a dash where a period has none."""
    day = story.day_results(0).array_days[0]
    bank = {day.day: 0.96 * (day.measured_wh or 0.0)}
    whole = performance_entry([day], bank)
    bare = performance_entry([replace(day, plane_wh_m2=None, performance_ratio=None, plane_weighed_wh_m2=None)], bank)
    assert len(standard.rows({"June": whole})) == len(standard.QUANTITIES) == 10
    assert [label.split(",")[0] for label, _ in standard.rows({"June": bare})] == [
        "hours that came from the array", "hours that reached the bank", "lost from there to the bank", "able to give",
        "light and power known",
    ]  # fmt: skip
    (ratio,) = [values for label, values in standard.rows({"a": whole, "b": bare}) if label.startswith("performance")]
    assert ratio[1] == "—"


@pytest.mark.parametrize(("by", "word"), [("week", f"week{NBSP}53"), ("month", "December"), ("season", "winter")])
def test_periods_have_their_words(by: str, word: str) -> None:
    """The ISO week of the last day of 2020 is its 53rd."""
    assert period_word(dt.date(2020, 12, 31), by) == word


# -- on the page ------------------------------------------------------------------------------------------------


def test_harvest_tells_how_the_arrays_hold_up(told: story.Story) -> None:
    """A sentence an array, the two sides under the cloudy week's sky, and the standard's yields, in this order."""
    text = shown(told.store, told.settings, "/harvest")
    order = [
        "How the arrays hold up",
        "On clear days the gantry array holds its level and changes by",
        "Side against side, under grey skies",
        "On five grey days the cabin array got 100 % (97 to 103) of what the gantry array got for its size",
        "By the standard, IEC 61724-1",
        "these days week 25 June summer",
        "the same for cells at 25 °C, PR'_STC [%]",
        "House bank Into the system went 66.8 kWh; the loads used 57.5 kWh, the bank holds 6,684 Wh more than before.",
        "So 96 % of what went in was of use",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_the_logbook_stands_in_the_margin_and_explains_the_step(told: story.Story, tmp_path: Path) -> None:
    """What was washed on the evening of 9 June is written beside that day, and beside the step that follows."""
    store = tmp_path / "lapwing.db"
    shutil.copy(told.store, store)
    with closing(open_writer(store)) as connection, transaction(connection):
        washed = (story.sun_day(4).noon, "mate", "washed the gantry modules", "array.gantry")
        connection.execute("INSERT INTO logbook (t, author, text, tags) VALUES (?, ?, ?, ?)", washed)
    text = shown(store, told.settings, "/harvest")
    assert "Washed the gantry modules." in text[text.index("Tue 9") : text.index("Wed 10")]
    assert "0 %; the logbook says: washed the gantry modules." in text
