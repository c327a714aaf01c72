"""Owns bringing rows of a history file into the store: repeatable, in short transactions. Standard library only."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, compress, repeat

from logger import rollup, spans
from logger.plan import SourcePlan
from logger.readings import Block, RowReject
from logger.store import HOUR_MS, MAX_RAW, Channels, keep_rejects, touch_hours, transaction

SUPERSEDED = "superseded"
# Other writers wait while a piece is written: far below the half second that is promised to them.
_PIECE_S = 0.15
_FIRST_CELLS = 20_000
_LEAST_ROWS = 50
_FOR_EVER = 1 << 53


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


def keep(
    connection: sqlite3.Connection,
    channels: Channels,
    plan: SourcePlan,
    block: Block,
    closed_before: int,
) -> Kept:
    """Keep the rows of a block; the same rows again change nothing.

    Where the store holds another value for the same time and channel, the new one wins and the old one goes to
    the rejects as superseded. Rollups, spans, marks and stale hours follow, each in the transaction of its samples.

    Parameters
    ----------
    connection : sqlite3.Connection
        A writer, outside a transaction: there will be several, none of them long.
    channels : Channels
        Of that connection.
    plan : SourcePlan
        Where the block comes from.
    block : Block
        From the decoder of that plan.
    closed_before : int
        Now [ms UTC]: the minute, hour and day in which it lies get no row yet. Rows dated a day and more after it
        can only come from a machine whose clock is behind, so their intervals count as closed.
    """
    kept = Kept(marked=len(block.marks), rejects=_counted(block.rejects))
    writer = _Writer(connection, channels, plan, closed_before)
    step = max(_LEAST_ROWS, _FIRST_CELLS // max(1, len(block.columns)))
    begin, rows = 0, len(block.times)
    while begin < rows or (begin == 0 and block.rejects):
        with transaction(connection):
            started = time.monotonic()
            if begin == 0:
                _keep_new_rejects(connection, plan.name, block)
            if rows:
                writer.write(_unique(_cut(block, begin, begin + step)), kept)
            taken = time.monotonic() - started
        begin += step
        step = max(_LEAST_ROWS, int(step * min(2.0, _PIECE_S / max(taken, 1e-6))))
    return kept


def keep_within(
    connection: sqlite3.Connection, channels: Channels, plan: SourcePlan, block: Block, closed_before: int
) -> Kept:
    """Like `keep`, whole, inside the caller's transaction: for blocks that are small."""
    kept = Kept(marked=len(block.marks), rejects=_counted(block.rejects))
    _keep_new_rejects(connection, plan.name, block)
    if block.times:
        _Writer(connection, channels, plan, closed_before).write(_unique(_cut(block, 0, len(block.times))), kept)
    return kept


def _counted(rejects: Iterable[RowReject]) -> dict[str, tuple[int, int]]:
    found: dict[str, tuple[int, int]] = {}
    for reject in rejects:
        count, line = found.get(reject.reason, (0, reject.line))
        found[reject.reason] = (count + 1, min(line, reject.line))
    return found


def _keep_new_rejects(connection: sqlite3.Connection, source: str, block: Block) -> None:
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


# -- one piece ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows with different times; `replaced` holds values that a later row of the same time replaced."""

    times: list[int]
    columns: tuple[list[float | str | None], ...]
    marks: dict[tuple[int, int], tuple[str, ...]]
    replaced: list[tuple[int, int, float | str]]


def _cut(block: Block, begin: int, end: int) -> _Piece:
    if begin == 0 and end >= len(block.times):
        return _Piece(block.times, block.columns, block.marks, [])
    marks = {(row - begin, at): why for (row, at), why in block.marks.items() if begin <= row < end}
    return _Piece(block.times[begin:end], tuple(column[begin:end] for column in block.columns), marks, [])


def _unique(piece: _Piece) -> _Piece:
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
    return _Piece(times, tuple(columns), marks, replaced)


class _Writer:
    """Writes pieces of one source."""

    def __init__(
        self, connection: sqlite3.Connection, channels: Channels, plan: SourcePlan, closed_before: int
    ) -> None:
        self._connection, self._channels, self._plan, self._closed_before = connection, channels, plan, closed_before
        self._interval = plan.time.interval_ms if plan.time else None
        self._ids: list[int] = []

    def write(self, piece: _Piece, kept: Kept) -> None:
        """Samples, marks, spans and rollups of one piece, inside a transaction."""
        plans = self._plan.channels
        self._ids = [self._channels.id(channel.channel, channel.unit) for channel in plans]
        columns = [
            self._codes(number, column) if channel.is_text else column
            for number, channel, column in zip(self._ids, plans, piece.columns, strict=True)
        ]
        changed: dict[int, list[int]] = {}  # channel -> times
        there = self._there(piece.times)
        if there:
            self._compare(piece, columns, there, kept, changed)
        else:
            self._insert(piece.times, columns, kept, changed)
        self._mark(piece, changed)
        self._supersede([(t, self._ids[at], value) for t, at, value in piece.replaced], kept)
        stretches = self._note_spans(piece.times, columns)
        self._follow(changed, stretches)

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
        """All new: row by row in the order of the key, as SQLite appends fastest."""
        rows: Iterable[tuple[int, int, float | str | None]] = chain.from_iterable(
            zip(
                *(zip(times, repeat(number), column) for number, column in zip(self._ids, columns, strict=True)),
                strict=True,
            )
        )
        holes = False
        for number, column in zip(self._ids, columns, strict=True):
            if None in column:
                holes = True
                filled = [value is not None for value in column]
                changed[number] = list(compress(times, filled))
            else:
                changed[number] = times
        if holes:
            rows = (row for row in rows if row[2] is not None)
        self._connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", rows)
        kept.new += sum(map(len, changed.values()))

    def _compare(
        self,
        piece: _Piece,
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

    def _mark(self, piece: _Piece, changed: dict[int, list[int]]) -> None:
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

    def _follow(self, changed: dict[int, list[int]], stretches: dict[int, list[spans.Stretch]]) -> None:
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
        numbers = {number for number, times in changed.items() if times} | set(stretches)
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


def close_finished(connection: sqlite3.Connection, now: int) -> None:
    """Close what an earlier import left open: the last day with samples, once it has ended.

    A logger that runs closes its own intervals; without one nobody would come back to them.
    """
    (last,) = connection.execute("SELECT max(t) FROM sample WHERE t < ?", (now,)).fetchone()
    if last is None:
        return
    day = last // rollup.DAY_MS * rollup.DAY_MS
    if day + rollup.DAY_MS > now or connection.execute("SELECT 1 FROM day WHERE t = ? LIMIT 1", (day,)).fetchone():
        return
    for hour in range(day, day + rollup.DAY_MS, HOUR_MS):
        with transaction(connection):
            rollup.refresh(connection, hour, hour + HOUR_MS, now)
