"""Owns the way back from the light in a plane to the light on the flat: what sky gives a plane so much."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.geometry import Facing
from analysis.sky import LEAST_COSINE, Parts, Sky, diffuse_glass, glass_table
from analysis.sun import Floats

# Steps until beam and dome agree with the plane, and the least that a plane gets of the flat's light.
_STEPS, _LEAST = 5, 0.2


def parts(sky: Sky, plane: Floats, ways: Sequence[Facing], glazed: bool = False) -> Parts:
    """The sky that gives so much light in a plane.

    Parameters
    ----------
    sky : Sky
        Knows where the sun stands.
    plane : ndarray
        Light in the plane; where it is glazed, behind the glass [W/m²].
    ways : sequence of Facing
        The ways in which the plane may face; the mean of them counts.
    glazed : bool

    Notes
    -----
    By steps: the light is taken apart (Erbs), and the flat gets what the plane does by the share of beam found, with
    the part of the dome that lies round the sun (Hay and Davies 1980). A plane that turns its back to a low sun is lit
    alike by two skies; the grey one is taken.
    """
    beam, view = (np.mean(factors, axis=0) for factors in zip(*(_seen(sky, way, glazed) for way in ways), strict=True))
    found = sky.taken_apart(plane / np.maximum(view, _LEAST))
    for _ in range(_STEPS):
        with np.errstate(divide="ignore", invalid="ignore"):
            dome = np.where(found.ghi > 0, found.dhi / found.ghi, 1.0)
        even = dome * (1.0 - found.dni / sky.extra)
        wanted = plane / np.maximum((1.0 - even) * beam + even * view, _LEAST)
        # Half a step at a time: seen from behind, more beam is less light.
        found = sky.taken_apart((found.ghi + wanted) / 2.0)
    return found


def _seen(sky: Sky, way: Facing, glazed: bool) -> tuple[Floats, Floats]:
    """What a plane gets of the flat's beam, and of its dome."""
    cosine = sky.cosine(way)
    beam = np.maximum(cosine, 0.0) / np.maximum(np.cos(np.radians(sky.sun.apparent_zenith)), LEAST_COSINE)
    view = (1.0 + np.cos(np.radians(way.tilt))) / 2.0
    if not glazed:
        return beam, view
    steep = float(np.nanmean(way.tilt)) if len(cosine) else 0.0
    return beam * np.interp(cosine, *glass_table()), view * diffuse_glass(round(max(steep, 0.1), 1))[0]
