"""Owns what instruments say that speak seldom but steadily: each of their moments stands for the time around it.

A logger that notes a moment every five or fifteen minutes leaves most minutes empty. Taken as they stand they would
make a day that was hardly heard; each noted moment is the best there is for the time half-way to its neighbours. A
channel that speaks when it likes is left as it is: nobody knows for how long its word holds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.frames import Pieces, Stretch
from analysis.sun import DAY_MS, MINUTE_MS

# Further apart a moment says nothing of what lies between; fewer a day are no habit. Common practice, no source.
_MOST_MIN, _LEAST_MOMENTS = 60, 8
# So large a share of the steps between moments must be the usual one, give or take a minute or a fifth of it.
_STEADY, _GIVE_OR_TAKE = 0.8, 0.2


def drawn_out(stretch: Stretch, days: Sequence[int]) -> Stretch:
    """The stretch with the moments of steady channels drawn out, solar day by solar day.

    Parameters
    ----------
    stretch : Stretch
    days : sequence of int
        Starts of its solar days, UTC [ms], ascending.
    """
    changed = {}
    for channel in stretch.channels():
        pieces = stretch[channel]
        # Of a channel that is heard every minute, even for a part of the day only, nothing need be looked at.
        if pieces.step != MINUTE_MS or len(pieces.start) < 2 or np.median(np.diff(pieces.start)) < 2 * MINUTE_MS:
            continue
        parts = [_of_day(pieces.between(start, start + DAY_MS)) for start in days]
        changed[channel] = Pieces(
            np.concatenate([part.start for part in parts]),
            np.concatenate([part.length for part in parts]),
            np.concatenate([part.value for part in parts]),
        )
    return stretch.with_pieces(changed) if changed else stretch


def _of_day(pieces: Pieces) -> Pieces:
    steps = np.diff(pieces.start) // MINUTE_MS
    if len(steps) < _LEAST_MOMENTS:
        return pieces
    usual = int(np.median(steps))
    if not 2 <= usual <= _MOST_MIN or np.mean(np.abs(steps - usual) <= max(1.0, _GIVE_OR_TAKE * usual)) < _STEADY:
        return pieces
    length = usual * MINUTE_MS
    # The moment stands in the middle of its time, on whole minutes.
    start = pieces.start - usual // 2 * MINUTE_MS
    return Pieces(start, np.full(len(start), length, dtype=np.int64), pieces.value)
