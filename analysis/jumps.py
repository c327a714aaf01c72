"""Owns the jumps of an array's ratio within one day: where it rose for good from one hour to the next, or fell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.frames import Grid
from analysis.sun import Floats

# A jump is so much of the whole hour's ratio, what stays of that over the rest of the day, and the share of the day's
# light that either hour must hold: dawn and dusk are a small part of it; common practice, no source.
_LEAST, _STAYS, _WEIGHTY, _HOUR_MS = 0.12, 0.93, 0.03, 3_600_000


def of_day(judged: npt.NDArray[np.bool_], grid: Grid, power: Floats, expected: Floats) -> dict[str, list[float]]:
    """The largest rise and the largest fall of a day, where there are any.

    Parameters
    ----------
    judged : ndarray of bool
        Intervals of one day in which nothing held the array back.
    power, expected : ndarray
        Measured, and what the light allowed [W].

    Returns
    -------
    dict
        ``rise``: the moment, UTC [ms], the ratio of the hour before it, and that of all the day after it. ``fall``: the
        moment, the ratio of the hour after it, and that of all the day before it.
    """
    at = np.flatnonzero(judged)
    hour = max(round(_HOUR_MS / grid.step), 1)
    if len(at) < hour:
        return {}
    got, could = power[at], expected[at]
    found = {}
    rise = _jump(got, could, hour)
    if rise is not None:
        found["rise"] = [int(grid.start[at[rise[0]]]), *rise[1:]]
    fall = _jump(got[::-1], could[::-1], hour)
    if fall is not None:
        found["fall"] = [int(grid.start[at[len(at) - fall[0]]]), *fall[1:]]
    return found


def _jump(got: Floats, could: Floats, hour: int) -> tuple[int, float, float] | None:
    """The first interval of the whole stretch, the ratio of the hour before it, and that of the whole stretch."""
    n = len(got)
    got, could = (np.concatenate([[0.0], np.cumsum(p)]) for p in (got, could))
    # Half an hour of light on either side tells something.
    here = np.arange(max(hour // 2, 1), n - max(hour // 2, 1) + 1)
    first, last = np.maximum(here - hour, 0), np.minimum(here + hour, n)
    least = _WEIGHTY * could[-1]
    weighty = (could[here] - could[first] > least) & (could[last] - could[here] > least)
    here, first, last = here[weighty], first[weighty], last[weighty]
    end = np.full(len(here), n)
    before, after, rest = (
        (got[b] - got[a]) / (could[b] - could[a]) for a, b in ((first, here), (here, last), (here, end))
    )
    jumped = (after - before > _LEAST * after) & (rest > _STAYS * after)
    if not jumped.any():
        return None
    best = int(np.argmax(np.where(jumped, after - before, -np.inf)))
    return int(here[best]), round(float(before[best]), 3), round(float(rest[best]), 3)
