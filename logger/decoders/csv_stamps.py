"""Owns the time stamps of history files: text to milliseconds UTC, zones, doubled and skipped hours."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass

from logger.plan import TimePlan
from logger.zones import zone

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
AMBIGUOUS = "time ambiguous"
NON_EXISTENT = "time non-existent"
# Rows that may wait for a doubled hour to end; beyond, they are taken for what they are: ambiguous.
_MOST_WAITING = 20_000
_MOST_CLOCKS = 4_096
_EPOCH = dt.date(1970, 1, 1).toordinal()

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


@dataclass(frozen=True, slots=True)
class Resolved:
    """What the stamps of some rows came to.

    Attributes
    ----------
    times : list of int or None, shape (done,)
        Milliseconds UTC as stamped; None where `faults` holds the reason.
    faults : dict of int to str
        Row to reason.
    marks : dict of int to str
        Row to mark.
    """

    times: list[int | None]
    faults: dict[int, str]
    marks: dict[int, str]

    @property
    def done(self) -> int:
        """Rows that are settled; those after wait for the end of a doubled hour and must be shown again."""
        return len(self.times)


class _IrregularError(ValueError):
    """A stamp that needs the careful way."""


class _Days(dict[str, int]):
    """Date text to the milliseconds UTC of its midnight, for days without a change of offset."""

    def __init__(self, stamps: Stamps, own_offset: bool) -> None:
        super().__init__()
        self._stamps, self._own_offset = stamps, own_offset

    def __missing__(self, text: str) -> int:
        day = self._stamps.day(text)
        if not self._own_offset:
            offset = self._stamps.steady_offset(day)
            if offset is None:
                raise _IrregularError(text)
            day -= offset
        if len(self) >= _MOST_CLOCKS:
            self.clear()
        self[text] = day
        return day


class _Clocks(dict[str, int]):
    """Clock text to milliseconds since midnight, all with their own offset or all without."""

    def __init__(self, stamps: Stamps, own_offset: bool) -> None:
        super().__init__()
        self._stamps, self._own_offset = stamps, own_offset
        self._minutes: dict[str, int] = {}
        self._seconds: dict[str, int] = {}

    def __missing__(self, text: str) -> int:
        try:
            # 12:34:56 as 12:34 and :56, of which there are few, so that rows of a second need no parsing either.
            return self._minutes[text[:5]] + self._seconds[text[5:]]
        except KeyError:
            pass
        clock, offset = self._stamps.clock(text)
        if (offset is not None) != self._own_offset:
            raise _IrregularError(text)
        clock -= offset or 0
        if len(self) < _MOST_CLOCKS:
            self[text] = clock
        plain = text[2:3] == ":" == text[5:6] and text < "24" and text[6:8] < "60"
        if plain and not self._stamps.has_clock_format and len(self._seconds) < _MOST_CLOCKS:
            minutes = self._stamps.clock(text[:5])[0]
            self._minutes[text[:5]], self._seconds[text[5:]] = minutes, clock - minutes
        return clock


class Stamps:
    """The time stamps of one file, in the order of its rows.

    Parameters
    ----------
    plan : TimePlan
        What the settings say of them.
    order : str, optional
        ``day`` or ``month``: what stands first in dates such as 10/11/1996, where it is known already.
    """

    def __init__(self, plan: TimePlan, order: str | None = None) -> None:
        self._plan = plan
        self._zone = zone(plan.zone)
        self.order = order
        self._epoch_ms = {"epoch s": 1000.0, "epoch ms": 1.0}.get(plan.format or "")
        self._date_format, self._clock_format, self._whole_format = _formats(plan)
        self._days = {own: _Days(self, own) for own in (False, True)}
        self._clocks = {own: _Clocks(self, own) for own in (False, True)}
        # Of the row before: its local time [ms], the step to it [ms], the files' direction, second pass or not.
        self._before: int | None = None
        self._step = 0
        self._descending = False
        self._second = False

    # -- dates whose order is not said --------------------------------------------------------------------

    def settles(self, stamps: Sequence[Stamp]) -> bool:
        """Whether the order of day and month is known; looks for a day after the twelfth in these stamps."""
        if self.order or self._plan.format or not stamps or not _has_order(stamps[0]):
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
        return not seen

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
            self._local(stamp)
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
            return round(since / dt.timedelta(milliseconds=1)), _ms(offset)
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

    def _local(self, stamp: Stamp) -> tuple[int, int | None]:
        """Milliseconds of the stamp as written, and its own offset where it has one."""
        if self._epoch_ms:
            # Integer stamps keep their last millisecond, which a float of that size would still hold.
            return round(float(_joined(stamp)) * self._epoch_ms), 0
        if self._whole_format:
            moment = dt.datetime.strptime(_joined(stamp), self._whole_format)  # noqa: DTZ007
            naive = moment.replace(tzinfo=None)
            return round((naive - dt.datetime(1970, 1, 1)) / dt.timedelta(milliseconds=1)), _ms(moment.utcoffset())  # noqa: DTZ001
        date, clock = self._parts(stamp)
        since, offset = self.clock(clock)
        return self.day(date) + since, offset

    def _parts(self, stamp: Stamp) -> tuple[str, str]:
        if isinstance(stamp, tuple):
            return stamp
        text = stamp.strip()
        for mark in (" ", "T", "t"):
            date, found, clock = text.partition(mark)
            if found:
                return date, clock
        return text, ""

    # -- the zone -----------------------------------------------------------------------------------------

    def steady_offset(self, day: int) -> int | None:
        """Offset of the zone [ms] through a whole local day, None on a day with a change."""
        seen = {self._offset(day + at, fold) for at in (0, DAY_MS) for fold in (0, 1)}
        return seen.pop() if len(seen) == 1 else None

    def _offset(self, local: int, fold: int) -> int:
        moment = dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=local)  # noqa: DTZ001 - local on purpose
        return _ms(self._zone.utcoffset(moment.replace(fold=fold))) or 0

    # -- many stamps --------------------------------------------------------------------------------------

    def resolve(self, stamps: Sequence[Stamp], last: bool = False) -> Resolved:
        """Times of the next rows.

        Parameters
        ----------
        stamps : sequence of str, or of (date, clock)
            As they stand in the file.
        last : bool
            Whether the file ends here, so that nothing more will tell the two passes of a doubled hour apart.
        """
        if not stamps:
            return Resolved([], {}, {})
        times = self._quick(stamps)
        if times is None:
            return self._careful(stamps, last)
        self._remember(stamps, times)
        return Resolved(list(times), {}, {})

    def _remember(self, stamps: Sequence[Stamp], times: list[int]) -> None:
        """What `_follow` would have come to, row by row."""
        self._second = False
        at = len(times) - 1
        while at and times[at] == times[at - 1]:
            at -= 1
        if at:
            self._before = self._local(stamps[at - 1])[0]
        self._follow(self._local(stamps[at])[0], steady=True)

    def _quick(self, stamps: Sequence[Stamp]) -> list[int] | None:
        """All the times at once where nothing is out of the ordinary, else None."""
        if self._epoch_ms or self._whole_format:
            return None
        try:
            own = self.clock(self._parts(stamps[0])[1])[1] is not None
            days, clocks = self._days[own], self._clocks[own]
            pairs = [stamp for stamp in stamps if isinstance(stamp, tuple)]
            if pairs:
                return [days[date] + clocks[clock] for date, clock in pairs]
            texts = [stamp for stamp in stamps if isinstance(stamp, str)]
            mark = " " if " " in texts[0] else "T"
            return [days[date] + clocks[clock] for date, _, clock in [text.partition(mark) for text in texts]]
        except (ValueError, OverflowError):
            return None

    def _careful(self, stamps: Sequence[Stamp], last: bool) -> Resolved:
        """Row by row: faults, changes of offset, and the two passes of a doubled hour."""
        found = Resolved([], {}, {})
        waiting: list[int] = []  # rows of a doubled hour that may belong to either pass
        snapshot = self.state
        for row, stamp in enumerate(stamps):
            try:
                local, own = self._local(stamp)
                early, late = (own, own) if own is not None else (self._offset(local, 0), self._offset(local, 1))
            except (ValueError, OverflowError) as fault:
                found.faults[row] = _plain(fault)
                found.times.append(None)
                continue
            if early > late:  # the clock shows this time twice
                if waiting and self._stepped_back(local):
                    if self._descending:
                        for earlier in waiting:
                            found.times[earlier] = (found.times[earlier] or 0) + early - late
                    waiting, self._second = [], True
                if not self._second:
                    snapshot = snapshot if waiting else self.state
                    waiting.append(row)
                found.times.append(local - (late if self._second and not self._descending else early))
            else:
                found.marks.update(dict.fromkeys(waiting, AMBIGUOUS))
                waiting, self._second = [], False
                if early < late:  # the clock skipped this time: it would have shown one an hour on
                    found.marks[row] = NON_EXISTENT
                found.times.append(local - early)
            self._follow(local, steady=early == late)
        if waiting and not last and len(waiting) < _MOST_WAITING:
            self.state = snapshot
            return _before_row(found, waiting[0])
        found.marks.update(dict.fromkeys(waiting, AMBIGUOUS))
        return found

    @property
    def state(self) -> tuple[int | None, int, bool, bool]:
        """What the rows so far say about the order of the next ones."""
        return self._before, self._step, self._descending, self._second

    @state.setter
    def state(self, state: tuple[int | None, int, bool, bool]) -> None:
        self._before, self._step, self._descending, self._second = state

    def _stepped_back(self, local: int) -> bool:
        """Whether the clock went against the order of the rows: the second pass begins."""
        if self._before is None:
            return False
        if local == self._before:  # hourly rows: the same time twice is the second pass, not a double
            return self._step >= HOUR_MS
        return (local > self._before) if self._descending else (local < self._before)

    def _follow(self, local: int, steady: bool) -> None:
        if self._before is not None and local != self._before:
            self._step = abs(local - self._before)
            if steady:
                self._descending = local < self._before
        self._before = local


def _before_row(found: Resolved, row: int) -> Resolved:
    return Resolved(
        found.times[:row],
        {at: why for at, why in found.faults.items() if at < row},
        {at: why for at, why in found.marks.items() if at < row},
    )


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


def _joined(stamp: Stamp) -> str:
    return " ".join(part.strip() for part in stamp) if isinstance(stamp, tuple) else stamp.strip()


def _ms(offset: dt.timedelta | None) -> int | None:
    return None if offset is None else round(offset / dt.timedelta(milliseconds=1))


def _plain(fault: Exception) -> str:
    text = str(fault)
    ours = text.startswith(("29 February", "time not", "date may"))
    return text if ours else "time not understood"
