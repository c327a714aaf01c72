"""Days are judged by the contract's rules, in their order, and sums of days by the same."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import states, verdicts, yields
from analysis.budget import Budget
from analysis.frames import Grid
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.results import PLANE, ArrayDay
from analysis.states import WORDS
from analysis.sun import DAY_MS
from tests.analysis import frames

GOOD: dict[str, Any] = {
    "completeness": 1.0, "judging_min": 300.0, "covered_wh": 0.0, "expected_wh": 1000.0, "limited_wh": 0.0,
    "judged_wh": 980.0, "judged_low_wh": 930.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({}, "healthy"),
        ({"completeness": 0.49}, "cannot tell"),
        ({"judging_min": 59.0}, "cannot tell"),
        ({"judging_min": 0.0, "covered_wh": 60.0}, "covered"),
        ({"covered_wh": 50.0}, "healthy"),
        ({"covered_wh": 51.0, "judged_wh": 500.0}, "covered"),
        ({"judged_wh": 0.929 * 930}, "shortfall"),
        ({"judged_wh": 0.931 * 930}, "healthy"),
        ({"judged_wh": 500.0, "limited_wh": 900.0}, "shortfall"),
        ({"limited_wh": 501.0}, "limited"),
        ({"limited_wh": 500.0}, "healthy"),
    ],
)
def test_the_first_rule_that_applies_gives_the_verdict(changed: dict[str, float], word: str) -> None:
    """Cannot tell, covered, shortfall, limited, healthy; the shortfall by the upper bound of the ratio."""
    assert verdicts.verdict(**(GOOD | changed)) == word


N = 24 * 60
GRID = Grid(frames.START + np.arange(N, dtype=np.int64) * 60_000, 60_000)
EVERYWHERE = np.ones(N, dtype=bool)


def judged_day(state: Any, measured: Any, expected: Any, plane: Any = 500.0) -> ArrayDay:
    settings = frames.settings()
    fill = np.full(N, np.nan)
    measured, expected, plane = (np.broadcast_to(np.asarray(x, dtype=float), N) for x in (measured, expected, plane))
    codes = np.broadcast_to(np.asarray(state, dtype=np.int8), N)
    said = Measured(measured, fill, fill, fill, fill, fill, np.full(N, -1), np.isfinite(measured))
    errors = Budget((0.1 / 1.96 * expected,), 0.0 * expected, 60_000)
    could = replace(frames.could(expected), low=0.9 * expected, high=1.1 * expected, errors=errors)
    none = np.zeros(N)
    kind, beam, glass = np.full(N, PLANE, np.int8), np.full(N, 0.7), np.ones(N)
    light = Light(plane, np.full(N, 0.02), 3.0, EVERYWHERE, kind, fill, beam, none, none, glass)
    record = (frames.START, frames.START + DAY_MS)
    held = yields.runs("a", codes, EVERYWHERE, GRID, frames.sun_day(), record, lambda code, a, b: WORDS[code])
    return yields.of_day(settings.array[0], frames.sun_day(), EVERYWHERE, GRID, light, said, could, codes, held)


def test_energies_run_over_the_same_intervals() -> None:
    """Where either is unknown neither counts; a night of small negative light counts as nothing."""
    measured = np.where(np.arange(N) < 720, 90.0, np.nan)
    plane = np.where(np.arange(N) < 600, 500.0, -3.0)
    day = judged_day(states.UNHINDERED, measured, 100.0, plane)
    assert day.measured_wh == pytest.approx(900.0)
    assert day.expected_wh == pytest.approx(1000.0)
    assert day.completeness == pytest.approx(0.5)
    assert day.judged_ratio == pytest.approx(0.9)
    assert day.judged_ratio_low == pytest.approx(0.9 / 1.1)
    assert day.judged_ratio_high == pytest.approx(1.0)
    assert day.performance_ratio == pytest.approx(90.0 / 200.0 / 0.5)


def test_a_limited_array_is_judged_by_its_free_hours_alone() -> None:
    """A bank full from noon: half of what the light allowed was taken, and nothing is wrong."""
    state = np.where(np.arange(N) < 720, states.UNHINDERED, states.BANK)
    measured = np.where(np.arange(N) < 720, 99.0, 10.0)
    day = judged_day(state, measured, 100.0)
    assert day.judged_ratio == pytest.approx(0.99)
    assert day.curtailed_wh == pytest.approx(90.0 * 12)
    assert day.verdict == "healthy"
    state = np.where(np.arange(N) < 700, states.UNHINDERED, states.BANK)
    assert judged_day(state, measured, 100.0).verdict == "limited"


@given(st.sampled_from(states.LIMITED), st.floats(0.0, 1.0), st.integers(0, N))
def test_a_limited_array_is_never_called_a_shortfall(state: int, share: float, until: int) -> None:
    """However little it gives while something holds it back, and however long: the free hours alone judge it."""
    codes = np.where(np.arange(N) < until, state, states.UNHINDERED)
    measured = np.where(np.arange(N) < until, 100.0 * share, 99.0)
    day = judged_day(codes, measured, 100.0)
    assert day.verdict != "shortfall"
    assert day.curtailed_wh == pytest.approx(100.0 * (1 - share) * until / 60)


def test_covered_hours_are_told_apart_from_the_judged() -> None:
    state = np.where(np.arange(N) < 240, states.COVERED, states.UNHINDERED)
    measured = np.where(np.arange(N) < 240, 2.0, 97.0)
    day = judged_day(state, measured, 100.0)
    assert day.covered_wh == pytest.approx(98.0 * 4)
    assert (day.verdict, day.cause) == ("covered", "snow")
    assert day.judged_ratio == pytest.approx(0.97)


@given(st.lists(st.integers(0, len(WORDS) - 1), min_size=1, max_size=40))
def test_state_runs_cover_the_day_once_and_say_what_each_minute_said(codes: list[int]) -> None:
    """Runs follow one another from the day's start to its stop; none repeats the state of the one before."""
    state = np.resize(np.repeat(np.array(codes, dtype=np.int8), 17), N)
    record = (frames.START, frames.START + DAY_MS)
    runs = yields.runs("a", state, EVERYWHERE, GRID, frames.sun_day(), record, lambda code, a, b: WORDS[code])
    assert runs[0].start == frames.START
    assert runs[-1].stop == frames.START + DAY_MS
    assert all(a.stop == b.start and a.state != b.state for a, b in itertools.pairwise(runs))
    for run in runs:
        first, last = (run.start - frames.START) // 60_000, (run.stop - frames.START) // 60_000
        assert {WORDS[c] for c in state[first:last]} == {run.state}


def test_days_add_up() -> None:
    """Over a span the energies are sums, and the verdict follows the same rules on the sums."""
    good = judged_day(states.UNHINDERED, 99.0, 100.0)
    bad = judged_day(states.UNHINDERED, 60.0, 100.0)
    sums = verdicts.over([good, bad])
    assert sums["measured_wh"] == pytest.approx((99.0 + 60.0) * 24)
    assert sums["verdict"] == "shortfall"
    assert verdicts.over([good, good])["verdict"] == "healthy"
    assert verdicts.over([])["measured_wh"] is None
    assert dt.timedelta(minutes=sum(good.states.values())) == dt.timedelta(days=1)
