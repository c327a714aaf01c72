"""Owns the order of the analysis: what is new in the record, day by day to results, then findings over all of them."""

from __future__ import annotations

import datetime as dt
import fcntl
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from analysis import boxes, counted, drift, file_clocks, hands, whereabouts
from analysis.ceiling import Steps
from analysis.findings import History, StoreEvent
from analysis.folding import fold
from analysis.in_force import SettingsThroughTime
from analysis.judging import judge_days
from analysis.results import StateRun
from analysis.results_reading import Results
from analysis.results_writing import write_changes, write_day, write_findings
from analysis.rules import RULES
from analysis.sun import DAY_MS, SunPath, day_start, solar_day
from logger import hands_on, parts, restarts, sealed
from logger.errors import StoreError
from logger.rollup import MINUTE_MS
from logger.settings import Located, Settings
from logger.settings_file import parse
from logger.store import HOUR_MS, keep_settings, open_writer, transaction

METHOD = "8"
# Days are worked out in pieces of this many, which bounds the memory, and written so many at a time, which bounds how
# long others wait.
_CHUNK_DAYS, _WRITTEN_DAYS = 30, 10
Progress = Callable[[int, int], None]


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
        self.settings = SettingsThroughTime(_settings_in_force(connection, located), self.longitude)
        self.record = _record_bounds(connection)
        self.warmth: dict[tuple[str, dt.date], Steps] = {}

    def run(self, progress: Progress) -> list[dt.date]:
        stale = self.connection.execute("SELECT hour, seq FROM stale").fetchall()
        done = self._work_off(sorted(self._touched(hour for hour, _ in stale) | self._outdated()), progress)
        # What the new days tell of a light sensor's gain moves the light of others.
        done |= self._work_off(self._drifted(), progress)
        # What they tell of the clock of a file moves what is believed of others.
        done |= self._work_off(self._doubted(), progress)
        with transaction(self.connection):
            boxes.work_out(self.connection, self.settings, self.located.settings, self.warmth, done, METHOD)
            self._write_findings()
            # An hour touched again meanwhile has another number and stays for the next time.
            self.connection.executemany("DELETE FROM stale WHERE hour = ? AND seq = ?", stale)
        return sorted(done)

    def _work_off(self, queue: list[dt.date], progress: Progress) -> set[dt.date]:
        done: set[dt.date] = set()
        drifts = drift.of_days(Results(self.connection).light_days()) if queue else {}
        doubts = self._doubts() if queue else {}
        while queue:
            piece, queue = self._next_piece(queue)
            done.update(piece)
            followed = self._work_out(piece, drifts, doubts)
            if followed and followed not in queue:
                queue = sorted([followed, *queue])
            progress(len(done), len(done) + len(queue))
        return done

    # -- which days --------------------------------------------------------------------------------------------

    def _touched(self, hours: Iterator[int]) -> set[dt.date]:
        days = set()
        for hour in hours:
            days |= {solar_day(hour, self.longitude), solar_day(hour + HOUR_MS - 1, self.longitude)}
        return {day for day in days if self._holds_data(day)}

    def _holds_data(self, day: dt.date) -> bool:
        """Whether the record holds something of a day, and at its two ends something of the day's light."""
        start = day_start(day, self.longitude)
        begin, end = max(start, self.record[0]), min(start + DAY_MS, self.record[1])
        if end - begin < DAY_MS:
            place = whereabouts.place(self.settings.on(day).settings)
            first, _, last = SunPath(start, start + DAY_MS, place).light_of_day(start)
            is_one_spell = first is None or last is None or first < last
            if is_one_spell and ((last is not None and begin >= last) or (first is not None and end <= first)):
                return False
        return any(
            self.connection.execute(f"SELECT 1 FROM {table} WHERE t >= ? AND t < ? LIMIT 1", (begin, end)).fetchone()
            for table in ("minute", "sample")
        ) or any(max(begin, day.first) <= min(end - 1, day.last) for day in self._sealed_days(begin, end))

    def _sealed_days(self, start: int, stop: int) -> list[sealed.Sealed]:
        return sealed.between(self.connection, "sample", start, stop)

    def _outdated(self) -> set[dt.date]:
        """Days judged by another method or by settings that no longer stand for them."""
        outdated = set()
        for day, start, digest, method in self.connection.execute(
            "SELECT day, start, settings_hash, method FROM assessed"
        ):
            date = dt.date.fromisoformat(day)
            if method != METHOD or digest != self.settings.on(date).hash or start != day_start(date, self.longitude):
                outdated.add(date)
        return outdated

    def _drifted(self) -> list[dt.date]:
        """Days whose light was judged by another drift of its sensor than all days together tell."""
        days = Results(self.connection).light_days()
        known = drift.of_days(days)
        return sorted({d.day for d in days if d.drift != known.get((d.channel, d.day), drift.NONE).gain})

    def _doubts(self) -> file_clocks.Doubts:
        return file_clocks.doubts(self._filed_days(), self.located.settings)

    def _filed_days(self) -> list[file_clocks.PowerDay]:
        settings = self.located.settings
        filed = {a.name for a in settings.array if file_clocks.source_of_power(settings, a.name)}
        return [d for d in Results(self.connection).power_days() if d.array in filed] if filed else []

    def _doubted(self) -> list[dt.date]:
        """Days judged by another trust in the clock of their file than all days together tell."""
        days = self._filed_days()
        doubts = file_clocks.doubts(days, self.located.settings)
        return sorted(
            {
                d.day
                for d in days
                if d.doubted != any(start <= d.start < stop for start, stop in doubts.get(d.array, ()))
            }
        )

    def _next_piece(self, queue: list[dt.date]) -> tuple[list[dt.date], list[dt.date]]:
        """The first days of the queue that follow one another under the same settings."""
        piece = [queue[0]]
        first = self.settings.on(queue[0])
        # Under way the sun of each day is another place's.
        most = 1 if first.settings.site.moored == "under way" else _CHUNK_DAYS
        for day in queue[1:most]:
            if day - piece[-1] != dt.timedelta(1) or self.settings.on(day) != first:
                break
            piece.append(day)
        return piece, queue[len(piece) :]

    # -- one piece ---------------------------------------------------------------------------------------------

    def _work_out(self, days: list[dt.date], drifts: drift.Drifts, doubts: file_clocks.Doubts) -> dt.date | None:
        """Work out a piece and write it; the day after it, where what it carries over has changed."""
        judging = self.settings.on(days[0])
        settings = judging.settings
        before = {a.name: self._covered_before(a.name, day_start(days[0], self.longitude)) for a in settings.array}
        after_old = {
            a.name: self._covered_before(a.name, day_start(days[-1], self.longitude) + DAY_MS) for a in settings.array
        }
        results = judge_days(
            self.connection, settings, judging.hash, days, before, self.record, self.longitude, drifts, doubts
        )
        for begin in range(0, len(results), _WRITTEN_DAYS):
            with transaction(self.connection):
                for result in results[begin : begin + _WRITTEN_DAYS]:
                    write_day(self.connection, result, METHOD)
        for result in results:
            self.warmth |= {(box, result.sun.day): steps for box, steps in result.warmth.items()}
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
        now = round(dt.datetime.now(dt.UTC).timestamp() * 1000)
        work = hands_on.between(self.connection, 0, now + 1)
        names = {a.name for a in self.located.settings.array}
        array_days = [d for d in results.array_days() if d.array in names]
        history = History(
            settings=self.located.settings,
            array_days=array_days,
            loops=results.loops(),
            enclosures=results.enclosures(),
            bank_days=results.bank_days(),
            states=_telling_states(self.connection, names),
            light_days=results.light_days(),
            counters=counted.of_days(self.connection, self.located.settings, array_days),
            stop=self.record[1],
            events=_events(self.connection),
            twin_days=results.twin_days(),
            facing_days=[d for d in results.facing_days() if d.array in names],
            alike_days=[d for d in results.alike_days() if {d.one, d.other} <= names],
            box_spells=results.box_spells(),
            notes=results.notes(),
            work=work,
            changes=self.settings.changes(),
        )
        write_changes(self.connection, history.changes)
        found = [finding for rule in RULES for finding in rule(history)]
        found = hands.at_rest(fold(found, self.located.settings), work, self.located.settings, now)
        write_findings(self.connection, found, METHOD)


def _events(connection: sqlite3.Connection) -> list[StoreEvent]:
    """What befell the store itself, and of what befell sources that which rules look at."""
    rows = connection.execute(
        "SELECT t, kind, text, source FROM event WHERE source IS NULL OR kind IN (?, ?, ?) ORDER BY t, id",
        (parts.UNHEARD, parts.HEARD, restarts.KIND),
    )
    return [StoreEvent(*row) for row in rows]


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


def _settings_in_force(connection: sqlite3.Connection, located: Located) -> list[tuple[int, Settings]]:
    """The kept settings in their order; where nothing was ever recorded live, the file as it stands judges all.

    A record that came from files alone has no moments at which one settings file gave way to another: correcting the
    file corrects the judgement of the whole record.
    """
    live = connection.execute("SELECT count(*) FROM session").fetchone()[0]
    now = int(dt.datetime.now(dt.UTC).timestamp() * 1000)
    with transaction(connection):
        if not live:
            connection.execute("DELETE FROM settings WHERE hash <> ?", (located.hash,))
            ends = sealed.ends(connection, "sample")
            keep_settings(connection, ends[0] if ends else now, located.hash, located.text)
        else:
            keep_settings(connection, now, located.hash, located.text)
    rows = connection.execute("SELECT start, hash, text FROM settings ORDER BY start, id").fetchall()
    return [
        (start, located.settings if digest == located.hash else parse(text, where="kept settings"))
        for start, digest, text in rows
    ]


def _record_bounds(connection: sqlite3.Connection) -> tuple[int, int]:
    """Beginning and end of what the record covers, UTC [ms]: of its closed minutes and of its longer means."""
    minutes = sealed.ends(connection, "minute")
    start, stop = connection.execute(
        "SELECT min(start), max(stop) FROM span WHERE interval_ms > ?", (MINUTE_MS,)
    ).fetchone()
    starts = [t for t in (minutes[0] if minutes else None, start) if t is not None]
    stops = [t for t in (minutes[1] + MINUTE_MS if minutes else None, stop) if t is not None]
    return min(starts, default=0), max(stops, default=0)
