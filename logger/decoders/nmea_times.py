"""Owns the UTC of NMEA 0183 sentences: clocks without a date, midnight, leap seconds, dates 1024 weeks in the past."""

from __future__ import annotations

import datetime as dt
import re

FLOOR = dt.date(2026, 1, 1)
"""No live sentence can be older than the program that reads it. Moved forward from time to time."""

ROLLOVER = dt.timedelta(weeks=1024)
"""Satellites send the week in 10 bits; a receiver that counts them wrongly is 1024 weeks behind (IS-GPS-200)."""

CEILING = dt.date(2037, 12, 31)
"""No time from 2038 on is believed. A date a few years before the floor is moved beyond it: it was nonsense."""

_DAY_MS = 86_400_000
_NEAR_MS = 600_000
_CLOCK = re.compile(r"([01][0-9]|2[0-3])([0-5][0-9])([0-5][0-9]|60)(\.[0-9]*)?")
_DATE = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})")
_EPOCH = dt.date(1970, 1, 1)


def clock_ms(text: str) -> int | None:
    """Milliseconds of the day of ``hhmmss.sss``; 23:59:60 is the next day's first; None for no clock."""
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        return None
    hours, minutes, seconds = (int(part) for part in found.groups()[:3])
    if seconds == 60 and (hours, minutes) != (23, 59):
        return None
    fraction = found[4] or "."
    return ((hours * 60 + minutes) * 60 + seconds) * 1000 + int(fraction[1:4].ljust(3, "0"))


def date_of(text: str) -> dt.date | None:
    """The day of ``ddmmyy``; two digits of the year from 80 on are of the last century, in which the counting began."""
    found = _DATE.fullmatch(text.strip())
    if not found:
        return None
    day, month, year = (int(part) for part in found.groups())
    return day_of(day, month, year + (1900 if year >= 80 else 2000))


def day_of(day: int, month: int, year: int) -> dt.date | None:
    """The day, or None where the calendar has no such day."""
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


class Calendar:
    """The date that goes with the clock of a sentence.

    Parameters
    ----------
    floor : date
        A date before it is 1024 weeks, or twice as much, behind.
    """

    def __init__(self, floor: dt.date = FLOOR) -> None:
        self._floor = floor
        self._last: int | None = None

    def forget(self) -> None:
        """Nothing is known of the date until a sentence states it."""
        self._last = None

    def dated(self, date: dt.date, clock: int) -> tuple[int | None, dt.timedelta]:
        """The time of a sentence that states both.

        Returns
        -------
        utc_ms : int or None
            None where the date cannot be believed [ms UTC].
        moved : timedelta
            By how much the date was behind.
        """
        moved = dt.timedelta()
        while date < self._floor:
            date, moved = date + ROLLOVER, moved + ROLLOVER
        if date > CEILING:
            self.forget()
            return None, dt.timedelta()
        self._last = (date - _EPOCH).days * _DAY_MS + clock
        return self._last, moved

    def undated(self, clock: int) -> int | None:
        """The time of a sentence that states its clock alone: the last date, rolled over midnight.

        Only where the clock goes on from the last one: after a silence the date may be another [ms UTC].
        """
        if self._last is None:
            return None
        ahead = (clock - self._last + _DAY_MS // 2) % _DAY_MS - _DAY_MS // 2
        if abs(ahead) > _NEAR_MS:
            self.forget()
            return None
        utc = self._last + ahead
        self._last = max(self._last, utc)
        return utc
