"""The benchmark of trends runs, and what it counts is what it should be."""

from __future__ import annotations

import datetime as dt

from tests.bench_trends import LOW, dirt, weak_side


def test_a_short_run_finds_the_weak_side() -> None:
    """Three September weeks: all found, none wrong."""
    low = weak_side(47.58, dt.date(2026, 9, 21), False, LOW, 3)
    assert (low.weeks, low.found, low.wrong) == (3, 3, 0)
    assert 0.0 < low.half_width < 0.06


def test_a_short_run_counts_the_slopes() -> None:
    assert [line.split("|")[2].strip() for line in dirt(5)] == ["5"] * 5
