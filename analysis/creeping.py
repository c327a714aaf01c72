"""Owns the loss that crept in on clear days since the last step: when it became worth a notice, and what ended it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.trends import Point, Trend, pooled_slope, slope_verdict

# Five per cent on five clear days; common practice, no source.
_WORTH_A_NOTICE, _DAYS = 0.05, 5


@dataclass(frozen=True, slots=True)
class Crept:
    """A loss between two steps.

    Attributes
    ----------
    since : datetime.date
        The first clear day on which it had come to what is worth a notice.
    until : datetime.date or None
        The first clear day of the next level; None where there is none.
    lost, low, high : float
        Lost by its last clear day, as a share, with the 95 % interval.
    days : int
        Clear days of the stretch in which it crept in.
    washed : float or None
        What the step at its end brought back, as a share.
    """

    since: dt.date
    until: dt.date | None
    lost: float
    low: float
    high: float
    days: int
    washed: float | None


def of_trend(trend: Trend) -> list[Crept]:
    """Each stretch between two steps in which the slope took so much on so many clear days; none of a sound array."""
    found = []
    for n, (a, b) in enumerate(trend.parts):
        part = trend.points[a:b]
        told = _slope(trend, part)
        if told is None:
            continue
        slope, low, high = told
        lost = [-slope * (p.day - part[0].day).days for p in part]
        late = [p for p, share in zip(part, lost, strict=True) if share >= _WORTH_A_NOTICE]
        if len(late) < _DAYS:
            continue
        span = (part[-1].day - part[0].day).days
        step = trend.steps[n] if n < len(trend.steps) else None
        found.append(
            Crept(
                late[0].day, step.day if step else None, lost[-1], -high * span, -low * span, len(part),
                step.rise if step else None,
            )
        )  # fmt: skip
    return found


def _slope(trend: Trend, part: Sequence[Point]) -> tuple[float, float, float] | None:
    """The slope of all stretches together, with its interval; where that shows no dirt, since it rained for weeks in
    another one, the stretch's own; None of a stretch that stayed clean."""
    if trend.verdict == "soiling" and trend.slope is not None and trend.low is not None and trend.high is not None:
        return trend.slope, trend.low, trend.high
    t = np.array([p.day.toordinal() for p in part], dtype=float)
    slope, low, high = pooled_slope([(t, np.array([p.ratio for p in part]))])
    if slope is None or low is None or high is None:
        return None
    return (slope, low, high) if slope_verdict(slope, low, high, t[-1] - t[0]) == "soiling" else None
