"""Owns reading one time stamp: the text of a date and a clock to milliseconds as written, without a zone."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from itertools import pairwise

from logger.plan import TimePlan

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
_EPOCH = dt.date(1970, 1, 1).toordinal()
# Rows that are looked at for a date whose order matters; a damaged first row must not hide it.
_FIRST_ROWS = 20

_CLOCK = re.compile(
    r"(\d{1,2})(?::?(\d{2})(?::?(\d{2})(?:[.,](\d+))?)?)?\s*(?:([AaPp])\.?[Mm]\.?)?"
    r"\s*(?:([Zz]|UTC|GMT)|([+\u2212-])(\d{2})(?::?(\d{2}))?)?",
    re.ASCII,
)
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})", re.ASCII)
_ORDINAL = re.compile(r"(\d{4})-(\d{3})", re.ASCII)
_DATE_CODES = re.compile(r"%[aAbBdmyYjUWuwGV]")
_CLOCK_CODES = re.compile(r"%[HIMSfpzZ]")

Stamp = str | tuple[str, str]


class StampReader:
    """How the settings, and the file itself, say that stamps are written.

    Parameters
    ----------
    plan : TimePlan
        What the settings say of them.
    order : str, optional
        ``day`` or ``month``: what stands first in dates such as 10/11/1996, where it is known already.
    """

    def __init__(self, plan: TimePlan, order: str | None = None) -> None:
        self._plan = plan
        self.order = order
        self._epoch_ms = {"epoch s": 1000.0, "epoch ms": 1.0}.get(plan.format or "")
        self._date_format, self._clock_format, self._whole_format = _formats(plan)

    @property
    def in_two_parts(self) -> bool:
        """Whether a stamp is a date and a clock, which can be read by themselves."""
        return not (self._epoch_ms or self._whole_format)

    # -- dates whose order is not said --------------------------------------------------------------------

    def settles(self, stamps: Sequence[Stamp]) -> bool:
        """Whether the order of day and month is known.

        Looks for a day after the twelfth in these stamps, then for a midnight that only one order runs through evenly.
        """
        if self.order or self._plan.format or not stamps or not any(map(_has_order, stamps[:_FIRST_ROWS])):
            return True
        seen = False
        for stamp in stamps:
            parts = _has_order(stamp)
            if parts:
                seen = True
                first, second = int(parts[1]), int(parts[3])
                if (first > 12) != (second > 12):
                    self.order = "day" if first > 12 else "month"
                    return True
        self.order = self._by_midnights(stamps) if seen else None
        return not seen or self.order is not None

    def _by_midnights(self, stamps: Sequence[Stamp]) -> str | None:
        """The order under which the clock goes on over every midnight as it does by day; the other leaps by a month."""
        split = [(parts, self.parts(stamp)[1]) for stamp in stamps if (parts := _has_order(stamp))]
        steps: list[int] = []
        leaps: dict[str, list[int]] = {"day": [], "month": []}
        for (before, earlier), (after, later) in pairwise(split):
            try:
                step = self.clock(later)[0] - self.clock(earlier)[0]
                if before[0] == after[0]:
                    steps.append(abs(step))
                else:
                    for order, found in leaps.items():
                        found.append(abs(_in_order(after, order) - _in_order(before, order) + step))
            except ValueError:
                continue
        if not steps or not leaps["day"]:
            return None
        even = [order for order, found in leaps.items() if max(found) <= 2 * max(steps)]
        return even[0] if len(even) == 1 else None

    @property
    def has_clock_format(self) -> bool:
        """Whether clocks are read by a pattern of the settings and not by our own reader."""
        return self._clock_format is not None

    # -- one stamp ----------------------------------------------------------------------------------------

    def readable(self, stamp: Stamp) -> bool:
        """Whether the text is a time at all; dates of unsettled order count."""
        if not self.order and not self.settles([stamp]):
            return True
        try:
            self.local(stamp)
        except ValueError:
            return False
        return True

    def day(self, text: str) -> int:
        """Milliseconds from 1970 to that date, without a zone.

        Raises
        ------
        ValueError
            No date, or one that the year has not.
        """
        text = text.strip()
        date = self._date(text)
        if self._plan.year is not None:
            try:
                date = date.replace(year=self._plan.year)
            except ValueError:
                raise ValueError(f"29 February, which {self._plan.year} has not") from None
        return (date.toordinal() - _EPOCH) * DAY_MS

    def _date(self, text: str) -> dt.date:
        if self._date_format:
            return dt.datetime.strptime(text, self._date_format).date()  # noqa: DTZ007 - the zone comes later
        if parts := _YEAR_FIRST.fullmatch(text):
            return dt.date(int(parts[1]), int(parts[3]), int(parts[4]))
        if parts := _YEAR_LAST.fullmatch(text):
            first, second, year = int(parts[1]), int(parts[3]), int(parts[4])
            # With dots the day stands first: DIN 5008, and every country that writes dots.
            if parts[2] == "." or self.order == "day":
                return dt.date(year, second, first)
            if self.order == "month":
                return dt.date(year, first, second)
            raise ValueError("date may be day-first or month-first; give format")
        if parts := _ORDINAL.fullmatch(text):
            date = dt.date(int(parts[1]), 1, 1) + dt.timedelta(days=int(parts[2]) - 1)
            if date.year != int(parts[1]):
                raise ValueError("time not understood")
            return date
        return dt.date.fromisoformat(text)

    def clock(self, text: str) -> tuple[int, int | None]:
        """Milliseconds since midnight and, where the text says it, the offset from UTC [ms].

        24:00 is the next midnight; a leap second 23:59:60 is the next midnight, as POSIX time has it.
        """
        if self._clock_format:
            moment = dt.datetime.strptime(text, self._clock_format)  # noqa: DTZ007 - the zone comes later
            offset = moment.utcoffset()
            since = moment.replace(tzinfo=None) - dt.datetime.combine(moment.date(), dt.time())
            return round(since / dt.timedelta(milliseconds=1)), in_ms(offset)
        text = text.strip()
        if not text:
            return 0, None
        parts = _CLOCK.fullmatch(text)
        if not parts:
            raise ValueError("time not understood")
        hour, minute, second = int(parts[1]), int(parts[2] or 0), int(parts[3] or 0)
        if parts[5]:
            if not 1 <= hour <= 12:
                raise ValueError("time not understood")
            hour = hour % 12 + (12 if parts[5] in "Pp" else 0)
        clock = ((hour * 60 + minute) * 60 + second) * 1000
        clock += round(float("0." + parts[4]) * 1000) if parts[4] else 0
        leap = second == 60 and minute == 59
        if minute > 59 or second > 59 + leap or (clock > DAY_MS and not (leap and hour == 23)):
            raise ValueError("time not understood")
        if parts[6]:
            return clock, 0
        if parts[7]:
            away = int(parts[8]) * HOUR_MS + int(parts[9] or 0) * 60_000
            return clock, away if parts[7] == "+" else -away
        return clock, None

    def local(self, stamp: Stamp) -> tuple[int, int | None]:
        """Milliseconds of the stamp as written, and its own offset where it has one."""
        if self._epoch_ms:
            # Integer stamps keep their last millisecond, which a float of that size would still hold.
            return round(float(joined(stamp)) * self._epoch_ms), 0
        if self._whole_format:
            moment = dt.datetime.strptime(joined(stamp), self._whole_format)  # noqa: DTZ007
            naive = moment.replace(tzinfo=None)
            return round((naive - dt.datetime(1970, 1, 1)) / dt.timedelta(milliseconds=1)), in_ms(moment.utcoffset())  # noqa: DTZ001
        date, clock = self.parts(stamp)
        since, offset = self.clock(clock)
        return self.day(date) + since, offset

    def parts(self, stamp: Stamp) -> tuple[str, str]:
        """Date and clock."""
        if isinstance(stamp, tuple):
            return stamp
        text = stamp.strip()
        for mark in (" ", "T", "t"):
            date, found, clock = text.partition(mark)
            if found:
                return date, clock
        return text, ""


def _formats(plan: TimePlan) -> tuple[str | None, str | None, str | None]:
    """The ``strptime`` pattern as date and clock where it falls into the two, else whole."""
    pattern = plan.format
    if pattern is None or pattern.startswith("epoch "):
        return None, None, None
    if plan.field is None and not _CLOCK_CODES.search(pattern):
        return pattern, None, None
    date, _, clock = pattern.partition(" ") if " " in pattern else pattern.partition("T")
    if _CLOCK_CODES.search(date) or _DATE_CODES.search(clock) or not _DATE_CODES.search(date):
        return None, None, pattern
    # The usual clocks are read by our own reader, which knows 24:00 and leap seconds.
    usual = re.fullmatch(r"%H:?%M(:?%S([.,]%f)?)?(%z)?|%I:%M(:%S)? ?%p|", clock)
    return date, None if usual else clock, None


def _has_order(stamp: Stamp) -> re.Match[str] | None:
    """The parts of a date such as 10/11/1996, in which day or month may stand first."""
    date = stamp[0] if isinstance(stamp, tuple) else re.split("[ T]", stamp.strip(), maxsplit=1)[0]
    parts = _YEAR_LAST.fullmatch(date.strip())
    return parts if parts and parts[2] != "." else None


def _in_order(parts: re.Match[str], order: str) -> int:
    """Milliseconds from 1970 to a date whose day or month stands first."""
    first, second, year = int(parts[1]), int(parts[3]), int(parts[4])
    day, month = (first, second) if order == "day" else (second, first)
    return (dt.date(year, month, day).toordinal() - _EPOCH) * DAY_MS


def joined(stamp: Stamp) -> str:
    """A stamp as one text, its date and its clock parted by a space."""
    return " ".join(part.strip() for part in stamp) if isinstance(stamp, tuple) else stamp.strip()


def in_ms(offset: dt.timedelta | None) -> int | None:
    """A length of time in milliseconds."""
    return None if offset is None else round(offset / dt.timedelta(milliseconds=1))


def plain(fault: Exception) -> str:
    """The reason in our own words, whatever the library below said."""
    text = str(fault)
    ours = text.startswith(("29 February", "time not", "date may"))
    return text if ours else "time not understood"
