"""Owns the figures of trends: the clear days of an array with their slope, and two arrays under grey skies."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.trends import Trend
from analysis.twins import LOW_BELOW, Compared
from dashboard.figures import FEW_DATES, MOST_POINTS, Figure
from dashboard.look import axis, colour, frame

_LAYOUT = {"margin": {"l": 56, "r": 12, "t": 26, "b": 34}}


def clear_days(trend: Trend) -> Figure:
    """What an array gave of what the light allowed on each clear day [%], its slope between steps, and the steps."""
    points = trend.points[-MOST_POINTS:]
    x = [p.day.isoformat() for p in points]
    y = np.array([100.0 * p.ratio for p in points])
    low, high = float(y.min(initial=100.0)), float(y.max(initial=100.0))
    return {
        "data": [
            *_slopes(trend),
            {
                "type": "scatter", "mode": "markers", "x": x, "y": np.round(y, 1).tolist(), "name": "clear day",
                "marker": {"size": 6, "color": colour("paper"), "line": {"width": 1.3, "color": colour("pen")}},
                "hovertemplate": "%{x|%e %B}: %{y:.0f} % of what the light allowed<extra></extra>",
            },
        ],
        "layout": frame(
            height=230,
            meta=FEW_DATES,
            xaxis=_dates([p.day for p in points]),
            yaxis=axis(
                range=[min(low - 4.0, 80.0), max(high + 4.0, 106.0)], ticksuffix=" %", nticks=5, showgrid=True,
                gridcolor=colour("rule"),
            ),
            shapes=[
                {
                    "type": "line", "xref": "x", "x0": step.day.isoformat(), "x1": step.day.isoformat(),
                    "yref": "paper", "y0": 0, "y1": 1, "layer": "below",
                    "line": {"color": colour("quiet"), "width": 1, "dash": "dot"},
                }
                for step in trend.steps
            ],
            **_LAYOUT,
        ),
    }  # fmt: skip


def _dates(days: Sequence[dt.date]) -> dict[str, Any]:
    """An axis of dates, none of them written twice."""
    few = {"nticks": 8} if len(days) < 2 or (days[-1] - days[0]).days > 6 else {"dtick": 86_400_000}
    return axis(type="date", tickformat="%e %b", tickangle=0, ticks="outside", **few)


def _slopes(trend: Trend) -> list[dict[str, Any]]:
    """For each part its line, and the shade between the steepest and the flattest that may be."""
    slope, low, high = trend.slope, trend.low, trend.high
    # What cannot be told is not drawn either.
    if slope is None or low is None or high is None or trend.verdict == "cannot tell":
        return []
    traces: list[dict[str, Any]] = []
    for a, b in trend.parts:
        days = np.array([p.day.toordinal() for p in trend.points[a:b]], dtype=float)
        if len(days) < 2:
            continue
        ratio = np.array([p.ratio for p in trend.points[a:b]])
        middle = float(days.mean())
        level = float(np.median(ratio - slope * (days - middle)))
        at = np.array([days[0], middle, days[-1]])
        x = [dt.date.fromordinal(round(t)).isoformat() for t in at]
        edges = [100.0 * (level + s * (at - middle)) for s in (low, high)]
        outline = np.concatenate([np.minimum(*edges), np.maximum(*edges)[::-1]])
        first = not traces
        traces += [
            {
                "type": "scatter", "mode": "lines", "x": [*x, *x[::-1]], "y": np.round(outline, 2).tolist(),
                "fill": "toself", "fillcolor": colour("band"), "line": {"width": 0, "color": colour("band")},
                "hoverinfo": "skip", "showlegend": False,
            },
            {
                "type": "scatter", "mode": "lines", "x": x, "hoverinfo": "skip", "name": "slope between steps",
                "y": np.round(100.0 * (level + slope * (at - middle)), 2).tolist(), "showlegend": first,
                "line": {"color": colour("pen"), "width": 1.3},
            },
        ]  # fmt: skip
    return traces


def grey_weeks(weeks: Sequence[Compared]) -> Figure:
    """One array against another by the grey light of the seven days up to each grey day [%], with its interval."""
    shown = weeks[-MOST_POINTS:]
    x = [week.last.isoformat() for week in shown]
    ratio, low, high = (np.array([100.0 * getattr(w, key) for w in shown]) for key in ("ratio", "low", "high"))
    floor, ceiling = 100.0 * LOW_BELOW, 100.0 / LOW_BELOW
    return {
        "data": [
            {
                "type": "scatter", "mode": "lines+markers", "x": x, "y": np.round(ratio, 1).tolist(),
                "name": "measured, with its interval", "showlegend": False,
                "line": {"color": colour("pen"), "width": 1.3}, "marker": {"size": 5, "color": colour("pen")},
                "error_y": {"type": "data", "symmetric": False, "array": np.round(high - ratio, 1).tolist(),
                            "arrayminus": np.round(ratio - low, 1).tolist(), "color": colour("hatch"),
                            "thickness": 1.2, "width": 3},
                "hovertemplate": "%{x|%e %B}: %{y:.0f} %<extra></extra>",
            }
        ],
        "layout": frame(
            height=200,
            meta=FEW_DATES,
            xaxis=_dates([week.last for week in shown]),
            yaxis=axis(
                range=[min(float(low.min(initial=90.0)), 88.0) - 2.0, max(float(high.max(initial=110.0)), 112.0) + 2.0],
                ticksuffix=" %", nticks=5,
            ),
            shapes=[
                {
                    "type": "rect", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": floor, "y1": ceiling,
                    "layer": "below", "fillcolor": colour("band"), "line": {"width": 0},
                }
            ],
            **_LAYOUT,
        ),
    }  # fmt: skip
