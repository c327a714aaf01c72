"""Owns what one page is drawn from: a short-lived read-only connection, the settings, and the present moment."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from analysis.iec61724 import grouped, period
from analysis.report_iec61724 import performance_entry, storage_entry
from analysis.results import ArrayDay, Finding, Ladder, Note, SunDay, TwinDay
from analysis.results_reading import Results
from analysis.trends import REACH_DAYS, Trend, of_results
from analysis.twins import Compared, since_changed, weeks
from dashboard import troubles
from dashboard.spans import ArraySpan, from_days
from dashboard.writing import LocalTime, period_word
from logger.errors import SettingsError, StoreError, StoreMissing
from logger.hands_on import HandsOn
from logger.record import Record
from logger.settings import Settings
from logger.settings_file import read
from logger.store import open_reader

SPAN_DAYS = 14
_SEASON_DAYS = 92


class NothingToShow(Exception):
    """A page has nothing to draw; the arguments are what is missing, what to do, and further lines."""

    def __init__(self, missing: str, todo: str, lines: tuple[str, ...] = ()) -> None:
        super().__init__(missing)
        self.missing, self.todo, self.lines = missing, todo, lines


@dataclass(frozen=True)
class View:
    """One request's sight of the record.

    Attributes
    ----------
    settings : Settings
        As the file stands now.
    results, record : Results, Record
        On one connection that closes with the request.
    when : LocalTime
        The site's zone and the present.
    days : list of SunDay
        The judged days of the span that is shown, oldest first; never empty.
    earlier : bool
        Later days have been judged too.
    """

    settings: Settings
    results: Results
    record: Record
    when: LocalTime
    days: list[SunDay]
    earlier: bool

    @property
    def first(self) -> dt.date:
        return self.days[0].day

    @property
    def last(self) -> dt.date:
        return self.days[-1].day

    @cached_property
    def work(self) -> list[HandsOn]:
        """Where hands are now."""
        return self.results.work(self.when.now, self.when.now + 1)

    @cached_property
    def array_days(self) -> list[ArrayDay]:
        return self.results.array_days(self.first, self.last)

    @cached_property
    def ladders(self) -> list[Ladder]:
        return self.results.ladders(self.first, self.last)

    @cached_property
    def spans(self) -> list[ArraySpan]:
        return from_days(self.array_days)

    @cached_property
    def trends(self) -> dict[str, Trend]:
        """How each array holds up, as it stood at the end of the span."""
        return of_results(self.results, self.last)

    @cached_property
    def grey_weeks(self) -> dict[tuple[str, str], list[Compared]]:
        """Each pair of arrays under the grey skies of the trends' reach, since one of them last changed."""
        days = since_changed(
            self.results.twin_days(self.last - dt.timedelta(REACH_DAYS), self.last), self.results.changes()
        )
        return {pair: weeks(of_pair, pair[0]) for pair, of_pair in days.items()}

    @cached_property
    def grey_days(self) -> dict[tuple[str, str], list[TwinDay]]:
        """The same days by themselves, of the span alone."""
        return since_changed(self.results.twin_days(self.first, self.last), self.results.changes())

    def performance(self, array: str) -> dict[str, dict[str, Any]]:
        """One array's results by IEC 61724-1: of the span, and of the week, month and season in which it ends."""
        begins = self.last - dt.timedelta(_SEASON_DAYS)
        days = [d for d in self.results.array_days(begins, self.last) if d.array == array]
        bank_wh = {e.day: e.bank_wh for e in self.results.ladders(begins, self.last) if e.array == array}
        found = {"these days": performance_entry([d for d in days if d.day >= self.first], bank_wh)}
        for by in ("week", "month", "season"):
            part = grouped(days, by)[period(self.last, by)]
            found[period_word(self.last, by)] = performance_entry(part, bank_wh)
        return found

    @cached_property
    def storage(self) -> dict[str, Any] | None:
        """What went through the bank in the span, as the standard counts it."""
        return storage_entry(self.results.storage_days(self.first, self.last), self.array_days)

    @cached_property
    def notes(self) -> list[Note]:
        """The logbook's lines of the span."""
        return self.results.notes(self.days[0].start, self.days[-1].stop)

    @cached_property
    def findings(self) -> list[Finding]:
        """Raised or in force in the span; where it is the newest, up to the present."""
        stop = self.days[-1].stop if self.earlier else 1 << 62
        return self.results.findings(self.days[0].start, stop)


@contextmanager
def opened(store: Path, settings_path: Path, now: int, until: str | None = None) -> Iterator[View]:
    """The view of one request.

    Parameters
    ----------
    store, settings_path : Path
        Where the record and the settings file should stand.
    now : int
        The present, UTC [ms].
    until : str, optional
        Last solar day of the span, YYYY-MM-DD; what cannot be read as a date counts as absent.

    Raises
    ------
    NothingToShow
        Something is missing; the exception says what, and what to do.
    """
    settings = _settings(settings_path)
    when = LocalTime(ZoneInfo(settings.site.timezone), now)
    try:
        with closing(open_reader(store)) as connection:
            results, record = Results(connection), Record(connection)
            days, earlier = _span(results, until)
            if not days:
                raise _nothing(record, when)
            yield View(settings.on(days[-1].day), results, record, when, days, earlier)
    except StoreMissing:
        raise NothingToShow(*troubles.store_missing(str(store))) from None
    except sqlite3.OperationalError as fault:
        older = "no such table" in str(fault) or "no such column" in str(fault)
        raise NothingToShow(*(troubles.record_older() if older else troubles.store_broken(str(fault)))) from None
    except (StoreError, sqlite3.Error) as fault:
        raise NothingToShow(*troubles.store_broken(str(fault))) from None


def _settings(path: Path) -> Settings:
    if not path.exists():
        raise NothingToShow(*troubles.settings_missing(str(path)))
    try:
        return read(path).settings
    except SettingsError as fault:
        missing, todo = troubles.settings_wrong(fault.where, len(fault.problems))
        raise NothingToShow(missing, todo, fault.problems) from None


def _span(results: Results, until: str | None) -> tuple[list[SunDay], bool]:
    try:
        last = dt.date.fromisoformat(until) if until else None
    except ValueError:
        last = None
    every = results.days()
    days = [day for day in every if last is None or day.day <= last] or every
    return days[-SPAN_DAYS:], len(days) < len(every)


def _nothing(record: Record, when: LocalTime) -> NothingToShow:
    bounds = record.bounds()
    if bounds is None:
        return NothingToShow(*troubles.record_empty())
    return NothingToShow(*troubles.not_judged(when.moment(bounds[1])))
