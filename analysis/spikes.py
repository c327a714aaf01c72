"""Owns readings of power that no array of its size gives, for a reading or two between sound ones: left out.

Far too much for longer is no spike: a wrong unit, or a drawing of other modules, which `yield-excess` tells.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.frames import Pieces, Stretch
from logger.settings import Settings

# Cloud enhancement reaches 1.5 times the light of standard conditions for minutes; common practice, no source.
_MOST_SHARE = 1.6
# A reading of a single moment lies in two pieces, the one before it and the one after.
_MOST_PIECES = 2
_ABOVE_NEIGHBOURS = 2.5


def left_out(stretch: Stretch, settings: Settings) -> Stretch:
    """The stretch without spikes of power.

    Parameters
    ----------
    stretch : Stretch
    settings : Settings
        Of the parts in force: the rating tells what cannot be.
    """
    changed = {}
    for array in settings.array:
        channel = f"array.{array.name}.power"
        pieces = stretch[channel]
        if len(pieces.value) and pieces.value.max() > _MOST_SHARE * array.rated_w:
            sound = ~_spikes(pieces, _MOST_SHARE * array.rated_w)
            changed[channel] = Pieces(pieces.start[sound], pieces.length[sound], pieces.value[sound])
    return stretch.with_pieces(changed) if changed else stretch


def _spikes(pieces: Pieces, most_w: float) -> npt.NDArray[np.bool_]:
    found = np.zeros(len(pieces.value), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], pieces.value > most_w, [False]]).astype(np.int8)))
    for first, stop in zip(edges[0::2], edges[1::2], strict=True):
        around = [pieces.value[i] for i in (first - 1, stop) if 0 <= i < len(found)]
        least = pieces.value[first:stop].min()
        found[first:stop] = stop - first <= _MOST_PIECES and least > _ABOVE_NEIGHBOURS * max(around, default=0.0)
    return found
