"""Owns energy from means of power and from counters, with the share of the time that they cover.

No mean is taken across a hole: where nothing is known nothing is counted, and the coverage says how much that is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.sun import Floats, Times

HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Integral:
    """A quantity integrated over intervals.

    Attributes
    ----------
    total : ndarray of float, shape (intervals,)
        Value × covered time, in the quantity's unit times hours: watts give watt-hours. NaN where nothing is covered.
    covered : ndarray of float, shape (intervals,)
        Share of each interval that is known, 0 to 1.
    """

    total: Floats
    covered: Floats


def of_pieces(start: Times, length: Times, value: Floats, edges: Times) -> Integral:
    """Integrate means that each cover a stretch; a later piece ends the one before it.

    Parameters
    ----------
    start, length : ndarray of int, shape (n,)
        What each mean covers, UTC [ms], ascending.
    value : ndarray of float, shape (n,)
        Means; NaN is not known.
    edges : ndarray of int, shape (intervals + 1,)
        Edges of the intervals, UTC [ms], ascending.

    Returns
    -------
    Integral
    """
    known = np.isfinite(value)
    start, length, value = start[known], length[known], value[known]
    stop = np.minimum(start + length, np.append(start[1:], np.iinfo(np.int64).max))
    whole = np.diff(edges).astype(float)
    if not len(start):
        return Integral(np.full(len(whole), np.nan), np.zeros(len(whole)))
    total = np.diff(_up_to(edges, start, stop, value))
    covered = np.diff(_up_to(edges, start, stop, np.ones(len(start))))
    share = np.divide(covered, whole, out=np.zeros_like(covered), where=whole > 0)
    return Integral(np.where(covered > 0, total / HOUR_MS, np.nan), share)


def _up_to(edges: Times, start: Times, stop: Times, value: Floats) -> Floats:
    """Integral from the beginning up to each edge over pieces that do not overlap."""
    length = (stop - start).astype(float)
    sums = np.concatenate([[0.0], np.cumsum(length * value)])
    at = np.searchsorted(start, edges, side="right") - 1
    piece = np.maximum(at, 0)
    part = np.clip(edges - start[piece], 0, length[piece]).astype(float)
    found: Floats = np.where(at >= 0, sums[piece] + part * value[piece], 0.0)
    return found


def of_counter(t: Times, count: Floats, edges: Times) -> Floats:
    """What a counter counted within each interval; a counter that falls has begun again at zero.

    A device's day counter falls at its midnight, another when it loses its supply: what it shows after a fall was
    counted since. What was counted between the last reading before a fall and the fall itself is not known, so the
    sum is the least that was counted. Falls by less than a thousandth of the reading are rounding and count for
    nothing (common practice, no source).

    Parameters
    ----------
    t : ndarray of int, shape (n,)
        UTC [ms], ascending.
    count : ndarray of float, shape (n,)
        Readings; NaN is not known and is passed over.
    edges : ndarray of int, shape (intervals + 1,)
        UTC [ms], ascending.

    Returns
    -------
    ndarray of float, shape (intervals,)
        In the counter's unit, never negative; NaN where no two readings reach into the interval. What was counted
        across an edge belongs to the interval of the later reading.
    """
    known = np.isfinite(count)
    t, count = t[known], count[known]
    if len(t) < 2:
        return np.full(len(edges) - 1, np.nan)
    step = np.diff(count)
    fell = step < 0
    rounding = fell & (-step < np.abs(count[:-1]) / 1000)
    gained = np.where(rounding, 0.0, np.where(fell, count[1:], step))
    at: npt.NDArray[np.intp] = np.searchsorted(edges, t[1:], side="right") - 1
    # A reading at the very end belongs to the last interval.
    at = np.where(t[1:] == edges[-1], len(edges) - 2, at)
    inside = (at >= 0) & (at < len(edges) - 1)
    sums = np.bincount(at[inside], weights=gained[inside], minlength=len(edges) - 1)
    heard = np.bincount(at[inside], minlength=len(edges) - 1) > 0
    return np.where(heard, sums, np.nan)
