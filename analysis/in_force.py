"""Owns which settings judge which day, and when a part of the vessel changed."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analysis.sun import day_start, solar_day
from logger.settings import Dated, Settings

# What may be altered without touching a thing aboard: limits to keep to, points that are set, figures of a sheet.
_NOT_PHYSICAL = {
    "from_", "until", "temperature_limit", "input_voltage_limit", "output_current_limit", "efficiency",
    "absorption_v", "float_v",
}  # fmt: skip
_NOT_JUDGING = {"source": True, "store": True, "site": {"name", "timezone", "coldest_c", "hottest_c"}}


@dataclass(frozen=True, slots=True)
class Judging:
    """What judges one day.

    Attributes
    ----------
    settings : Settings
        With only the parts that were there.
    hash : str
        Digest of whatever a judgement depends on: where it is the same, so is the judgement. Dates, the way
        in which sources are read, comments and what only `check` asks for are no part of it.
    """

    settings: Settings
    hash: str


class SettingsThroughTime:
    """The settings files that were in force, one after the other, with the dates that they carry themselves.

    Parameters
    ----------
    kept : sequence of (int, Settings)
        From when on each was in force, UTC [ms], in order. Before the first, the first one counts.
    longitude : float
        Of the solar days.
    """

    def __init__(self, kept: Sequence[tuple[int, Settings]], longitude: float) -> None:
        self._days = [solar_day(start, longitude) for start, _ in kept]
        self._files = [settings for _, settings in kept]
        self._longitude = longitude
        self._known: dict[tuple[int, tuple[bool, ...]], Judging] = {}

    def on(self, day: dt.date) -> Judging:
        """What judges a solar day: the last file that came into force before the day's end."""
        at = max((i for i, start in enumerate(self._days) if start <= day), default=0)
        key = (at, tuple(part.in_force(day) for _, part in _dated(self._files[at])))
        if key not in self._known:
            settings = self._files[at].on(day)
            self._known[key] = Judging(settings, _digest(settings))
        return self._known[key]

    def changes(self) -> dict[str, list[int]]:
        """When each part changed physically.

        A part changes when its entry gives way to another of its name by their dates, or when a settings file comes
        into force in which something physical about it reads otherwise.

        Returns
        -------
        dict of str to list of int
            Subject, as ``array.cabin``, to the starts of solar days, UTC [ms], in order.
        """
        days = sorted({*self._days[1:], *self._own_dates()})
        found: dict[str, list[int]] = {}
        known: dict[str, str] = {}
        for day in [dt.date.min, *days]:
            for subject, part in _parts(self.on(day).settings):
                physical = part.model_dump_json(exclude=_NOT_PHYSICAL)
                before = known.get(subject)
                if before is not None and (physical != before or part.from_ == day):
                    found.setdefault(subject, []).append(day_start(day, self._longitude))
                known[subject] = physical
        return found

    def _own_dates(self) -> Iterator[dt.date]:
        for settings in self._files:
            for _, part in _dated(settings):
                if part.from_:
                    yield part.from_
                if part.until and part.until < dt.date.max:
                    yield part.until + dt.timedelta(1)


def _dated(settings: Settings) -> Iterator[tuple[str, Dated]]:
    for kind in type(settings).model_fields:
        value = getattr(settings, kind)
        yield from ((kind, part) for part in (value if isinstance(value, list) else []) if isinstance(part, Dated))


def _parts(settings: Settings) -> Iterable[tuple[str, Dated]]:
    return ((f"{kind}.{part.name}", part) for kind, part in _dated(settings) if hasattr(part, "name"))


def _digest(settings: Settings) -> str:
    dates = {kind: {"__all__": {"from_", "until"}} for kind, _ in _dated(settings)}
    text = settings.model_dump_json(exclude={**_NOT_JUDGING, **dates})  # type: ignore[arg-type]
    # Of the sources only what they bring: it decides what the analysis looks for.
    named = sorted({entry.channel for source in settings.source for entry in source.channel})
    return hashlib.sha256("\n".join([text, *named]).encode()).hexdigest()
