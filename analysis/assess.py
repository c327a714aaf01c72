"""Owns the order of the analysis: what is new in the record, day by day to results, then findings over all of them."""

from __future__ import annotations

import datetime as dt
import fcntl
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis import bank, enclosure, expected, irradiance, states, wiring, yields
from analysis.findings import History, fold
from analysis.frames import Grid, Stretch, grid_for, load
from analysis.results import ArrayDay, DayResults, Results, StateRun, SunDay, write_day, write_findings
from analysis.rules import RULES
from analysis.sun import DAY_MS, Place, SunPosition, day_start, light_of_day, position, solar_day
from logger.errors import StoreError
from logger.rollup import MINUTE_MS
from logger.settings import Array, Located, Settings
from logger.settings_file import parse
from logger.store import HOUR_MS, keep_settings, open_writer, transaction

METHOD = "1"
# Days are worked out in pieces of this many, which bounds the memory.
_CHUNK_DAYS = 10
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class InForce:
    """A settings file and the moment from which it judges, UTC [ms]."""

    start: int
    hash: str
    settings: Settings


def assess(located: Located, progress: Progress = lambda done, total: None) -> list[dt.date]:
    """Work out what is new in the store of these settings, and its findings.

    Parameters
    ----------
    located : Located
        The settings in force now.
    progress : callable
        Called with days done and days to do.

    Returns
    -------
    list of datetime.date
        The solar days that were worked out, in order.

    Raises
    ------
    StoreError
        There is no store, it cannot be used, or another assessment is at work on it.
    """
    path = located.store_path
    with _alone(path):
        connection = open_writer(path)
        try:
            return _Assessment(connection, located).run(progress)
        finally:
            connection.close()


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """One assessment at a time: another one leaves with a message."""
    if not path.exists():
        raise StoreError(f"store {path}: there is none yet; record or import something first")
    with path.with_name(path.name + ".assess").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise StoreError(f"store {path}: another assessment is at work on it; wait for it and ask again") from None
        yield


class _Assessment:
    def __init__(self, connection: sqlite3.Connection, located: Located) -> None:
        self.connection = connection
        self.located = located
        self.longitude = located.settings.site.longitude
        self.in_force = _settings_in_force(connection, located)
        self.record_stop = _record_stop(connection)

    def run(self, progress: Progress) -> list[dt.date]:
        stale = self.connection.execute("SELECT hour, seq FROM stale").fetchall()
        wanted = sorted(self._touched(hour for hour, _ in stale) | self._outdated())
        done: list[dt.date] = []
        queue = wanted
        while queue:
            piece, queue = self._next_piece(queue)
            done += piece
            followed = self._work_out(piece)
            if followed and followed not in queue:
                queue = sorted([followed, *queue])
            progress(len(done), len(done) + len(queue))
        with transaction(self.connection):
            self._write_findings()
            # An hour touched again meanwhile has another number and stays for the next time.
            self.connection.executemany("DELETE FROM stale WHERE hour = ? AND seq = ?", stale)
        return done

    # -- which days --------------------------------------------------------------------------------------------

    def _touched(self, hours: Iterator[int]) -> set[dt.date]:
        days = set()
        for hour in hours:
            days |= {solar_day(hour, self.longitude), solar_day(hour + HOUR_MS - 1, self.longitude)}
        return {day for day in days if day_start(day, self.longitude) < self.record_stop}

    def _outdated(self) -> set[dt.date]:
        """Days judged by another method or by settings that no longer stand for them."""
        outdated = set()
        for day, start, digest, method in self.connection.execute(
            "SELECT day, start, settings_hash, method FROM assessed"
        ):
            date = dt.date.fromisoformat(day)
            if method != METHOD or digest != self._settings(date).hash or start != day_start(date, self.longitude):
                outdated.add(date)
        return outdated

    def _settings(self, day: dt.date) -> InForce:
        start = day_start(day, self.longitude)
        standing = [s for s in self.in_force if s.start < start + DAY_MS]
        return standing[-1] if standing else self.in_force[0]

    def _next_piece(self, queue: list[dt.date]) -> tuple[list[dt.date], list[dt.date]]:
        """The first days of the queue that follow one another under the same settings."""
        piece = [queue[0]]
        first = self._settings(queue[0])
        standing = first.settings.on(queue[0])
        for day in queue[1:_CHUNK_DAYS]:
            after = self._settings(day)
            if day - piece[-1] != dt.timedelta(1) or after.hash != first.hash or after.settings.on(day) != standing:
                break
            piece.append(day)
        return piece, queue[len(piece) :]

    # -- one piece ---------------------------------------------------------------------------------------------

    def _work_out(self, days: list[dt.date]) -> dt.date | None:
        """Work out a piece and write it; the day after it, where what it carries over has changed."""
        in_force = self._settings(days[0])
        settings = in_force.settings.on(days[0])
        before = {a.name: self._covered_before(a.name, day_start(days[0], self.longitude)) for a in settings.array}
        after_old = {
            a.name: self._covered_before(a.name, day_start(days[-1], self.longitude) + DAY_MS) for a in settings.array
        }
        results = judge_days(self.connection, settings, in_force.hash, days, before, self.record_stop, self.longitude)
        for result in results:
            with transaction(self.connection):
                write_day(self.connection, result, METHOD)
        following = days[-1] + dt.timedelta(1)
        end = day_start(following, self.longitude)
        after_new = {a.name: self._covered_before(a.name, end) for a in settings.array}
        known = self.connection.execute("SELECT 1 FROM assessed WHERE day = ?", (following.isoformat(),)).fetchone()
        return following if known and after_new != after_old else None

    def _covered_before(self, array: str, moment: int) -> bool:
        row = self.connection.execute(
            "SELECT state FROM state WHERE array = ? AND start < ? AND state NOT IN ('night', 'unheard', 'unknown') "
            "ORDER BY start DESC LIMIT 1",
            (array, moment),
        ).fetchone()
        return bool(row and row[0] == "covered")

    def _write_findings(self) -> None:
        results = Results(self.connection)
        names = {a.name for a in self.located.settings.array}
        history = History(
            settings=self.located.settings,
            array_days=[d for d in results.array_days() if d.array in names],
            loops=results.loops(),
            enclosures=results.enclosures(),
            bank_days=results.bank_days(),
            states=_telling_states(self.connection, names),
            stop=self.record_stop,
        )
        found = [finding for rule in RULES for finding in rule(history)]
        write_findings(self.connection, fold(found, self.located.settings), METHOD)


def _telling_states(connection: sqlite3.Connection, names: set[str]) -> list[StateRun]:
    """State runs of all time, those of plain days joined: rules ask where an array was covered or unheard."""
    runs: list[StateRun] = []
    for array in sorted(names):
        for row in connection.execute(
            "SELECT array, start, stop, state, evidence FROM state WHERE array = ? AND state <> 'night' ORDER BY start",
            (array,),
        ):
            run = StateRun(*row)
            plain = run.state not in ("covered", "unheard")
            if plain and runs and runs[-1].array == array and runs[-1].state not in ("covered", "unheard"):
                runs[-1] = replace(runs[-1], stop=run.stop)
            else:
                runs.append(run)
    return runs


def _settings_in_force(connection: sqlite3.Connection, located: Located) -> list[InForce]:
    """The kept settings in their order; where nothing was ever recorded live, the file as it stands judges all.

    A record that came from files alone has no moments at which one settings file gave way to another: correcting the
    file corrects the judgement of the whole record.
    """
    live = connection.execute("SELECT count(*) FROM session").fetchone()[0]
    now = int(dt.datetime.now(dt.UTC).timestamp() * 1000)
    with transaction(connection):
        if not live:
            connection.execute("DELETE FROM settings WHERE hash <> ?", (located.hash,))
            first = connection.execute("SELECT min(t) FROM sample").fetchone()[0]
            keep_settings(connection, first if first is not None else now, located.hash, located.text)
        else:
            keep_settings(connection, now, located.hash, located.text)
    rows = connection.execute("SELECT start, hash, text FROM settings ORDER BY start, id").fetchall()
    return [
        InForce(start, digest, located.settings if digest == located.hash else parse(text, where="kept settings"))
        for start, digest, text in rows
    ]


def _record_stop(connection: sqlite3.Connection) -> int:
    """End of what the record covers, UTC [ms]: of its closed minutes and of its longer means."""
    minute = connection.execute("SELECT max(t) FROM minute").fetchone()[0]
    spans = connection.execute("SELECT max(stop) FROM span WHERE interval_ms > ?", (MINUTE_MS,)).fetchone()[0]
    return max((minute + MINUTE_MS) if minute is not None else 0, spans or 0)


# -- from record to results, without writing --------------------------------------------------------------------


def judge_days(
    connection: sqlite3.Connection,
    settings: Settings,
    settings_hash: str,
    days: Sequence[dt.date],
    covered_before: dict[str, bool],
    record_stop: int,
    longitude: float,
) -> list[DayResults]:
    """Results of solar days that follow one another, under one set of parts.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    settings : Settings
        With the parts in force.
    settings_hash : str
    days : sequence of datetime.date
    covered_before : dict
        Array to whether it was covered when the first day began.
    record_stop : int
        Where the record ends, UTC [ms].
    longitude : float
        Of the solar days.
    """
    site = settings.site
    place = Place(site.latitude, site.longitude, site.elevation)
    first = day_start(days[0], longitude)
    # A day ahead, for what the frost remembers and for means that reach in.
    stretch = load(connection, first - DAY_MS, first + len(days) * DAY_MS, _wanted(settings))
    suns = [_sun_day(day, day_start(day, longitude), place, settings_hash) for day in days]
    arrays = {
        a.name: _judge_array(a, settings, stretch, suns, place, covered_before[a.name], record_stop)
        for a in settings.array
    }
    results = []
    for i, sun in enumerate(suns):
        daylight = (sun.first_light or sun.start, sun.last_light or sun.stop)
        loops = [wiring.of_day(c, settings, stretch, sun.start, sun.stop, daylight) for c in settings.cable]
        boxes = [e for box in settings.enclosure for e in enclosure.of_day(box, settings, stretch, sun.start, sun.stop)]
        results.append(
            DayResults(
                sun=sun,
                array_days=[judged[i].day for judged in arrays.values()],
                expected={name: judged[i].expected for name, judged in arrays.items()},
                states=[run for judged in arrays.values() for run in judged[i].states],
                loops=[e for e in loops if e is not None],
                enclosures=boxes,
                bank=bank.of_day(settings, stretch, sun.start, sun.stop),
            )
        )
    return results


@dataclass(frozen=True, slots=True)
class _Judged:
    day: ArrayDay
    expected: pd.DataFrame
    states: list[StateRun]


def _judge_array(
    array: Array,
    settings: Settings,
    stretch: Stretch,
    suns: Sequence[SunDay],
    place: Place,
    covered: bool,
    record_stop: int,
) -> list[_Judged]:
    """One array over the days, in groups of days whose intervals are of one length."""
    judged: list[_Judged] = []
    grids = [_grid(array, stretch, sun) for sun in suns]
    begin = 0
    for i in range(1, len(suns) + 1):
        if i == len(suns) or grids[i].step != grids[begin].step:
            group, covered = _judge_group(
                array, settings, stretch, suns[begin:i], grids[begin:i], place, covered, record_stop
            )
            judged += group
            begin = i
    return judged


def _judge_group(
    array: Array,
    settings: Settings,
    stretch: Stretch,
    suns: Sequence[SunDay],
    grids: Sequence[Grid],
    place: Place,
    covered: bool,
    record_stop: int,
) -> tuple[list[_Judged], bool]:
    whole = Grid(np.concatenate([g.start for g in grids]), grids[0].step)
    everywhere = position(whole.middle, place)
    up = everywhere.elevation > 0.0
    grid = Grid(whole.start[up], whole.step)
    sun = SunPosition(
        *(column[up] for column in (everywhere.elevation, everywhere.apparent_zenith, everywhere.azimuth))
    )
    controller = next((c for c in settings.controller if c.name == array.controller), None)
    light = irradiance.on_array(array, stretch, grid, sun, place, settings.site.moored)
    said = states.measured(array, controller, stretch, grid)
    could = expected.of_array(array, light, stretch, grid, settings)
    state = states.of_array(array, controller, settings, light, sun, said, could, stretch, grid, covered)
    judged = []
    for day in suns:
        a, b = np.searchsorted(grid.start, [day.start, day.stop])
        mask = np.zeros(len(grid.start), dtype=bool)
        mask[a:b] = True
        heard = mask & (grid.start < record_stop)
        judged.append(
            _Judged(
                yields.of_day(array, day, mask, grid, light, said, could, state, record_stop),
                _expected_frame(heard & (state != states.NIGHT), grid, light, said, could),
                yields.runs(array.name, state, heard, grid, day, record_stop),
            )
        )
    lit = state[(grid.start < record_stop) & ~np.isin(state, (states.NIGHT, states.UNHEARD, states.UNKNOWN))]
    return judged, bool(lit[-1] == states.COVERED) if len(lit) else covered


def _expected_frame(
    where: yields.Mask, grid: Grid, light: irradiance.Light, said: states.Measured, could: expected.Expected
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "interval_ms": grid.step,
            "measured_w": said.power[where],
            "expected_w": could.power[where],
            "low_w": could.low[where],
            "high_w": could.high[where],
            "plane_wm2": light.plane[where],
            "module_c": could.cell[where],
        },
        index=pd.DatetimeIndex(grid.start[where].astype("datetime64[ms]"), name="t").tz_localize("UTC"),
    )


def _grid(array: Array, stretch: Stretch, sun: SunDay) -> Grid:
    """As coarse as the coarsest of what must be known of an array: one kind of power, one kind of light."""
    powers = [f"array.{array.name}.{q}" for q in ("voltage", "current", "power")]
    lights = [f"irradiance.{array.name}.plane", "irradiance.horizontal.global"]
    power = [p for c in powers if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    light = [p for c in lights if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    return grid_for([*power, *light[:1]], sun.start, sun.stop)


def _sun_day(day: dt.date, start: int, place: Place, settings_hash: str) -> SunDay:
    first, noon, last = light_of_day(start, place)
    return SunDay(day, start, start + DAY_MS, first, noon, last, settings_hash)


def _wanted(settings: Settings) -> list[str]:
    wanted = ["irradiance.horizontal.global", "air.outside.temperature", "air.outside.wind_speed"]
    for array in settings.array:
        wanted.append(f"irradiance.{array.name}.plane")
        wanted += [
            f"array.{array.name}.{q}" for q in ("voltage", "current", "power", "module_voltage", "module_temperature")
        ]
    for controller in settings.controller:
        wanted += [
            f"controller.{controller.name}.{q}" for q in ("output_voltage", "output_current", "output_power", "stage")
        ]
    if settings.bank:
        wanted += [f"bank.{settings.bank.name}.{q}" for q in ("voltage", "current", "state_of_charge")]
    for box in settings.enclosure:
        wanted.append(f"enclosure.{box.name}.temperature")
        if box.surroundings:
            wanted.append(f"{box.surroundings}.temperature")
    wanted += [f"fan.{fan.name}.running" for fan in settings.fan]
    return wanted
