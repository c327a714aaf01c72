"""Owns what a day tells of an array that stands still in good light: for how long, and with which volts."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from analysis import states
from analysis.expected import Expected
from analysis.frames import Grid
from analysis.instruments import Measured
from analysis.states import Codes
from analysis.sun import Floats

# Under this share of what the light allows, with volts below the bank's need, an array as good as stands still; common
# practice, no source.
_NOTHING = 0.15


def of_day(mask: npt.NDArray[np.bool_], grid: Grid, said: Measured, expected: Expected, state: Codes) -> dict[str, Any]:
    """What stood still in the intervals of a day; empty where nothing did.

    Returns
    -------
    dict
        ``minutes``; ``start`` and ``stop`` of the first and of the last such interval, UTC [ms]; ``alive_min``, minutes
        of current after it; ``lost_wh``; ``too_low``, the share with volts below the bank's need, and ``by_drawing``,
        the share in which sound modules would show no more; ``array_v`` and ``volts_share`` of open circuit, None where
        nobody measures the volts.
    """
    free = expected.allowed.free
    still = (state == states.NO_CURRENT) | ((state == states.TOO_LOW) & (said.power < _NOTHING * free))
    still &= mask
    if not still.any():
        return {}
    at = np.flatnonzero(still)
    minutes = grid.step / 60_000
    alive = mask & np.isin(state, (states.UNHINDERED, states.CURRENT, states.HEAT)) & (said.power >= _NOTHING * free)

    def mean(values: Floats) -> float | None:
        known = values[still][np.isfinite(values[still])]
        return round(float(known.mean()), 3) if len(known) else None

    with np.errstate(divide="ignore", invalid="ignore"):
        volts_share = np.where(expected.allowed.open_volts > 0, said.voltage / expected.allowed.open_volts, np.nan)
    return {
        "minutes": len(at) * minutes,
        "start": int(grid.start[at[0]]),
        "stop": int(grid.start[at[-1]]) + grid.step,
        "alive_min": float(alive[at[-1] :].sum()) * minutes,
        "lost_wh": round(float(np.nansum((free - said.power)[still]) * grid.hours), 1),
        "too_low": round(float((state[still] == states.TOO_LOW).mean()), 3),
        "by_drawing": round(float((expected.allowed.bound & (state == states.TOO_LOW))[still].mean()), 3),
        "array_v": mean(said.voltage),
        "volts_share": mean(volts_share),
    }
