"""Owns the comparison of alike arrays in the same moment as `assess --json` prints it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis import alike
from analysis.results_alike import AlikeDay

_DAYS_OWN = ("one_a_per_kw", "one_r2", "other_a_per_kw", "other_r2")


def entries(days: Sequence[AlikeDay]) -> list[dict[str, Any]]:
    """Each pair of alike arrays over a span: counts of intervals, their minutes, ratios, and the same of each day.

    Intervals of one day are of one length; where a span holds several, `interval_s` is the last day's, and the minutes
    are those of all.
    """
    pairs: dict[tuple[str, str], list[AlikeDay]] = {}
    for day in days:
        pairs.setdefault((day.one, day.other), []).append(day)
    return [_entry(one, other, mine) for (one, other), mine in sorted(pairs.items())]


def _entry(one: str, other: str, days: Sequence[AlikeDay]) -> dict[str, Any]:
    told = alike.together(days)
    return {
        "one": one,
        "other": other,
        "light": days[-1].light,
        "interval_s": days[-1].interval_ms / 1000,
        **_figures(told),
        "minutes": {key: sum(_minutes(d, key) for d in days) for key in alike.COUNTS},
        "low": _low(days, told),
        "days": [
            {
                "date": d.day.isoformat(),
                "interval_s": d.interval_ms / 1000,
                **_figures({key: getattr(d, key) for key in told}),
                "minutes": {key: _minutes(d, key) for key in alike.COUNTS},
                **{key: _rounded(getattr(d, key), 4) for key in _DAYS_OWN},
            }
            for d in days
        ],
    }


def _low(days: Sequence[AlikeDay], told: Mapping[str, Any]) -> str | None:
    """The one that was the lower in volts in most of the intervals apart by more than 10 %; None where neither was."""
    twice = 2 * told["one_low"]
    if twice == told["apart_10"]:
        return None
    return days[-1].one if twice > told["apart_10"] else days[-1].other


def _minutes(day: AlikeDay, key: str) -> float:
    return round(float(getattr(day, key)) * day.interval_ms / 60_000, 1)


def _figures(told: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: value if isinstance(value, int) else _rounded(value, 2 if key.endswith("_wh") else 4)
        for key, value in told.items()
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
