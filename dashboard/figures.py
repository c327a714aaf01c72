"""Owns the figures: plain plotly descriptions made from results, at most 2,000 points a trace, peaks kept."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.results import EnclosureEstimate, LoopEstimate, StateRun, SunDay
from dashboard.look import HATCHES, axis, colour, frame
from dashboard.wording import STATES, word
from dashboard.writing import LocalTime
from logger.record import Series

Figure = dict[str, Any]
Floats = npt.NDArray[np.float64]

MOST_POINTS = 2000
HOUR_MS = 3_600_000
# What changes on a phone; the browser puts it in.
FEW_DATES = {"narrow": {"xaxis": {"nticks": 5}}}
# Six minutes: a pen's width on a strip a thousand pixels long.
_STRIP_BUCKETS = 240
_ROW_PX, _STRIP_TOP = 52, 0.80


# -- thinning -------------------------------------------------------------------------------------------------


def thinned(y: Floats, most: int = MOST_POINTS) -> npt.NDArray[np.intp]:
    """Indices that keep each stretch's lowest and highest value and every gap, at most `most` of them.

    Parameters
    ----------
    y : (n,) array
        In the order of time; NaN in gaps.
    most : int
        Points that may be left.
    """
    n = len(y)
    if n <= most:
        return np.arange(n)
    # Lowest, highest and one gap of each bucket stay; the last bucket is filled up with gaps that are then dropped.
    wide = -(-n // (most // 3))
    padded = np.full(-(-n // wide) * wide, np.nan)
    padded[:n] = y
    buckets = padded.reshape(-1, wide)
    gap = np.isnan(buckets)
    places = np.stack([
        np.where(gap, np.inf, buckets).argmin(axis=1),
        np.where(gap, -np.inf, buckets).argmax(axis=1),
        gap.argmax(axis=1),
    ])  # fmt: skip
    has = np.stack([~gap.all(axis=1), ~gap.all(axis=1), gap.any(axis=1)])
    kept = np.unique((places + np.arange(len(buckets)) * wide)[has])
    return kept[kept < n]


def with_gaps(t: npt.NDArray[np.int64], step_ms: float, *columns: Floats) -> tuple[Floats, list[Floats]]:
    """Put a NaN wherever the next interval does not follow within one and a half steps, so that the line breaks."""
    breaks = np.flatnonzero(np.diff(t) > 1.5 * step_ms) + 1
    return (
        np.insert(t.astype(float), breaks, t[breaks - 1] + step_ms if len(breaks) else []),
        [np.insert(column.astype(float), breaks, np.nan) for column in columns],
    )


def _json(values: Floats, digits: int = 3) -> list[float | None]:
    return [None if math.isnan(v) else v for v in np.round(values, digits).tolist()]


def _band(x: Floats, low: Floats, high: Floats) -> tuple[list[float | None], list[float | None]]:
    """A closed outline around each stretch in which both edges are known."""
    known = ~(np.isnan(low) | np.isnan(high))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
    xs: list[float | None] = []
    ys: list[float | None] = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        part = slice(start, stop)
        xs += [*_json(x[part], 4), *_json(x[part][::-1], 4), None]
        ys += [*_json(low[part]), *_json(high[part][::-1]), None]
    return xs[:-1], ys[:-1]


# -- day strips -----------------------------------------------------------------------------------------------


def day_strips(
    days: Sequence[SunDay], expected: pd.DataFrame, runs: Sequence[StateRun], rated_w: float, when: LocalTime
) -> Figure:
    """One row a solar day, twelve hours either side of true solar noon, noon in one line through all of them.

    Parameters
    ----------
    days : sequence of SunDay
        Top to bottom.
    expected : pandas.DataFrame
        As `Results.expected` gives it [W].
    runs : sequence of StateRun
        The array's states over these days.
    rated_w : float
        Power at standard test conditions [W]; no row is drawn higher than the tallest value or a third of this.
    when : LocalTime
        For labels.
    """
    # The frame's index may count in any unit.
    t = expected.index.as_unit("ms").asi8 if len(expected) else np.array([], dtype=np.int64)  # type: ignore[attr-defined]
    peak = float(np.nanmax(expected[["high_w", "measured_w"]].to_numpy(), initial=0.0)) if len(expected) else 0.0
    top = max(peak, rated_w / 3, 1.0)
    traces: list[Figure] = []
    for row, day in enumerate(days):
        part = slice(*np.searchsorted(t, [day.start, day.stop]))
        if part.stop > part.start:
            traces += _strip(row, day, t[part], expected.iloc[part], top, when)
    traces += _state_bars(days, runs)
    count = len(days)
    layout = frame(
        height=max(count, 1) * _ROW_PX + 92,
        barmode="overlay",
        xaxis=axis(
            range=[-12, 12],
            tickvals=[-12, -9, -6, -3, 0, 3, 6, 9, 12],
            ticktext=["−12 h", "−9", "−6", "−3", "noon", "+3", "+6", "+9", "+12 h"],
            ticks="outside",
        ),
        yaxis=axis(
            range=[-(count - 1) - 0.42, 0.98],
            tickvals=[-row + 0.15 for row in range(count)],
            ticktext=[when.weekday(day.day) for day in days],
        ),
        shapes=[
            *({"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": -row, "y1": -row, "layer": "below",
               "line": {"color": colour("rule"), "width": 1}} for row in range(count)),
            {"type": "line", "xref": "x", "x0": 0, "x1": 0, "yref": "paper", "y0": 0, "y1": 1, "layer": "above",
             "line": {"color": colour("noon"), "width": 1}},
        ],
        margin={"l": 62, "r": 26, "t": 26, "b": 34},
        meta={"narrow": {"margin": {"l": 52, "r": 20, "t": 26, "b": 34}}},
    )  # fmt: skip
    return {"data": traces, "layout": layout}


def _strip(
    row: int, day: SunDay, t: npt.NDArray[np.int64], part: pd.DataFrame, top: float, when: LocalTime
) -> list[Figure]:
    step = float(part["interval_ms"].median())
    names = ("measured_w", "expected_w", "low_w", "high_w")
    gapped, columns = with_gaps(t, step, *(part[name].to_numpy(dtype=float) for name in names))
    measured, expected, low, high = columns
    x = (gapped + step / 2 - day.noon) / HOUR_MS
    scale = _STRIP_TOP / top
    bucket = np.floor((x + 12) / 24 * _STRIP_BUCKETS)
    starts = np.flatnonzero(np.diff(bucket, prepend=bucket[0] - 1))
    # In a bucket the band keeps its outer edges; a bucket that holds a gap is a gap.
    band_x, band_y = _band(
        np.add.reduceat(x, starts) / np.diff(np.append(starts, len(x))),
        np.minimum.reduceat(low, starts) * scale - row,
        np.maximum.reduceat(high, starts) * scale - row,
    )
    kept = thinned(measured, 2 * _STRIP_BUCKETS)
    first = row == 0
    return [
        {
            "type": "scatter", "mode": "lines", "x": band_x, "y": band_y, "fill": "toself", "fillcolor": colour("band"),
            "line": {"width": 0, "color": colour("band")}, "hoverinfo": "skip", "name": "what the light allowed",
            "legendgroup": "band", "showlegend": first,
        },
        {
            "type": "scatter", "mode": "lines", "x": _json(x[kept], 4), "y": _json(measured[kept] * scale - row),
            "line": {"width": 1.3, "color": colour("pen")}, "connectgaps": False, "name": "what it got",
            "legendgroup": "pen", "showlegend": first,
            "customdata": [
                list(point)
                for point in zip(
                    _clocks(gapped[kept], when), _json(measured[kept], 0), _json(expected[kept], 0), strict=True
                )
            ],
            "hovertemplate": f"{when.weekday(day.day)} %{{customdata[0]}}: got %{{customdata[1]}} W "
                             "of %{customdata[2]} W<extra></extra>",
        },
    ]  # fmt: skip


def _clocks(t: Floats, when: LocalTime) -> list[str]:
    """Local hours and minutes of many moments; a zone's offset changes on quarters of an hour alone."""
    quarters, which = np.unique(t // 900_000, return_inverse=True)
    offsets = [when.local(int(q) * 900_000).utcoffset() or dt.timedelta() for q in quarters.tolist()]
    shift = np.array([offset.total_seconds() * 1000 for offset in offsets])
    minutes = ((t + shift[which] + 30_000) // 60_000 % 1440).astype(int)
    return [f"{m // 60:02}:{m % 60:02}" for m in minutes.tolist()]


def _state_bars(days: Sequence[SunDay], runs: Sequence[StateRun]) -> list[Figure]:
    bars: dict[str, list[tuple[float, float, int, str]]] = {}
    for row, day in enumerate(days):
        for run in runs:
            start, stop = max(run.start, day.start), min(run.stop, day.stop)
            if run.state in HATCHES and stop > start:
                base = (start - day.noon) / HOUR_MS
                bars.setdefault(run.state, []).append((base, (stop - start) / HOUR_MS, row, run.evidence))
    traces: list[Figure] = []
    for state, hatch in HATCHES.items():
        found = bars.get(state)
        if not found:
            continue
        # Should a record flicker, its longest spans say most.
        found = sorted(sorted(found, key=lambda bar: -bar[1])[:MOST_POINTS], key=lambda bar: (bar[2], bar[0]))
        traces.append({
            "type": "bar", "orientation": "h", "name": word(STATES, state),
            "base": [round(bar[0], 4) for bar in found], "x": [round(bar[1], 4) for bar in found],
            "y": [-bar[2] - 0.15 for bar in found], "width": 0.19,
            "marker": {
                "color": colour("paper") if hatch.shape else colour("hatch"),
                "line": {"width": 0.8 if hatch.outlined else 0, "color": colour("hatch")},
                "pattern": {"shape": hatch.shape, "solidity": hatch.solidity, "size": hatch.pitch,
                            "fgcolor": colour("hatch"), "bgcolor": colour("paper")},
            },
            "customdata": [bar[3] for bar in found],
            "hovertemplate": word(STATES, state) + ": %{customdata}<extra></extra>",
        })  # fmt: skip
    return traces


# -- runs of cable --------------------------------------------------------------------------------------------


def _dates(moments: Sequence[int], when: LocalTime) -> list[str]:
    return [f"{when.local(t):%Y-%m-%dT%H:%M}" for t in moments]


def loop_trend(estimates: Sequence[LoopEstimate], when: LocalTime) -> Figure:
    """Resistance of one run of cable over time [mΩ], its 95 % interval and the design line."""
    known = [e for e in estimates if e.ohm is not None][-MOST_POINTS:]
    ohm = np.array([e.ohm for e in known], dtype=float) * 1000
    low = np.array([e.ohm_low if e.ohm_low is not None else np.nan for e in known], dtype=float) * 1000
    high = np.array([e.ohm_high if e.ohm_high is not None else np.nan for e in known], dtype=float) * 1000
    x = _dates([e.at for e in known], when)
    top = float(np.nanmax(np.concatenate([ohm, high, [1000 * e.design_ohm for e in known]]), initial=1.0))
    return {
        "data": [
            {
                "type": "scatter", "mode": "lines", "x": x, "y": [round(1000 * e.design_ohm, 1) for e in known],
                "line": {"color": colour("quiet"), "width": 1, "dash": "dash"}, "name": "as drawn", "hoverinfo": "skip",
            },
            {
                "type": "scatter", "mode": "lines+markers", "x": x, "y": _json(ohm, 1),
                "name": "measured, with its interval",
                "line": {"color": colour("pen"), "width": 1.3}, "marker": {"size": 5, "color": colour("pen")},
                "error_y": {"type": "data", "symmetric": False, "array": _json(high - ohm, 1),
                            "arrayminus": _json(ohm - low, 1), "color": colour("hatch"), "thickness": 1.2, "width": 3},
                "hovertemplate": "%{x|%e %B}: %{y:.0f} mΩ<extra></extra>",
            },
        ],
        "layout": frame(
            height=250,
            meta=FEW_DATES,
            xaxis=axis(type="date", tickformat="%e %b", nticks=8, tickangle=0, ticks="outside"),
            yaxis=axis(range=[0, 1.12 * top], ticksuffix=" mΩ", nticks=5, showgrid=True, gridcolor=colour("rule")),
            margin={"l": 72, "r": 12, "t": 26, "b": 34},
        ),
    }  # fmt: skip


# -- box ------------------------------------------------------------------------------------------------------


def box_warmth(box: Series, air: Series | None, fan: Series | None, limit_c: float | None, when: LocalTime) -> Figure:
    """Temperature in the box over time [°C]: the pen line, its extremes as a shade, the limit, and when the fan ran."""
    step = float(box.step_ms)
    t, (mean, low, high) = with_gaps(
        np.array(box.t, dtype=np.int64), step, np.array(box.mean), np.array(box.low), np.array(box.high)
    )
    kept = thinned(high)
    x = _dates([int(moment) for moment in (t[kept] + step / 2).tolist()], when)
    band_x, band_y = _band(np.arange(len(kept), dtype=float), low[kept], high[kept])
    traces: list[Figure] = [
        {
            "type": "scatter", "mode": "lines", "x": [None if i is None else x[int(i)] for i in band_x], "y": band_y,
            "fill": "toself", "fillcolor": colour("band"), "line": {"width": 0, "color": colour("band")},
            "hoverinfo": "skip", "name": "lowest to highest", "showlegend": step > 60_000,
        },
        {
            "type": "scatter", "mode": "lines", "x": x, "y": _json(mean[kept], 2), "name": "in the box",
            "line": {"color": colour("pen"), "width": 1.3},
            "hovertemplate": "%{x|%e %B %H:%M}: %{y:.1f} °C<extra></extra>",
        },
    ]  # fmt: skip
    if air and air.t:
        ta, (breathed,) = with_gaps(np.array(air.t, dtype=np.int64), float(air.step_ms), np.array(air.mean))
        kept = thinned(breathed)
        traces.append({
            "type": "scatter", "mode": "lines", "y": _json(breathed[kept], 2), "name": "air it breathes",
            "x": _dates([int(moment) for moment in (ta[kept] + air.step_ms / 2).tolist()], when),
            "line": {"color": colour("quiet"), "width": 1.1, "dash": "dot"},
            "hovertemplate": "%{x|%e %B %H:%M}: %{y:.1f} °C outside the box<extra></extra>",
        })  # fmt: skip
    if limit_c is not None and len(t):
        traces.append({
            "type": "scatter", "mode": "lines", "x": _dates([int(t[0]), int(t[-1] + step)], when), "y": [limit_c] * 2,
            "line": {"color": colour("alert"), "width": 1.2, "dash": "dash"}, "name": "limit", "hoverinfo": "skip",
        })  # fmt: skip
    floor = float(np.nanmin(low, initial=20.0)) - 4
    if fan:
        traces += _fan_bars(fan, floor, when)
    ceiling = max(float(np.nanmax(high, initial=0.0)), limit_c or 0.0) + 3
    return {
        "data": traces,
        "layout": frame(
            height=310,
            meta=FEW_DATES,
            barmode="overlay",
            xaxis=axis(type="date", tickformat="%e %b", nticks=8, tickangle=0, ticks="outside"),
            yaxis=axis(range=[floor - 2, ceiling], ticksuffix=" °C", nticks=6, showgrid=True, gridcolor=colour("rule")),
        ),
    }


def _fan_bars(fan: Series, y: float, when: LocalTime) -> list[Figure]:
    spans: list[list[int]] = []
    for t, share in zip(fan.t, fan.mean, strict=True):
        if share < 0.5:
            continue
        if spans and t <= spans[-1][1]:
            spans[-1][1] = t + fan.step_ms
        else:
            spans.append([t, t + fan.step_ms])
    spans = spans[-MOST_POINTS:]
    if not spans:
        return []
    return [{
        "type": "bar", "orientation": "h", "name": "fan told to run", "y": [y] * len(spans), "width": 2,
        "base": _dates([start for start, _ in spans], when), "x": [stop - start for start, stop in spans],
        "marker": {"color": colour("paper"), "line": {"width": 0.8, "color": colour("hatch")},
                   "pattern": {"shape": "/", "solidity": 0.3, "size": 5, "fgcolor": colour("hatch"),
                               "bgcolor": colour("paper")}},
        "hoverinfo": "skip",
    }]  # fmt: skip


_FAN = {
    "running": ("fan told to run", "circle"),
    "stopped": ("fan stopped", "circle-open"),
    "untold": ("not known whether the fan ran", "x-thin-open"),
}


def cooling_trend(estimates: Sequence[EnclosureEstimate], when: LocalTime) -> Figure:
    """How hard the box is to cool, day by day [K/W], once for each way the fan was told."""
    traces: list[Figure] = []
    for fan, (name, symbol) in _FAN.items():
        known = [e for e in estimates if e.fan == fan and e.thermal_resistance_k_per_w is not None][-MOST_POINTS:]
        if not known:
            continue
        value = np.array([e.thermal_resistance_k_per_w for e in known], dtype=float)
        low, high = (
            np.array([getattr(e, side) if getattr(e, side) is not None else np.nan for e in known], dtype=float)
            for side in ("low_k_per_w", "high_k_per_w")
        )
        traces.append({
            "type": "scatter", "mode": "markers", "name": name, "x": _dates([e.at for e in known], when),
            "y": _json(value),
            "marker": {"symbol": symbol, "size": 8, "color": colour("pen"),
                       "line": {"color": colour("pen"), "width": 1.4}},
            "error_y": {"type": "data", "symmetric": False, "array": _json(high - value),
                        "arrayminus": _json(value - low), "color": colour("hatch"), "thickness": 1.1, "width": 3},
            "hovertemplate": "%{x|%e %B}: %{y:.2f} K/W<extra></extra>",
        })  # fmt: skip
    return {
        "data": traces,
        "layout": frame(
            height=230,
            meta=FEW_DATES,
            xaxis=axis(type="date", tickformat="%e %b", nticks=8, tickangle=0, ticks="outside"),
            yaxis=axis(rangemode="tozero", ticksuffix=" K/W", nticks=5, showgrid=True, gridcolor=colour("rule")),
            margin={"l": 84, "r": 12, "t": 26, "b": 34},
        ),
    }
