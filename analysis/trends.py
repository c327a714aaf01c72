"""Owns how an array holds up over weeks: the slope of its clear days between cleanings, and the steps between them.

After the stochastic rate and recovery method (Deceglie, Micheli and Muller 2018, IEEE Journal of Photovoltaics 8(2),
from memory): days of clear light, cleanings told as steps, a robust slope between two of them. Its Monte Carlo wants
months of clean intervals, which a vessel seldom has; here the slopes of all pairs of days that no step parts are pooled
as Hirsch, Slack and Smith (1982) pool those of seasons, with the interval of Gilbert (1987) for the same.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.expected import NINETY_FIVE
from analysis.explained import Explained, without_cables, without_findings
from analysis.results import ArrayDay, Note, ratio
from analysis.results_reading import Results
from analysis.sun import DAY_MS, Floats
from analysis.verdicts import RELATIVE
from logger.settings import Settings

REACH_DAYS = 120
# A day tells something where its clear, unhindered light was worth this many hours at rated power; a span of days
# where there are so many, so far apart; common practice, no source.
_LEAST_HOURS = 0.5
_LEAST_DAYS, _LEAST_SPAN_DAYS = 6, 10.0
# Without a light sensor the clear days are those near the best of the days around.
_NEAR_BEST, _AROUND_DAYS = 0.92, 15
# A step: of this size and of this many standard deviations; common practice, no source.
_LEAST_STEP, _STEP_SIGMAS = 0.02, 3.8
_BESIDE = 5
_NOTE_DAYS = 2
# A fall worth a word over the longest clean interval, and what of it must be beyond doubt; a slope that is no soiling,
# a day: the rate of Kimber et al. (2006) that pvlib takes for soiling where nobody measured it.
_WORTH_SAYING, _BEYOND_DOUBT = 0.02, 0.01
_NO_SOILING = 0.0015

LIGHT, CLEAR_SKY = "light", "clear sky"
_CLEANED = re.compile(r"\b(wash|clean|rins|wipe|wiping|hosed|hosing|scrub|brush|swept|sweep)\w*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Step:
    """A change from one clear day to the next: on the first day of the new level, by how much, and what explains it.

    `rise` is a share of what the light allowed; `note` the words of the logbook, None where nobody wrote any.
    """

    day: dt.date
    rise: float
    note: str | None


@dataclass(frozen=True, slots=True)
class Point:
    """One clear day: what the array gave of what the light allowed while nothing held it back."""

    day: dt.date
    ratio: float


@dataclass(frozen=True, slots=True)
class Trend:
    """How an array holds up.

    Attributes
    ----------
    array : str
    basis : str
        ``light`` or ``clear sky``: what its clear days are measured against.
    points : tuple of Point
        The clear days since the array last changed, in order.
    parts : tuple of (int, int)
        Which points belong to one clean interval: first, and one past the last.
    slope, low, high : float or None
        Change of the ratio a day between steps, with its 95 % interval; None where it cannot be told.
    steps : tuple of Step
    soiled, soiled_low, soiled_high : float or None
        Lost since the last step by that slope, as a share.
    verdict : str
        ``soiling``, ``steady``, ``rising`` or ``cannot tell``.
    explained : tuple of Explained
        Losses that something else explains, and that are in none of this.
    """

    array: str
    basis: str
    points: tuple[Point, ...]
    parts: tuple[tuple[int, int], ...]
    slope: float | None
    low: float | None
    high: float | None
    steps: tuple[Step, ...]
    soiled: float | None
    soiled_low: float | None
    soiled_high: float | None
    verdict: str
    explained: tuple[Explained, ...] = ()


def of_array(array: str, days: Sequence[ArrayDay], notes: Sequence[Note] = (), changes: Sequence[int] = ()) -> Trend:
    """The trend of one array over the days given, as it stands at their end.

    Parameters
    ----------
    days : sequence of ArrayDay
        Of this array, in order; those before its last physical change, and older than `REACH_DAYS`, are left out.
    notes : sequence of Note
        Of the logbook.
    changes : sequence of int
        When the array changed physically, UTC [ms].
    """
    begin = max([change for change in changes if days and change <= days[-1].start], default=0)
    if days:
        begin = max(begin, days[-1].start - REACH_DAYS * DAY_MS)
    basis, points = clear_days([d for d in days if d.start >= begin])
    if len(points) < 2:
        return Trend(
            array, basis, tuple(points), ((0, len(points)),), None, None, None, (), None, None, None, "cannot tell"
        )
    t = np.array([p.day.toordinal() for p in points], dtype=float)
    y = np.array([p.ratio for p in points])
    cleaned = [(_day_of(n.t), n.text) for n in notes if tells_cleaning(n, array)]
    breaks = _breaks(t, y, [day for day, _ in cleaned])
    edges = [0, *breaks, len(points)]
    parts = tuple(pairwise(edges))
    slope, low, high = pooled_slope([(t[a:b], y[a:b]) for a, b in parts])
    steps = tuple(
        Step(points[i].day, _shift(t, y, slope or 0.0, i, edges), _note_for(points[i - 1].day, points[i].day, cleaned))
        for i in breaks
    )
    since = t[-1] - t[edges[-2]]
    soiled = [None if s is None else -s * since for s in (slope, high, low)]
    return Trend(
        array, basis, tuple(points), parts, slope, low, high, steps, soiled[0], soiled[1], soiled[2],
        slope_verdict(slope, low, high, max(t[b - 1] - t[a] for a, b in parts)),
    )  # fmt: skip


def of_results(results: Results, settings: Settings, last: dt.date) -> dict[str, Trend]:
    """The trend of each array as it stands on a day, without the losses that a run or a finding explains."""
    days = results.array_days(last - dt.timedelta(REACH_DAYS), last)
    notes, changes, loops = results.notes(), results.changes(), results.loops()
    findings = results.findings()
    trends = {}
    for name in sorted({d.array for d in days}):
        free, by_findings = without_findings([d for d in days if d.array == name], findings)
        free, by_cables = without_cables(free, settings, loops)
        trend = of_array(name, free, notes, changes.get(f"array.{name}", ()))
        trends[name] = replace(trend, explained=(*by_cables, *by_findings))
    return trends


def clear_days(days: Sequence[ArrayDay]) -> tuple[str, list[Point]]:
    """The days with clear, unhindered light, and what they are measured against.

    With a light sensor a day counts by its beam light. Without one the clear sky is the measure: of a day near the best
    of those around, what the array gave of what a cloudless sky gives.
    """
    found = []
    for d in days:
        got, could = d.features.get("beam", (0.0, 0.0))
        if could >= _LEAST_HOURS * d.rated_w and d.evidence not in RELATIVE:
            found.append(Point(d.day, got / could))
    if found:
        return LIGHT, found
    bare = [
        Point(d.day, index)
        for d in days
        if d.evidence in RELATIVE and (d.judged_high_wh or 0.0) >= 2 * _LEAST_HOURS * d.rated_w
        if (index := ratio(d.judged_measured_wh, d.judged_high_wh)) is not None
    ]
    near = dt.timedelta(_AROUND_DAYS)
    return CLEAR_SKY, [
        p for p in bare if p.ratio >= _NEAR_BEST * max(q.ratio for q in bare if abs(q.day - p.day) <= near)
    ]


def pooled_slope(parts: Sequence[tuple[Floats, Floats]]) -> tuple[float | None, float | None, float | None]:
    """Median of the slopes of all pairs that lie in one part, with its 95 % interval.

    Parameters
    ----------
    parts : sequence of (ndarray, ndarray)
        Times, ascending, and values of each part.

    Returns
    -------
    tuple of float or None
        Slope, low, high; None where there are too few points, or they lie too close.

    Notes
    -----
    Values on days that follow one another err alike: the variance of Kendall's score is widened by (1 + r)/(1 - r),
    with r the correlation of neighbours about the line.
    """
    parts = [(t, y) for t, y in parts if len(t) >= 2]
    slopes = np.concatenate([_slopes(t, y) for t, y in parts]) if parts else np.empty(0)
    n = sum(len(t) for t, _ in parts)
    if n < _LEAST_DAYS or max(t[-1] - t[0] for t, _ in parts) < _LEAST_SPAN_DAYS:
        return None, None, None
    middle = float(np.median(slopes))
    variance = sum(len(t) * (len(t) - 1) * (2 * len(t) + 5) / 18.0 for t, _ in parts)
    alike = _neighbours(parts, middle)
    reach = NINETY_FIVE * math.sqrt(variance * (1.0 + alike) / (1.0 - alike))
    ranked = np.sort(slopes)
    first, last = (len(ranked) - reach) / 2.0 - 1.0, (len(ranked) + reach) / 2.0
    if first < 0 or last > len(ranked) - 1:
        return None, None, None
    low, high = np.interp([first, last], np.arange(len(ranked)), ranked)
    return middle, float(low), float(high)


def _slopes(t: Floats, y: Floats) -> Floats:
    i, j = np.triu_indices(len(t), 1)
    return np.asarray((y[j] - y[i]) / (t[j] - t[i]))


def _neighbours(parts: Sequence[tuple[Floats, Floats]], slope: float) -> float:
    """Correlation of neighbouring days about the line, between 0 and 0.8."""
    left: list[Floats] = []
    right: list[Floats] = []
    for t, y in parts:
        about = y - slope * t
        about = about - np.median(about)
        left.append(about[:-1])
        right.append(about[1:])
    one, other = np.concatenate(left), np.concatenate(right)
    whole = math.sqrt(float((one**2).sum() * (other**2).sum()))
    return min(max(float((one * other).sum()) / whole, 0.0), 0.8) if whole > 0 else 0.0


def tells_cleaning(note: Note, array: str) -> bool:
    """Whether modules were cleaned, and those of this array among them: all of them, where no subject is named."""
    if not _CLEANED.search(f"{note.text} {note.tags}"):
        return False
    subjects = {tag.strip() for tag in note.tags.split(",") if "." in tag}
    return f"array.{array}" in subjects if subjects else True


# -- steps ----------------------------------------------------------------------------------------------------


def _breaks(t: Floats, y: Floats, cleaned: Sequence[dt.date]) -> list[int]:
    """Positions at which a new level begins: wherever modules were cleaned, then where the values say so.

    The largest step is taken first; the drift between steps and the scatter about it are worked out anew each time.
    """
    found = {i for day in cleaned if (i := _first_clean(t, y, day)) is not None}
    for _ in range(len(t) // _BESIDE):
        edges = [0, *sorted(found), len(t)]
        flat = y - _drift([(t[a:b], y[a:b]) for a, b in pairwise(edges)]) * t
        jumps = np.concatenate([np.diff(flat[a:b]) for a, b in pairwise(edges)])
        if len(jumps) < 2 * _BESIDE:
            break
        sigma = 1.4826 * float(np.median(np.abs(jumps - np.median(jumps)))) / math.sqrt(2.0)
        steps = [(*_largest(flat[a:b], sigma), a, b) for a, b in pairwise(edges) if b - a > 3]
        worth, i, a, b = max(steps, default=(0.0, 0, 0, 0))
        if worth < 1.0:
            break
        found.add(_place(flat, a + i, a, b))
    return sorted(found)


def _first_clean(t: Floats, y: Floats, day: dt.date) -> int | None:
    """The first clear day after a wash; the day of the wash itself, where the values jump on it."""
    places = {int(np.searchsorted(t, day.toordinal(), side=side)) for side in ("left", "right")}
    return max((i for i in places if 0 < i < len(t)), key=lambda i: float(y[i] - y[i - 1]), default=None)


def _largest(y: Floats, sigma: float) -> tuple[float, int]:
    """The step that is largest against the least that counts, as a multiple of that, and where it is."""
    i = np.arange(2, len(y) - 1)
    after, before = np.minimum(_BESIDE, len(y) - i), np.minimum(_BESIDE, i)
    levels = _levels(y)
    limit = np.maximum(_LEAST_STEP, _STEP_SIGMAS * 1.25 * sigma * np.sqrt(1.0 / after + 1.0 / before))
    worth = np.abs(levels[i + _BESIDE] - levels[i]) / limit
    best = int(np.argmax(worth))
    return float(worth[best]), int(i[best])


def _levels(y: Floats) -> Floats:
    """Medians of the values just before each place, 0 to n, and after it those from place `_BESIDE` on."""
    beyond = np.full(_BESIDE, np.nan)
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(np.concatenate([beyond, y, beyond]), _BESIDE), axis=1)
    held, row = np.isfinite(windows).sum(axis=1), np.arange(len(windows))
    return np.asarray((windows[row, (held - 1) // 2] + windows[row, np.minimum(held // 2, _BESIDE - 1)]) / 2)


def _place(y: Floats, i: int, begin: int, end: int) -> int:
    """Where near a place two levels lie closest to the values on either side."""
    first, last = max(begin, i - 2 * _BESIDE), min(end, i + 2 * _BESIDE)

    def miss(k: int) -> float:
        return float(sum(np.abs(side - np.median(side)).sum() for side in (y[first:k], y[k:last])))

    return min(range(max(i - _BESIDE, first + 1), min(i + _BESIDE, last)), key=miss)


def _drift(parts: Sequence[tuple[Floats, Floats]]) -> float:
    """Slope by pairs of days not far apart: few of them have a step between them."""
    slopes = []
    for t, y in parts:
        i, j = np.triu_indices(len(t), 1)
        apart = t[j] - t[i]
        near = (apart >= 3) & (apart <= 10)
        slopes.append((y[j] - y[i])[near] / apart[near])
    found = np.concatenate(slopes)
    return float(np.median(found)) if len(found) >= _BESIDE else 0.0


def _beside(y: Floats, i: int, begin: int, end: int) -> float:
    after, before = y[i : min(i + _BESIDE, end)], y[max(i - _BESIDE, begin) : i]
    return float(np.median(after) - np.median(before))


def _shift(t: Floats, y: Floats, slope: float, i: int, edges: Sequence[int]) -> float:
    """Between the last day before and the first day after: the levels beside, led to those days by the slope."""
    at = edges.index(i)
    return _beside(y - slope * t, i, edges[at - 1], edges[at + 1]) + slope * float(t[i] - t[i - 1])


def _note_for(before: dt.date, first: dt.date, cleaned: Sequence[tuple[dt.date, str]]) -> str | None:
    """The words of a cleaning between two clear days, or close beside them."""
    near = dt.timedelta(_NOTE_DAYS)
    return next((text for day, text in cleaned if before - near <= day <= first + near), None)


def _day_of(t: int) -> dt.date:
    return dt.datetime.fromtimestamp(t / 1000, dt.UTC).date()


def slope_verdict(slope: float | None, low: float | None, high: float | None, longest: float) -> str:
    """What a slope a day, with its interval, says over the longest stretch without a step [days]: a `Trend.verdict`."""
    if slope is None or low is None or high is None:
        return "cannot tell"
    if -slope * longest >= _WORTH_SAYING and -high * longest >= _BEYOND_DOUBT:
        return "soiling"
    if slope * longest >= _WORTH_SAYING and low * longest >= _BEYOND_DOUBT:
        return "rising"
    return "steady" if low >= -_NO_SOILING and high <= _NO_SOILING else "cannot tell"
