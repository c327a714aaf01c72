"""How errors add up over a day."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.budget import PASSING_MS, Budget

N = 600
ALL = np.ones(N, dtype=bool)
NOTHING = np.zeros(N)


def test_a_gain_adds_as_it_stands() -> None:
    """Two per cent of every minute are two per cent of the day."""
    power = np.linspace(10.0, 100.0, N)
    assert Budget((0.02 * power,), NOTHING, 60_000).over(ALL) == pytest.approx(0.02 * power.sum())


def test_what_lifts_the_morning_and_lowers_the_afternoon_cancels() -> None:
    lean = np.where(np.arange(N) < N // 2, 5.0, -5.0)
    errors = Budget((lean,), NOTHING, 60_000)
    assert errors.over(ALL) == pytest.approx(0.0)
    assert errors.over(np.arange(N) < N // 2) == pytest.approx(5.0 * N / 2)
    assert errors.each == pytest.approx(5.0)


def test_causes_add_in_squares() -> None:
    errors = Budget((np.full(N, 3.0), np.full(N, 4.0)), NOTHING, 60_000)
    assert errors.each == pytest.approx(5.0)
    assert errors.over(ALL) == pytest.approx(5.0 * N)


def test_what_passes_adds_like_a_process_that_forgets_itself() -> None:
    """Against many days of such a process, made by its own recurrence."""
    keep = np.exp(-60_000 / PASSING_MS)
    rng = np.random.default_rng(1)
    n, days = 4000, 3000
    state = rng.standard_normal(days)
    total = np.zeros(days)
    for _ in range(n):
        total += state
        state = keep * state + np.sqrt(1 - keep**2) * rng.standard_normal(days)
    told = Budget((np.zeros(n),), np.ones(n), 60_000).over(np.ones(n, dtype=bool))
    assert told == pytest.approx(total.std(), rel=0.05)
