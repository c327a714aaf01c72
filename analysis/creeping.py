"""Owns the loss that crept in on clear days since the last step: when it became worth a notice, and what ended it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from analysis.trends import Trend

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
    if trend.verdict != "soiling" or trend.slope is None or trend.low is None or trend.high is None:
        return []
    found = []
    for n, (a, b) in enumerate(trend.parts):
        part = trend.points[a:b]
        lost = [-trend.slope * (p.day - part[0].day).days for p in part]
        late = [p for p, share in zip(part, lost, strict=True) if share >= _WORTH_A_NOTICE]
        if len(late) < _DAYS:
            continue
        span = (part[-1].day - part[0].day).days
        step = trend.steps[n] if n < len(trend.steps) else None
        found.append(
            Crept(
                late[0].day, step.day if step else None, lost[-1], -trend.high * span, -trend.low * span, len(part),
                step.rise if step else None,
            )
        )  # fmt: skip
    return found
