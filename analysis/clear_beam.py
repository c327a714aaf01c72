"""Owns where the light on the horizontal is that of a clear sky, so that its beam is a cloudless sky's.

Fractions of diffuse light by the global alone (Erbs) are those of all skies together: towards a low sun a clear sky has
up to half as much beam again.
"""

from __future__ import annotations

import numpy as np

from analysis.sun import Floats

# A sky is clear where its light keeps within so much of a cloudless one's, alike a while before and after; beyond the
# second it is not, nor where the sun is too low to tell; common practice, no source.
# To a high sun those fractions are right: from the first zenith on a clear sky's count, from the second alone.
_HIGH_ZENITH_DEG, _LOW_ZENITH_DEG = 55.0, 65.0
_NEAR, _FAR, _CALM, _CALM_MS, _LOWEST_ZENITH_DEG = 0.06, 0.12, 0.04, 10 * 60_000, 85.0


def share(ghi: Floats, clear: Floats, zenith: Floats, step: int) -> Floats:
    """How much each interval is taken for a clear sky's: 0 not at all, 1 wholly.

    Parameters
    ----------
    ghi, clear : ndarray
        Light on the horizontal, as it is and of a cloudless sky [W/m²].
    zenith : ndarray
        Of the sun [degrees].
    step : int
        Length of an interval [ms].
    """
    ratio = np.where(clear > 0, ghi / np.where(clear > 0, clear, 1.0), np.nan)
    near = np.clip((_FAR - np.abs(ratio - 1.0)) / (_FAR - _NEAR), 0.0, 1.0)
    beside = max(_CALM_MS // step, 1)
    apart = np.fmax(np.abs(ratio - np.roll(ratio, beside)), np.abs(ratio - np.roll(ratio, -beside)))
    low = np.clip((zenith - _HIGH_ZENITH_DEG) / (_LOW_ZENITH_DEG - _HIGH_ZENITH_DEG), 0.0, 1.0)
    return np.where((apart < _CALM) & (zenith < _LOWEST_ZENITH_DEG), np.nan_to_num(near) * low, 0.0)
