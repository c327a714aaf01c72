"""The figures, without a browser: peaks kept, gaps left white, noon in the middle, never too many points."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.results import LoopEstimate, StateRun
from dashboard import figures, look
from dashboard.writing import LocalTime
from logger.record import Series
from tests.dashboard import story

NOW = round(dt.datetime.fromisoformat(story.NOW).timestamp() * 1000)
WHEN = LocalTime(ZoneInfo("Europe/Paris"), NOW)
DAYS = [story.sun_day(n) for n in range(story.DAYS)]
RESULTS = [story.day_results(n) for n in range(story.DAYS)]


def minutes(array: str, number: int) -> pd.DataFrame:
    return story.array_of_day(array, number, DAYS[number])[0]


def strips(array: str) -> dict[str, Any]:
    frame = pd.concat([minutes(array, n) for n in range(story.DAYS)])
    runs = [run for r in RESULTS for run in r.states if run.array == array]
    return figures.day_strips(DAYS, frame, runs, story.RATED[array], WHEN)


def trace(figure: dict[str, Any], name: str) -> dict[str, Any]:
    return next(t for t in figure["data"] if t["name"] == name)


def assert_plotly_takes_it(figure: dict[str, Any]) -> None:
    """Plotly's own schema accepts every key and value, in every palette."""
    for palette in look.PALETTES:
        go.Figure(look.painted(figure, palette))
    for one in figure["data"]:
        assert max(len(one.get("x", [])), len(one["y"])) <= figures.MOST_POINTS


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400),
    st.integers(6, 60),
)
def test_thinning_keeps_peaks_order_and_gaps(values: list[float], most: int) -> None:
    """However few points are left, the lowest and the highest are among them, in order, and a gap stays a gap."""
    y = np.array(values)
    kept = figures.thinned(y, most)
    assert len(kept) <= max(most, 3)
    assert np.all(np.diff(kept) > 0)
    if not np.isnan(y).all():
        assert np.nanmin(y[kept]) == np.nanmin(y)
        assert np.nanmax(y[kept]) == np.nanmax(y)
    assert np.isnan(y[kept]).any() == np.isnan(y).any()


def test_a_spike_of_one_minute_is_drawn() -> None:
    """One minute's peak in a fortnight survives on its strip at full height."""
    frame = minutes("cabin", 6)
    frame.iloc[200, frame.columns.get_loc("measured_w")] = 650.0
    figure = figures.day_strips([DAYS[6]], frame, [], 700.0, WHEN)
    watts = [point[1] for point in trace(figure, "what it got")["customdata"]]
    assert max(w for w in watts if w is not None) == 650


def test_noon_is_in_the_middle_of_every_strip() -> None:
    """Twelve hours either side, one line at nought through all rows, and a clear day's peak beside it."""
    figure = strips("gantry")
    assert figure["layout"]["xaxis"]["range"] == [-12, 12]
    through = [s for s in figure["layout"]["shapes"] if s["x0"] == s["x1"] == 0 and s["xref"] == "x"]
    assert [(s["yref"], s["y0"], s["y1"]) for s in through] == [("paper", 0, 1)]
    clear = trace(figure, "what the light allowed")
    top = clear["x"][int(np.argmax(np.array(clear["y"], dtype=float)))]
    assert abs(top) < 0.3


def test_a_clock_that_is_an_hour_off_shows_as_a_shift_against_noon() -> None:
    """The same light stamped an hour late peaks an hour after the noon line."""
    frame = minutes("gantry", 0)
    frame.index = frame.index + pd.Timedelta(hours=1)
    clear = trace(figures.day_strips([DAYS[0]], frame, [], 525.0, WHEN), "what the light allowed")
    assert clear["x"][int(np.argmax(np.array(clear["y"], dtype=float)))] == pytest.approx(1.0, abs=0.3)


def test_gaps_stay_white() -> None:
    """Where nobody heard the array the pen is lifted; what the light allowed is drawn on."""
    figure = figures.day_strips([DAYS[7]], minutes("cabin", 7), [], 700.0, WHEN)
    pen, band = trace(figure, "what it got"), trace(figure, "what the light allowed")
    silent = [(x, y) for x, y in zip(pen["x"], pen["y"], strict=True) if 1.05 < x < 3.15]
    assert silent
    assert all(y is None for _, y in silent)
    assert any(x is not None and 1.5 < x < 3 for x in band["x"])
    assert pen["connectgaps"] is False


def test_missing_rows_lift_the_pen_too() -> None:
    """A stretch without rows is a gap, not a straight line across it."""
    frame = minutes("cabin", 0)
    hour = (frame.index.as_unit("ms").asi8 - DAYS[0].noon) / 3_600_000
    figure = figures.day_strips([DAYS[0]], frame[(hour < 1) | (hour > 3)], [], 700.0, WHEN)
    for one in figure["data"][:2]:
        crossing = [
            (a, b)
            for a, b in zip(one["x"][:-1], one["x"][1:], strict=True)
            if a is not None and b is not None and a < 1 and b > 3
        ]
        assert not [pair for pair in crossing if None not in _between(one, pair)]


def _between(one: dict[str, Any], pair: tuple[float, float]) -> list[float | None]:
    at = one["x"].index(pair[0])
    return [one["y"][at], one["y"][at + 1]]


def test_states_lie_hatched_under_their_day() -> None:
    """Each limiting state is a bar of its own hatching at its own hours; free and night are left blank."""
    figure = strips("cabin")
    bars = {t["name"]: t for t in figure["data"] if t["type"] == "bar"}
    assert set(bars) == {"bank full", "controller at its most", "not heard"}
    full = bars["bank full"]
    assert full["base"][0] == pytest.approx(story.BANK_FULL_FROM[1], abs=0.02)
    assert full["marker"]["pattern"]["shape"] == look.HATCHES["bank-limited"].shape
    assert full["y"][0] == pytest.approx(-1.15)


def test_the_rows_share_one_scale() -> None:
    """A grey day is low because it was low: rows are not stretched one by one."""
    figure = strips("gantry")
    bands = [t for t in figure["data"] if t["name"] == "what the light allowed"]
    heights = [max(y for y in t["y"] if y is not None) + row for row, t in enumerate(bands)]
    assert heights[6] < 0.35 * heights[0]


@pytest.mark.parametrize("array", ["cabin", "gantry"])
def test_strips_are_whole_figures(array: str) -> None:
    """A fortnight by the minute fits plotly's schema and 2,000 points a trace."""
    assert_plotly_takes_it(strips(array))


def test_a_flickering_record_keeps_its_longest_spans() -> None:
    """Thousands of state changes are bounded, and the long ones stay."""
    day = DAYS[0]
    short = [
        StateRun("cabin", day.start + 20_000 * i, day.start + 20_000 * i + 5_000, "covered", "") for i in range(3000)
    ]
    long = StateRun("cabin", day.start + 70_000_000, day.start + 73_600_000, "covered", "long")
    figure = figures.day_strips([day], minutes("cabin", 0), [*short, long], 700.0, WHEN)
    covered = trace(figure, "covered")
    assert len(covered["x"]) == figures.MOST_POINTS
    assert max(covered["x"]) == pytest.approx(1.0)
    assert covered["base"] == sorted(covered["base"])


def test_nothing_known_is_an_empty_sheet() -> None:
    """Days without a single row are drawn as empty rows."""
    figure = figures.day_strips(DAYS, minutes("cabin", 0).iloc[:0], [], 700.0, WHEN)
    assert figure["data"] == []
    assert len(figure["layout"]["yaxis"]["ticktext"]) == story.DAYS


def test_a_run_of_cable_shows_interval_and_design() -> None:
    """Milliohms with their interval around them, and the design line."""
    estimates = [e for r in RESULTS for e in r.loops if e.cable == "gantry home run"]
    figure = figures.loop_trend(estimates, WHEN)
    known = [e for e in estimates if e.ohm is not None]
    measured = trace(figure, "measured, with its interval")
    assert len(known) == len(estimates) - 1 == len(measured["y"])
    assert measured["y"][-1] == pytest.approx(1000 * (known[-1].ohm or 0), abs=0.1)
    assert measured["error_y"]["array"][-1] == pytest.approx(8, abs=0.1)
    assert set(trace(figure, "as drawn")["y"]) == {118.0}
    assert_plotly_takes_it(figure)


def test_an_unknown_interval_is_left_out() -> None:
    """An estimate without bounds is drawn without them."""
    one = LoopEstimate("x", NOW, NOW, NOW, 0.1, None, None, None, 0.1, None, None, None, 3)
    figure = figures.loop_trend([one, replace(one, at=NOW + 1, ohm_low=0.09, ohm_high=0.11)], WHEN)
    assert trace(figure, "measured, with its interval")["error_y"]["array"] == [None, 10.0]


def _series(channel: str, values: list[float], step: int = 3_600_000, missing: int | None = None) -> Series:
    kept = [i for i in range(len(values)) if i != missing]
    t = [DAYS[0].start + i * step for i in kept]
    mean = [values[i] for i in kept]
    return Series(channel, "°C", step, t, mean, [v - 1 for v in mean], [v + 1 for v in mean])


def test_the_box_shows_peak_limit_fan_and_gap() -> None:
    """The warmest hour is drawn, the limit stands above it, the fan's spans below, and a lost hour is a gap."""
    box = _series("enclosure.electrics.temperature", [20.0, 25, 30, 44, 30, 25], missing=2)
    fan = _series("fan.electrics.running", [0, 0, 0, 1, 1, 0])
    figure = figures.box_warmth(box, None, fan, 50.0, WHEN)
    assert 44 in trace(figure, "in the box")["y"]
    assert None in trace(figure, "in the box")["y"]
    assert 45 in trace(figure, "lowest to highest")["y"]
    assert trace(figure, "limit")["y"] == [50.0, 50.0]
    assert trace(figure, "fan told to run")["x"] == [2 * 3_600_000]
    assert_plotly_takes_it(figure)


def test_the_two_ways_of_the_fan_are_told_by_shape() -> None:
    """Running and stopped differ by their mark, not by colour."""
    figure = figures.cooling_trend([e for r in RESULTS for e in r.enclosures], WHEN)
    running, stopped = trace(figure, "fan told to run"), trace(figure, "fan stopped")
    assert running["marker"]["symbol"] != stopped["marker"]["symbol"]
    assert running["marker"]["color"] == stopped["marker"]["color"]
    assert_plotly_takes_it(figure)
