"""Owns the time stamps of history files: text to milliseconds UTC, zones, doubled and skipped hours."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from logger.clock import believable
from logger.decoders.csv_dates import DAY_MS, HOUR_MS, Stamp, StampReader, in_ms, plain
from logger.plan import TimePlan
from logger.readings import AMBIGUOUS, NON_EXISTENT
from logger.zones import zone

# Rows that may wait for a doubled hour to end; beyond, they are taken for what they are: ambiguous.
_MOST_WAITING = 20_000
_MOST_CLOCKS = 4_096


UNBELIEVED = "time not believed: before 1980 or after 2037"


def take_out_unbelieved(times: list[int | None], faults: dict[int, str]) -> set[int]:
    """Rows stamped by a clock that was never set, or is wrong by decades: their times become faults."""
    known = [t for t in times if t is not None]
    if not known or (believable(min(known)) and believable(max(known))):
        return set()
    rows = {row for row, t in enumerate(times) if t is not None and not believable(t)}
    for row in rows:
        times[row], faults[row] = None, UNBELIEVED
    return rows


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
        day = self._stamps.reader.day(text)
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
        clock, offset = self._stamps.reader.clock(text)
        if (offset is not None) != self._own_offset:
            raise _IrregularError(text)
        clock -= offset or 0
        if len(self) < _MOST_CLOCKS:
            self[text] = clock
        halves = text[2:3] == ":" == text[5:6] and text < "24" and text[6:8] < "60" and "m" not in text.lower()
        if halves and not self._stamps.reader.has_clock_format and len(self._seconds) < _MOST_CLOCKS:
            minutes = self._stamps.reader.clock(text[:5])[0]
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
        self.reader = StampReader(plan, order)
        self._zone = zone(plan.zone)
        self._days = {own: _Days(self, own) for own in (False, True)}
        self._clocks = {own: _Clocks(self, own) for own in (False, True)}
        # Of the row before: its local time [ms], the step to it [ms], the files' direction, second pass or not.
        self._before: int | None = None
        self._step = 0
        self._descending = False
        self._second = False

    # -- the zone -----------------------------------------------------------------------------------------

    def steady_offset(self, day: int) -> int | None:
        """Offset of the zone [ms] through a whole local day, None on a day with a change."""
        seen = {self._offset(day + at, fold) for at in (0, DAY_MS) for fold in (0, 1)}
        return seen.pop() if len(seen) == 1 else None

    def _offset(self, local: int, fold: int) -> int:
        moment = dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=local)  # noqa: DTZ001 - local on purpose
        return in_ms(self._zone.utcoffset(moment.replace(fold=fold))) or 0

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
            self._before = self.reader.local(stamps[at - 1])[0]
        self._follow(self.reader.local(stamps[at])[0], steady=True)

    def _quick(self, stamps: Sequence[Stamp]) -> list[int] | None:
        """All the times at once where nothing is out of the ordinary, else None."""
        if not self.reader.in_two_parts:
            return None
        try:
            own = self.reader.clock(self.reader.parts(stamps[0])[1])[1] is not None
            days, clocks = self._days[own], self._clocks[own]
            if isinstance(stamps[0], tuple):  # then all are
                return [days[date] + clocks[clock] for date, clock in cast(Sequence[tuple[str, str]], stamps)]
            texts = cast(Sequence[str], stamps)
            mark = " " if " " in texts[0] else "T"
            return [days[date] + clocks[clock] for date, _, clock in [text.partition(mark) for text in texts]]
        except (ValueError, OverflowError):
            return None

    def _careful(self, stamps: Sequence[Stamp], last: bool) -> Resolved:
        """Row by row: faults, changes of offset, and the two passes of a doubled hour."""
        found = Resolved([], {}, {})
        waiting: list[int] = []  # rows of a doubled hour that may belong to either pass
        if self._before is None:
            self._descending = self._falls(stamps)
        snapshot = self.state
        for row, stamp in enumerate(stamps):
            try:
                local, own = self.reader.local(stamp)
                early, late = (own, own) if own is not None else (self._offset(local, 0), self._offset(local, 1))
            except (ValueError, OverflowError) as fault:
                found.faults[row] = plain(fault)
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

    def _falls(self, stamps: Sequence[Stamp]) -> bool:
        """Whether a file begins with its newest row.

        Its first step from or to a time that the clock shows once tells; where there is none, what most steps do:
        within a doubled hour one step alone goes against the order.
        """
        before: tuple[int, bool] | None = None
        falls = 0
        for stamp in stamps:
            try:
                local, own = self.reader.local(stamp)
                steady = own is not None or self._is_steady(local)
            except (ValueError, OverflowError):
                continue
            if before is not None and local != before[0] and (steady or before[1]):
                return local < before[0]
            if before is not None:
                falls += (local < before[0]) - (local > before[0])
            before = local, steady
        return falls > 0

    def _is_steady(self, local: int) -> bool:
        """Whether a clock shows this time once: no doubled and no skipped one."""
        return self._offset(local, 0) == self._offset(local, 1)

    def _follow(self, local: int, steady: bool) -> None:
        if self._before is not None and local != self._before:
            self._step = abs(local - self._before)
            # From or to a time that the clock shows once, the order of the clock is the order of time.
            if steady or self._is_steady(self._before):
                self._descending = local < self._before
        self._before = local


def _before_row(found: Resolved, row: int) -> Resolved:
    return Resolved(
        found.times[:row],
        {at: why for at, why in found.faults.items() if at < row},
        {at: why for at, why in found.marks.items() if at < row},
    )
