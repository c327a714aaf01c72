"""Owns how far a lux sensor's light is believed under a low sun, where a little more light is much more beam.

Taken apart, light that is read a tenth too bright is a clearer sky: the tenth goes to the beam, and a plane that faces
a low sun seems to get a sixth or a quarter more. A lux sensor, whose efficacy nobody knows better than to a tenth, must
not call that a shortfall.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.geometry import Attitude, facings
from analysis.irradiance import LUX_EFFICACY, LUX_GAIN, LUX_PASSING, Light
from analysis.results import LUX
from analysis.sky import Parts, Sky
from analysis.sun import Floats
from logger.settings import Array

# As much too bright as one standard uncertainty has it.
_SHARED = float(np.hypot(LUX_GAIN, LUX_EFFICACY))
_TOO_BRIGHT = float(np.hypot(_SHARED, LUX_PASSING))


def doubted(array: Array, light: Light, sky: Sky, lies: Attitude) -> Light:
    """The same light with its uncertainties wider where it comes from a lux sensor and hangs on the beam."""
    take = light.evidence == LUX
    if not take.any():
        return light
    more = np.where(take, np.maximum(_amplified(array, sky, lies) ** 2 - 1.0, 0.0), 0.0)
    return replace(
        light,
        sigma_gain=np.sqrt(light.sigma_gain**2 + _SHARED**2 * more),
        passing=np.sqrt(light.passing**2 + LUX_PASSING**2 * more),
    )


def _amplified(array: Array, sky: Sky, lies: Attitude) -> Floats:
    """Relative change of the light in the plane over that of the light on the horizontal."""
    told = sky.by_lux
    less = sky.taken_apart(told.ghi * (1.0 - _TOO_BRIGHT))
    whole, part = _plane(array, told, sky, lies), _plane(array, less, sky, lies)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(whole > 0, (1.0 - part / whole) / _TOO_BRIGHT, 1.0)


def _plane(array: Array, parts: Parts, sky: Sky, lies: Attitude) -> Floats:
    dome = sky.dome(parts)
    lit = [sky.in_plane(way, dome) for way in facings(array.tilt, array.azimuth, lies)]
    return np.asarray(np.mean([found.light * found.glass for found in lit], axis=0))
