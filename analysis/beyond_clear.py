"""Owns where an array gave more than a cloudless sky can give it as it is drawn: by morning, about noon, by evening.

Where no light is known at all the clear sky judges nobody for giving too little. Too much it tells: a plane that faces
another way or follows the sun has more than it should at the ends of the day, a wrong rating or unit about noon too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.expected import Expected
from analysis.findings import between_changes, spells
from analysis.frames import Grid
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.results import CLEAR, EVIDENCE, ArrayDay

FEATURE = "beyond_clear"
# A clear sky is known to a tenth, clouds beside the sun give some more for minutes, and low light little of anything:
# beyond this share of it, where it allows so much of the rating. On measured roofs that are drawn right no day has more
# than 30 minutes of it. Common practice, no source.
_BEYOND, _LEAST_SHARE = 1.3, 0.15
_ABOUT_NOON_MS = 2 * 3_600_000
_PARTS = ("morning", "noon", "evening")
# Days that raise it; minutes that make one, and that a day which clears it stays under; common practice, no source.
_DAYS, _LEAST_MIN, _WELL_MIN = 3, 60.0, 20.0
# Of those minutes this share about noon speaks of the array's size, and as little of them at one end for the other end.
_NOON_SHARE, _END_SHARE = 0.3, 0.2


def of_day(
    mask: npt.NDArray[np.bool_],
    grid: Grid,
    noon: int,
    rated_w: float,
    light: Light,
    said: Measured,
    expected: Expected,
) -> dict[str, Any]:
    """What one day says; empty where it says nothing.

    Returns
    -------
    dict
        Under `FEATURE`: ``morning``, ``noon``, ``evening``, minutes beyond the clear sky; ``got_wh`` and ``most_wh``,
        what was given in them, and what the clear sky allows.
    """
    unknown = mask & (light.evidence == CLEAR)
    if not unknown.any():
        return {}
    with np.errstate(invalid="ignore"):
        beyond = unknown & (expected.high >= _LEAST_SHARE * rated_w) & (said.power > _BEYOND * expected.high)
    if not beyond.any():
        return {}
    after = grid.middle - noon
    about = np.abs(after) < _ABOUT_NOON_MS

    def minutes(which: npt.NDArray[np.bool_]) -> float:
        return float((beyond & which).sum()) * grid.step / 60_000

    return {
        FEATURE: {
            "morning": minutes(~about & (after < 0)),
            "noon": minutes(about),
            "evening": minutes(~about & (after > 0)),
            "got_wh": round(float(said.power[beyond].sum() * grid.hours), 1),
            "most_wh": round(float(expected.high[beyond].sum() * grid.hours), 1),
        }
    }


@dataclass(frozen=True, slots=True)
class Beyond:
    """A spell of days on which one array gave more than a cloudless sky can.

    Attributes
    ----------
    days : tuple of ArrayDay
    until : int or None
        When a sound day, or a change, came after it, UTC [ms].
    times : float
        What it gave over what the clear sky allows, in those minutes.
    minutes : dict of str to float
        In the ``morning``, about ``noon``, in the ``evening``.
    """

    days: tuple[ArrayDay, ...]
    until: int | None
    times: float
    minutes: dict[str, float]

    @property
    def is_about_noon(self) -> bool:
        """Whether it gave too much about noon as well, when every plane has its sun."""
        return self.minutes["noon"] > _NOON_SHARE * sum(self.minutes.values())

    @property
    def ends(self) -> list[str]:
        """The ends of the day that have their share of it."""
        whole = self.minutes["morning"] + self.minutes["evening"]
        return [end for end in ("morning", "evening") if self.minutes[end] > _END_SHARE * whole]


def spells_of(days: Sequence[ArrayDay], changes: Sequence[int]) -> list[Beyond]:
    """The spells of one array; three such days raise one.

    Parameters
    ----------
    days : sequence of ArrayDay
        Of one array, in order.
    changes : sequence of int
        When it changed physically, UTC [ms].
    """
    unlit = [d for d in days if d.evidence == EVIDENCE[CLEAR] and d.states.get("unhindered", 0.0) >= _LEAST_MIN]
    return [
        _of(spell.shown, spell.returned.start if spell.returned else changed)
        for stretch, changed in between_changes(unlit, changes)
        for spell in spells(
            stretch, bad=lambda d: _minutes(d) >= _LEAST_MIN, well=lambda d: _minutes(d) < _WELL_MIN, to_raise=_DAYS
        )
    ]


def _minutes(day: ArrayDay) -> float:
    told = day.features.get(FEATURE, {})
    return float(sum(told.get(part, 0.0) for part in _PARTS))


def _of(days: Sequence[ArrayDay], until: int | None) -> Beyond:
    told = [d.features[FEATURE] for d in days]
    got, most = (sum(t[key] for t in told) for key in ("got_wh", "most_wh"))
    return Beyond(tuple(days), until, got / most, {part: sum(t[part] for t in told) for part in _PARTS})
