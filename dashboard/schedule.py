"""Owns when the scheduled work is due: the assessment by day, the night's work after solar midnight.

Standard library only: the process that `run` turns into uses it. Times are of the wall clock and may step; so what is
due is told by the *number* of a slot, never by how long ago the last one was: a step costs one run at most, and a
machine that was off has one run to catch up with, not many.
"""

from __future__ import annotations

from dataclasses import dataclass

DAY_MS = 86_400_000
_MINUTE_MS = 60_000
_HOUR_MS = 3_600_000
FIRST_HOUR, LAST_HOUR = 4, 22
"""Local mean solar hours between which there may be light; what is earlier or later the night's work judges."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """What is due when.

    Attributes
    ----------
    longitude : float
        Of the site [°]: days begin at local mean solar midnight.
    assess_every_min : int
        From one assessment to the next, by day [min].
    archive_after_midnight_min : int
        From solar midnight to the night's work: the assessment of the day that is over, then the archive [min].
    """

    longitude: float
    assess_every_min: int = 60
    archive_after_midnight_min: int = 30

    def night(self, t: int) -> int:
        """Number of the night whose work was the last to fall due at a moment [ms UTC]."""
        return int((self._solar(t) - self.archive_after_midnight_min * _MINUTE_MS) // DAY_MS)

    def assessment(self, t: int) -> tuple[int, int]:
        """Number of the assessment that was the last to fall due at a moment [ms UTC]: the night's, and the day's."""
        day, clock = divmod(self._solar(t), DAY_MS)
        if clock < FIRST_HOUR * _HOUR_MS:
            day, clock = day - 1, DAY_MS
        clock = min(clock, LAST_HOUR * _HOUR_MS - 1)
        return self.night(t), int((day * DAY_MS + clock) // (self.assess_every_min * _MINUTE_MS))

    def _solar(self, t: int) -> int:
        """Local mean solar time, in milliseconds since 1970."""
        return t + round(self.longitude / 360.0 * DAY_MS)
