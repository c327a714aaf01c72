"""Owns how errors add up: what all intervals share adds as it stands, what passes within hours mostly cancels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.sun import Floats

Mask = npt.NDArray[np.bool_]
# Half of the variance of a sky wrongly taken apart, or of another place's clouds, is gone within these times; common
# practice, no source.
PASSING_MS = 2 * 3_600_000


@dataclass(frozen=True, slots=True)
class Budget:
    """Errors of a power on a grid, one standard deviation each [W].

    Attributes
    ----------
    shared : tuple of ndarray
        Errors of one cause each, which all intervals share: signed, so that what lifts the morning and lowers the
        afternoon cancels.
    passing : ndarray
        Errors that forget themselves within `PASSING_MS`.
    step : int
        Length of an interval [ms].
    """

    shared: tuple[Floats, ...]
    passing: Floats
    step: int

    @property
    def each(self) -> Floats:
        """Of each interval by itself [W]."""
        return np.asarray(np.sqrt(np.sum(np.square(self.shared), axis=0) + self.passing**2))

    def over(self, where: Mask) -> float:
        """Of the sum over some intervals [W, to be multiplied by an interval's length]."""
        together = sum(float(errors[where].sum()) ** 2 for errors in self.shared)
        # Of a process that forgets itself exponentially, so many intervals in a row speak as one.
        alike = min(1.0 + 2.0 * PASSING_MS / self.step, max(int(where.sum()), 1))
        return float(np.sqrt(together + alike * float((self.passing[where] ** 2).sum())))
