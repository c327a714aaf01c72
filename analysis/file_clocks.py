"""Owns what the ends of an array's power say, over many days, of the clock of the file that tells it.

Where power is all there is, no single day tells an hour: a plane that leans away from the morning wakes late. From day
to day it does so alike. Where both ends of the day move by an hour at once, and stay there, the clock has moved, not
the sun: as one that keeps summer time does twice a year. Far beyond what a plane can do, a single day tells as well.

Live lines are stamped by the logger's own clock, which others vouch for: only files are looked at.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.findings import spells
from analysis.results import ArrayDay
from logger.settings import Settings, Site, Source
from logger.zones import zone

# Key of the day's two ends in its features [min]; and of whether its power was left out for the clock's sake.
ENDS, DOUBTED = "power_ends", "clock_doubted"
# Days that tell on either side of a step, of those within so many days; common practice, no source.
_EACH_SIDE, _LEAST_SIDE, _WITHIN_DAYS = 10, 5, 21
# A step of an hour, told by means of a quarter of an hour and by weather; either end must have gone along.
_HOUR_MIN, _OTHER_MIN, _LEAST_END_MIN = 60.0, 22.0, 25.0
# Of two readings of the clock the one whose noon is nearer the sun's is the true one, by so much at least; else that in
# the standard time of the zone [min].
_NEARER_MIN = 20.0
# Where the days that tell are few, a step lies within so many of the zone's own change.
_AT_CHANGE_DAYS = 7
# Power so long after sunset, or before sunrise, and none for as long at the other end: no plane does that [min].
_BEYOND_MIN, _WELL_MIN = 25.0, 5.0
# Where hours are missing at the other end, less is enough: no more of the dark is read.
_HOURS_MIN, _SEEN_MIN = 120.0, 12.0
# So long after the sun a plane that faces the midday wakes to that power, and so long before it it goes to sleep: 15 to
# 50 minutes on three measured roofs.
_WAKES_MIN = 30.0

# Zones that keep summer time, one of each way of keeping it and of each hour, with its standard hour: what a clock may
# have been set to where the site's own zone does not change when it does.
_CHANGING = {
    "America/Anchorage": -9, "America/Los_Angeles": -8, "America/Denver": -7, "America/Chicago": -6,
    "America/New_York": -5, "America/Halifax": -4, "America/Santiago": -4, "America/St_Johns": -3.5,
    "Atlantic/Azores": -1, "Europe/London": 0, "Europe/Paris": 1, "Europe/Athens": 2, "Asia/Jerusalem": 2,
    "Australia/Adelaide": 9.5, "Australia/Sydney": 10, "Pacific/Auckland": 12,
}  # fmt: skip

Doubts = Mapping[str, Sequence[tuple[int, int]]]


@dataclass(frozen=True, slots=True)
class PowerDay:
    """What one day of an array says of the clock of its file: its `ENDS`, None where not told, and its `DOUBTED`."""

    array: str
    day: dt.date
    start: int
    stop: int
    ends: tuple[float, float] | None
    doubted: bool

    @classmethod
    def of(cls, day: ArrayDay) -> PowerDay:
        ends = day.features.get(ENDS)
        return cls(day.array, day.day, day.start, day.stop, tuple(ends) if ends else None, DOUBTED in day.features)


@dataclass(frozen=True, slots=True)
class _Told:
    """A day that told its ends."""

    day: dt.date
    start: int
    stop: int
    ends: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Off:
    """A stretch over which the clock of a file was off.

    Attributes
    ----------
    start, stop : int
        UTC [ms]; `stop` is the end of the last day that is known so.
    shift_min : float
        By how much its noon comes after the sun's.
    zone : str or None
        Zone whose civil clock changes as this one stepped; None where none does.
    summer : bool
        Whether that zone keeps summer time over the stretch.
    over : bool
        Whether days after it are right again.
    """

    start: int
    stop: int
    shift_min: float
    zone: str | None
    summer: bool
    over: bool

    @property
    def keeps_summer_time(self) -> bool:
        """Whether it is the clock that changes with the seasons, and not what the settings say of it."""
        return self.zone is not None and (self.shift_min > 0) == self.summer


def source_of_power(settings: Settings, array: str) -> Source | None:
    """The file that gives an array's power; None where a live line speaks of it too."""
    channels = {f"array.{array}.{q}" for q in ("voltage", "current", "power")}
    giving = [s for s in settings.source if any(entry.channel in channels for entry in s.channel)]
    return giving[0] if giving and all(s.kind == "csv" for s in giving) else None


def off(days: Sequence[PowerDay], site: Site) -> list[Off]:
    """Stretches over which the clock was off, in order.

    Parameters
    ----------
    days : sequence of PowerDay
        Of one array, all that were judged, in order.
    site : Site
        Where the array lies, and in which civil zone: it changes its clock first of all.
    """
    told = [_Told(d.day, d.start, d.stop, d.ends) for d in days if d.ends is not None]
    by_steps = list(_by_steps(told, site))
    return by_steps or _by_hours(told)


def doubts(days: Sequence[PowerDay], settings: Settings) -> dict[str, list[tuple[int, int]]]:
    """Of each array that a file speaks for, the stretches [UTC ms] in which its stamps are not believed."""
    found = {}
    for name in sorted({d.array for d in days}):
        if source_of_power(settings, name) is not None:
            mine = off([d for d in days if d.array == name], settings.site)
            found[name] = [(o.start, o.stop) for o in mine]
    return found


# -- steps of an hour ---------------------------------------------------------------------------------------------


def _by_steps(told: Sequence[_Told], site: Site) -> Iterator[Off]:
    steps = _steps(told)
    if not steps:
        return
    known = _zone_of(told, steps, site)
    timezone = known or site.timezone
    middle = np.array([sum(d.ends) / 2 for d in told])
    edges = [0, *steps, len(told)]
    level = [float(np.median(middle[a:b])) for a, b in pairwise(edges)]
    true = _true_level(told, edges, level, timezone)
    for i, (a, b) in enumerate(pairwise(edges)):
        if abs(level[i] - true) < _HOUR_MIN - _OTHER_MIN:
            continue
        begin = _change_at(told, a, timezone) if known and a else None
        end = _change_at(told, b, timezone) if known and b < len(told) else None
        yield Off(
            start=begin if begin is not None else told[a].start,
            stop=end if end is not None else told[b - 1].stop,
            shift_min=level[i] - true,
            zone=known,
            summer=_is_summer(told[(a + b) // 2].day, timezone),
            over=b < len(told),
        )


def _steps(told: Sequence[_Told]) -> list[int]:
    """Places of the days with which an hour's step begins."""
    ends = np.array([d.ends for d in told], dtype=float).reshape(-1, 2)
    day = np.array([d.day.toordinal() for d in told])
    best: list[tuple[int, float]] = []
    for i in range(_LEAST_SIDE, len(told) - _LEAST_SIDE + 1):
        a = max(int(np.searchsorted(day, day[i] - _WITHIN_DAYS)), i - _EACH_SIDE)
        b = min(int(np.searchsorted(day, day[i - 1] + _WITHIN_DAYS, side="right")), i + _EACH_SIDE)
        if i - a < _LEAST_SIDE or b - i < _LEAST_SIDE:
            continue
        before, after = np.median(ends[a:i], axis=0), np.median(ends[i:b], axis=0)
        moved = after - before
        if abs(abs(moved.mean()) - _HOUR_MIN) > _OTHER_MIN or (moved * np.sign(moved.mean())).min() < _LEAST_END_MIN:
            continue
        misfit = float(np.abs(ends[a:i] - before).sum() + np.abs(ends[i:b] - after).sum()) / (b - a)
        if best and day[i] - day[best[-1][0]] <= _WITHIN_DAYS:
            if misfit < best[-1][1]:
                best[-1] = i, misfit
        else:
            best.append((i, misfit))
    return [i for i, _ in best]


def _zone_of(told: Sequence[_Told], steps: Sequence[int], site: Site) -> str | None:
    """The site's zone where its civil clock changes at all the steps; else the nearest of others that does."""
    hours = site.longitude / 15.0
    others = sorted(_CHANGING, key=lambda name: abs(_CHANGING[name] - hours))
    changing = (z for z in (site.timezone, *others) if all(_change_at(told, i, z) is not None for i in steps))
    return next(changing, None)


def _true_level(told: Sequence[_Told], edges: Sequence[int], level: Sequence[float], timezone: str) -> float:
    """The level of the stretch whose clock is taken for right."""
    nearest = min(abs(one) for one in level)
    close = [i for i, one in enumerate(level) if abs(one) < nearest + _NEARER_MIN]
    standard = [i for i in close if not _is_summer(told[(edges[i] + edges[i + 1]) // 2].day, timezone)]
    return min((level[i] for i in standard or close), key=abs)


def _is_summer(day: dt.date, timezone: str) -> bool:
    return bool(zone(timezone).dst(dt.datetime(day.year, day.month, day.day, 12)))  # noqa: DTZ001 - local on purpose


def _change_at(told: Sequence[_Told], i: int, timezone: str) -> int | None:
    """Start of the day on which the civil clock changes, between the days around a step or near to them, UTC [ms]."""
    low, high = told[i - 1].day - dt.timedelta(_AT_CHANGE_DAYS), told[i].day + dt.timedelta(_AT_CHANGE_DAYS)
    for n in range((high - low).days + 1):
        day = low + dt.timedelta(n)
        if _is_summer(day, timezone) != _is_summer(day - dt.timedelta(1), timezone):
            return told[i].start + (day - told[i].day).days * 86_400_000
    return None


# -- hours --------------------------------------------------------------------------------------------------------


def _by_hours(told: Sequence[_Told]) -> list[Off]:
    found = []
    for spell in spells(told, bad=_is_beyond, well=lambda d: min(_outer_and_inner(d)) < _WELL_MIN):
        shift = statistics.median(_shift(d) for d in spell.shown)
        last = spell.shown[-1] if spell.returned else told[-1]
        over = spell.returned is not None
        found.append(Off(spell.shown[0].start, last.stop, shift, zone=None, summer=False, over=over))
    return found


def _is_beyond(day: _Told) -> bool:
    outer, inner = _outer_and_inner(day)
    return min(outer, inner) > (_BEYOND_MIN if inner < _HOURS_MIN else _SEEN_MIN)


def _outer_and_inner(day: _Told) -> tuple[float, float]:
    """How far the day's power lies beyond one end of the light, and within the other [min]."""
    first, last = day.ends
    return (last, first) if first + last > 0 else (-first, -last)


def _shift(day: _Told) -> float:
    """By how much the day's power comes late [min]; of hours the end that was read whole tells more than the other."""
    first, last = day.ends
    side = 1.0 if first + last > 0 else -1.0
    _, inner = _outer_and_inner(day)
    return side * (inner - _WAKES_MIN) if inner > _HOURS_MIN else (first + last) / 2
