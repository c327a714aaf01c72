"""Owns the trends of arrays, and their comparison under grey skies, as `assess --json` prints them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis import twins
from analysis.results import TwinDay
from analysis.trends import Trend
from analysis.twins import Compared


def trend_entry(trend: Trend) -> dict[str, Any]:
    """How one array holds up, as it stands at the end of the span; by the clear days since it last changed."""
    return {
        "verdict": trend.verdict,
        "basis": trend.basis,
        "clear_days": len(trend.points),
        "from": trend.points[0].day.isoformat() if trend.points else None,
        "to": trend.points[-1].day.isoformat() if trend.points else None,
        "slope_percent_per_day": _percent(trend.slope, 4),
        "slope_low_percent_per_day": _percent(trend.low, 4),
        "slope_high_percent_per_day": _percent(trend.high, 4),
        "soiled_percent": _percent(trend.soiled, 2),
        "soiled_low_percent": _percent(trend.soiled_low, 2),
        "soiled_high_percent": _percent(trend.soiled_high, 2),
        "steps": [
            {"date": step.day.isoformat(), "rise_percent": _percent(step.rise, 2), "explained_by": step.note}
            for step in trend.steps
        ],
    }


def twin_entries(days: Sequence[TwinDay], changes: Mapping[str, Sequence[int]]) -> list[dict[str, Any]]:
    """Each pair of arrays under the grey skies of the span, since one of them last changed physically.

    The ratio is None where grey skies lasted too short to tell.
    """
    pairs = twins.since_changed(days, changes)
    return [twin_entry(one, other, of_pair) for (one, other), of_pair in sorted(pairs.items())]


def twin_entry(one: str, other: str, days: Sequence[TwinDay]) -> dict[str, Any]:
    """One pair of arrays over these days."""
    told = twins.compared(days, one)
    return {
        "array": one,
        "other": other,
        "grey_days": len(days),
        "grey_minutes": round(sum(d.minutes for d in days), 1),
        "ratio": round(told.ratio, 4) if told else None,
        "ratio_low": round(told.low, 4) if told else None,
        "ratio_high": round(told.high, 4) if told else None,
        "weak": twins.weak(told) if told else None,
        "weeks": [_week(week) for week in twins.weeks(days, one)],
    }


def _week(week: Compared) -> dict[str, Any]:
    return {
        "to": week.last.isoformat(),
        "ratio": round(week.ratio, 4),
        "ratio_low": round(week.low, 4),
        "ratio_high": round(week.high, 4),
    }


def _percent(share: float | None, digits: int) -> float | None:
    return None if share is None else round(100.0 * share, digits)
