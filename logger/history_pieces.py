"""Owns one piece of history in the store: samples compared and written, marks, spans and rollups brought after."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, compress, repeat
from typing import Any

from logger import fresh_rollups, rollup, spans
from logger.plan import SourcePlan
from logger.readings import Block, RowReject
from logger.store import HOUR_MS, MAX_RAW, Channels, keep_rejects, touch_hours

SUPERSEDED = "superseded"
_FOR_EVER = 1 << 53
# Channels whose samples of one moment go in by one statement: SQLite allows 32,766 values in one, but not before 3.32.
_MOST_TOGETHER = 900


@dataclass(slots=True)
class Kept:
    """What became of some rows.

    Attributes
    ----------
    new, same, superseded : int
        Samples that were not there, that stood there already, that replaced another value.
    marked : int
        Samples with a mark among them.
    rejects : dict of str to (int, int)
        Reason to how many, and the first line.
    """

    new: int = 0
    same: int = 0
    superseded: int = 0
    marked: int = 0
    rejects: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        return self.new + self.same + self.superseded

    def add(self, other: Kept) -> None:
        """Count another block's rows in."""
        self.new += other.new
        self.same += other.same
        self.superseded += other.superseded
        self.marked += other.marked
        for reason, (count, line) in other.rejects.items():
            before, first = self.rejects.get(reason, (0, line))
            self.rejects[reason] = (before + count, min(first, line))


def counted(rejects: Iterable[RowReject]) -> dict[str, tuple[int, int]]:
    found: dict[str, tuple[int, int]] = {}
    for reject in rejects:
        count, line = found.get(reject.reason, (0, reject.line))
        found[reject.reason] = (count + 1, min(line, reject.line))
    return found


def keep_new_rejects(connection: sqlite3.Connection, source: str, block: Block) -> None:
    """Keep rejects that are not there yet, so that a second import of the file adds none."""
    if not block.rejects:
        return
    undated = block.times[0] if block.times else 0
    rows = [(undated if r.t is None else r.t, source, r.raw, r.reason) for r in block.rejects]
    keep_rejects(connection, _not_kept_yet(connection, source, rows))


def _not_kept_yet(
    connection: sqlite3.Connection, source: str, rows: Sequence[tuple[int, str, bytes, str]]
) -> list[tuple[int, str, bytes, str]]:
    known = set(connection.execute("SELECT t, source, raw, reason FROM reject WHERE source = ?", (source,)))
    return [row for row in dict.fromkeys((t, s, raw[:MAX_RAW], why) for t, s, raw, why in rows) if row not in known]


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows with different times; `replaced` holds values that a later row of the same time replaced."""

    times: list[int]
    columns: tuple[list[float | str | None], ...]
    marks: dict[tuple[int, int], tuple[str, ...]]
    replaced: list[tuple[int, int, float | str]]


def cut(block: Block, begin: int, end: int) -> Piece:
    if begin == 0 and end >= len(block.times):
        return Piece(block.times, block.columns, block.marks, [])
    marks = {(row - begin, at): why for (row, at), why in block.marks.items() if begin <= row < end}
    return Piece(block.times[begin:end], tuple(column[begin:end] for column in block.columns), marks, [])


def unique(piece: Piece) -> Piece:
    """One row a time: of two values for the same time and channel the later row's counts."""
    if len(set(piece.times)) == len(piece.times):
        return piece
    times = sorted(set(piece.times))
    columns, marks, replaced = [], {}, []
    for at, column in enumerate(piece.columns):
        holder: dict[int, int] = {}
        for row, (t, value) in enumerate(zip(piece.times, column, strict=True)):
            if value is None:
                continue
            before = column[holder[t]] if t in holder else None
            if before is not None and before != value:
                replaced.append((t, at, before))
            holder[t] = row
        columns.append([column[holder[t]] if t in holder else None for t in times])
        marks.update(
            {
                (place, at): piece.marks[holder[t], at]
                for place, t in enumerate(times)
                if (holder.get(t), at) in piece.marks
            }
        )
    return Piece(times, tuple(columns), marks, replaced)


class PieceWriter:
    """Writes pieces of one source."""

    def __init__(
        self, connection: sqlite3.Connection, channels: Channels, plan: SourcePlan, closed_before: int
    ) -> None:
        self._connection, self._channels, self._plan, self._closed_before = connection, channels, plan, closed_before
        self._interval = plan.time.interval_ms if plan.time else None
        self._ids: list[int] = []

    def write(self, piece: Piece, kept: Kept) -> None:
        """Samples, marks, spans and rollups of one piece, inside a transaction."""
        plans = self._plan.channels
        self._ids = [self._channels.id(channel.channel, channel.unit) for channel in plans]
        columns = [
            self._codes(number, column) if channel.is_text else column
            for number, channel, column in zip(self._ids, plans, piece.columns, strict=True)
        ]
        changed: dict[int, list[int]] = {}  # channel -> times
        room = fresh_rollups.room(self._connection, piece.times, self._interval, self._closed_before)
        there = {} if room else self._there(piece.times)
        if there:
            self._compare(piece, columns, there, kept, changed)
        else:
            self._insert(piece.times, columns, kept, changed)
        self._mark(piece, changed)
        self._supersede([(t, self._ids[at], value) for t, at, value in piece.replaced], kept)
        stretches = self._note_spans(piece.times, columns)
        summed = self._sum(room, piece, columns) if room else set()
        self._follow(changed, stretches, summed)

    def _codes(self, channel: int, column: Sequence[float | str | None]) -> list[float | str | None]:
        known = {word: self._channels.code(channel, str(word)) for word in dict.fromkeys(column) if word is not None}
        return [None if word is None else known[word] for word in column]

    def _there(self, times: Sequence[int]) -> dict[tuple[int, int], float]:
        """What the store holds at these times, sought by key so that other channels' samples cost nothing."""
        wanted = ", ".join(map(str, self._ids))
        return {
            (t, channel): value
            for t, channel, value in self._connection.execute(
                "SELECT s.t, s.channel, s.value FROM json_each(?) AS wanted CROSS JOIN sample AS s "
                f"WHERE s.t = wanted.value AND s.channel IN ({wanted})",
                (json.dumps(times),),
            )
        }

    def _insert(
        self, times: list[int], columns: Sequence[list[float | str | None]], kept: Kept, changed: dict[int, list[int]]
    ) -> None:
        """All new: in the order of the key, as SQLite appends fastest."""
        whole = True
        for number, column in zip(self._ids, columns, strict=True):
            if None in column:
                whole = False
                changed[number] = list(compress(times, [value is not None for value in column]))
            else:
                changed[number] = times
        kept.new += sum(map(len, changed.values()))
        if whole and len(columns) <= _MOST_TOGETHER:
            # One statement for all that a row of the file says takes half the time of one for each sample.
            places = sorted(range(len(columns)), key=self._ids.__getitem__)
            values = ", ".join(f"(?1, {self._ids[at]}, ?{at + 2})" for at in places)
            statement = f"INSERT INTO sample (t, channel, value) VALUES {values}"
            self._connection.executemany(statement, zip(times, *columns, strict=True))
            return
        rows = chain.from_iterable(
            zip(
                *(zip(times, repeat(number), column) for number, column in zip(self._ids, columns, strict=True)),
                strict=True,
            )
        )
        self._connection.executemany(
            "INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", (row for row in rows if row[2] is not None)
        )

    def _compare(
        self,
        piece: Piece,
        columns: Sequence[Sequence[float | str | None]],
        there: dict[tuple[int, int], float],
        kept: Kept,
        changed: dict[int, list[int]],
    ) -> None:
        new, other, old_values = [], [], []
        for number, column in zip(self._ids, columns, strict=True):
            for t, value in zip(piece.times, column, strict=True):
                if value is None:
                    continue
                before = there.get((t, number))
                if before == value:
                    kept.same += 1
                elif before is None:
                    new.append((t, number, value))
                else:
                    other.append((value, t, number))
                    old_values.append((t, number, before))
        self._connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", new)
        self._connection.executemany("UPDATE sample SET value = ? WHERE t = ? AND channel = ?", other)
        # A mark spoke of the value that is gone.
        self._connection.executemany("DELETE FROM mark WHERE t = ? AND channel = ?", [row[1:] for row in other])
        kept.new += len(new)
        self._supersede(old_values, kept)
        for t, number, _ in chain(new, old_values):
            changed.setdefault(number, []).append(t)

    def _supersede(self, old: Sequence[tuple[int, int, float | str]], kept: Kept) -> None:
        if not old:
            return
        plans = dict(zip(self._ids, self._plan.channels, strict=True))
        words = {
            (number, code): word
            for number, plan in plans.items()
            if plan.is_text
            for code, word in self._connection.execute("SELECT code, name FROM label WHERE channel = ?", (number,))
        }
        rows = [
            (t, self._plan.name, f"{plans[number].channel} = {words.get((number, value), value)}".encode(), SUPERSEDED)
            for t, number, value in old
        ]
        keep_rejects(self._connection, _not_kept_yet(self._connection, self._plan.name, rows))
        kept.superseded += len(old)

    def _mark(self, piece: Piece, changed: dict[int, list[int]]) -> None:
        for (row, at), reasons in piece.marks.items():
            if piece.columns[at][row] is None:
                continue
            t, number = piece.times[row], self._ids[at]
            for reason in reasons:
                cursor = self._connection.execute(
                    "INSERT OR IGNORE INTO mark (t, channel, reason) VALUES (?, ?, ?)", (t, number, reason)
                )
                if cursor.rowcount:
                    changed[number] = [*changed.get(number, ()), t]

    def _note_spans(
        self, times: list[int], columns: Sequence[Sequence[float | str | None]]
    ) -> dict[int, list[spans.Stretch]]:
        """Note the stretches of means; those that are news, by channel."""
        time_plan = self._plan.time
        if not self._interval or not time_plan:
            return {}
        news: dict[int, list[spans.Stretch]] = {}
        ascending = sorted(times)
        all_runs = spans.runs(ascending, self._interval)
        for number, column in zip(self._ids, columns, strict=True):
            own = all_runs
            if None in column:
                filled = {t for t, value in zip(times, column, strict=True) if value is not None}
                own = spans.runs(sorted(filled), self._interval)
            for run in own:
                if spans.note(self._connection, number, self._plan.name, self._interval, time_plan.label, run):
                    news.setdefault(number, []).append(run)
        return news

    def _sum(self, room: fresh_rollups.Room, piece: Piece, columns: Sequence[list[float | str | None]]) -> set[int]:
        """Rollups of rows that fell into empty time, from the rows themselves; the channels that are done with."""
        marked = {at for _, at in piece.marks}
        wanted = [self._ids[at] for at, plan in enumerate(self._plan.channels) if not plan.is_text and at not in marked]
        alone = fresh_rollups.alone_in_spans(self._connection, room, wanted, self._plan.name, self._interval)
        found: dict[int, tuple[list[int], list[Any]]] = {}
        for number, column in zip(self._ids, columns, strict=True):
            if number not in alone:
                continue
            if None not in column:
                found[number] = (piece.times, column)
            elif some := [(t, value) for t, value in zip(piece.times, column, strict=True) if value is not None]:
                found[number] = ([t for t, _ in some], [value for _, value in some])
        if found:
            fresh_rollups.write(self._connection, room, piece.times[0], found, self._interval)
            if room.before >= 0:
                first = piece.times[0]
                rollup.refresh(self._connection, first, first + 1, self._closed_before, set(found))
        return set(found)

    def _follow(
        self, changed: dict[int, list[int]], stretches: dict[int, list[spans.Stretch]], summed: set[int]
    ) -> None:
        """Stale hours and rollups, where something really changed."""
        length = self._interval or 1
        hours: set[int] = set()
        bounds: list[int] = []
        for times in {id(times): times for times in changed.values() if times}.values():
            bounds += [min(times), max(times) + length]
            for reach in {*range(0, length - 1, HOUR_MS), length - 1}:
                hours.update([(t + reach) // HOUR_MS for t in times])
        for run in chain.from_iterable(stretches.values()):
            bounds += run
            hours.update(range(run[0] // HOUR_MS, (run[1] - 1) // HOUR_MS + 1))
        if not hours:
            return
        touch_hours(self._connection, sorted(hour * HOUR_MS for hour in hours))
        numbers = ({number for number, times in changed.items() if times} | set(stretches)) - summed
        if not numbers:
            return
        for start, stop in _joined_hours(hours):
            self._refresh(max(start, min(bounds)), min(stop, max(bounds)), numbers)

    def _refresh(self, start: int, stop: int, numbers: set[int]) -> None:
        now = self._closed_before
        rollup.refresh(self._connection, start, stop, now, numbers)
        tomorrow = -(-now // rollup.DAY_MS) * rollup.DAY_MS
        if stop > tomorrow:
            rollup.refresh(self._connection, max(start, tomorrow), stop, _FOR_EVER, numbers)


def _joined_hours(hours: set[int]) -> list[spans.Stretch]:
    """Touched hours as stretches [ms UTC]."""
    found: list[list[int]] = []
    for hour in sorted(hours):
        if found and hour == found[-1][1]:
            found[-1][1] = hour + 1
        else:
            found.append([hour, hour + 1])
    return [(start * HOUR_MS, stop * HOUR_MS) for start, stop in found]
