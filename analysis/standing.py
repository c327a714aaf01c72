"""Owns readings that stand still where the thing cannot: a hung sensor's last word, left out of the judging.

The logger marks such readings as they come; a file of history brings them unmarked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.frames import Pieces, Stretch
from analysis.sky import OFFSET_BOUND_WM2
from logger.vocabulary import lookup

# Fewer readings alike may be the last digit of a coarse instrument.
_LEAST_ALIKE = 5
# Power may stand all night, and for the better part of a day where a controller holds it at its limit; common practice,
# no source.
_POWER_S = 8 * 3_600.0


def stuck_after_s(channel: str) -> float | None:
    """For how long at most one reading other than nought may stand [s]; None where it may for ever."""
    is_power = channel.startswith("array.") and channel.endswith(".power")
    return _POWER_S if is_power else lookup(channel).stuck_after_s


def left_out(stretch: Stretch, days: Sequence[int]) -> Stretch:
    """The stretch without what stands still for longer than the vocabulary lets it, solar day by solar day.

    Nothing, in the dark, is what a light sensor should say, however long, and its offset where it has one; modules are
    as warm as before only by chance, at nought degrees too.

    Parameters
    ----------
    stretch : Stretch
    days : sequence of int
        Starts of its solar days, UTC [ms], ascending.
    """
    changed = {}
    for channel in stretch.channels():
        most_s = stuck_after_s(channel)
        pieces = stretch[channel]
        if most_s is None or len(pieces.start) <= _LEAST_ALIKE:
            continue
        nothing = OFFSET_BOUND_WM2 if lookup(channel).unit == "W/m²" else 0.0
        stands = _standing(pieces, days, most_s * 1000, None if channel.endswith("temperature") else nothing)
        if stands.any():
            moves = ~stands
            changed[channel] = Pieces(pieces.start[moves], pieces.length[moves], pieces.value[moves])
    return stretch.with_pieces(changed) if changed else stretch


def _standing(
    pieces: Pieces, days: Sequence[int], most_ms: float, nothing: float | None
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    day = np.searchsorted(np.asarray(days), pieces.start, side="right")
    first = np.concatenate([[True], (np.diff(pieces.value) != 0) | (np.diff(day) != 0)])
    begin = np.flatnonzero(first)
    count = np.diff(np.append(begin, len(first)))
    end = begin + count - 1
    lasts = pieces.start[end] + pieces.length[end] - pieces.start[begin]
    stands = (lasts > most_ms) & (count >= _LEAST_ALIKE)
    if nothing is not None:
        stands &= np.abs(pieces.value[begin]) > nothing
    return np.repeat(stands, count)
