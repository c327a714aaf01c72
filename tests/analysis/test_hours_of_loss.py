"""In which part of the day a shortfall lies, told from the hours about true solar noon."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.rules.yield_shortfall import _mostly
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
