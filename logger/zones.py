"""Owns time zones by name: those of the IANA list, and fixed offsets such as ``UTC-7`` or ``-07:00``."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo

_FIXED = re.compile(r"(?:UTC|GMT)?([+\u2212-])(\d{1,2})(?::?([0-5]\d))?", re.ASCII)


def zone(name: str) -> dt.tzinfo:
    """The time zone of that name.

    Parameters
    ----------
    name : str
        IANA name, or an offset east of Greenwich: ``UTC-7``, ``-07:00``, ``UTC+05:30``.

    Raises
    ------
    ValueError
        No such zone.
    """
    offset = _FIXED.fullmatch(name.strip())
    if offset:
        sign = 1 if offset[1] == "+" else -1
        length = dt.timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
        # ISO 8601 offsets stay within a day; real ones end at +14:00.
        if length <= dt.timedelta(hours=14):
            return dt.timezone(sign * length)
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError('not a zone of the IANA time zone list, nor an offset such as "UTC-7" or "-07:00"') from None
