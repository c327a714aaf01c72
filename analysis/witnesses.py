"""Owns which light sensors a clear sky can try: what a cloudless sky would give each, and what its noon may tell.

Two sensors under one clear sky try one another as well: how turbid it was they share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analysis import geometry
from analysis.sky import CLEAR_EFFICACY, GLOBAL, LUX, Sky
from analysis.sun import Floats
from logger.settings import Array, Settings


@dataclass(frozen=True, slots=True)
class Witness:
    """A light sensor.

    Attributes
    ----------
    channel : str
    clear : callable
        What it would say under a cloudless sky, in its own unit; None where nobody knows which way it faces.
    tells_noon : bool
        Whether its noon is the sun's: one that leans to a side has a noon of its own.
    """

    channel: str
    clear: Callable[[Sky], Floats | None]
    tells_noon: bool


def of_settings(settings: Settings) -> list[Witness]:
    """The sensors that the vocabulary knows: two that face up, and one in the plane of each array."""
    planes = [Witness(f"irradiance.{a.name}.plane", _in_plane(a, settings.site.moored), False) for a in settings.array]
    return [
        Witness(GLOBAL, lambda sky: sky.clear.ghi, True),
        Witness(LUX, lambda sky: sky.clear.ghi * CLEAR_EFFICACY, True),
        *planes,
    ]


def _in_plane(array: Array, moored: str) -> Callable[[Sky], Floats | None]:
    def clear(sky: Sky) -> Floats | None:
        ways = geometry.facings(array.tilt, array.azimuth, geometry.attitude(moored, sky.stretch, sky.grid))
        return sky.in_plane(ways[0], sky.dome(sky.clear)).light if len(ways) == 1 else None

    return clear
