"""Owns one piece of history in the store: samples compared and written, marks, spans and rollups brought after."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, compress, pairwise, repeat
from typing import Any

from logger import rollup, sealed, spans
from logger.fresh import Fresh
from logger.plan import SourcePlan
from logger.readings import AMBIGUOUS, NON_EXISTENT, Block, RowReject
from logger.store import HOUR_MS, MAX_RAW, Channels, keep_rejects, touch_hours

SUPERSEDED = "superseded"
IN_DOUBT = (AMBIGUOUS, NON_EXISTENT)
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
    """One row a time: of two values for the same time and channel the later row's counts; one whose time is in doubt
    gives way to one whose time is not."""
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
            gives_way = before is not None and _doubts(piece, row, at) > _doubts(piece, holder[t], at)
            if before is not None and before != value:
                replaced.append((t, at, value if gives_way else before))
            if not gives_way:
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


def _doubts(piece: Piece, row: int, at: int) -> bool:
    """Whether the time of a value is in doubt."""
    return any(why in IN_DOUBT for why in piece.marks.get((row, at), ()))


def insert_side_by_side(
    connection: sqlite3.Connection, times: Iterable[int], columns: Sequence[tuple[int, Iterable[float | str | None]]]
) -> None:
    """Samples of several channels at the same times, in the order of the key.

    A row of values for all of them is one round of the statement: half the time of a round for each value.
    """
    if columns:
        values = ", ".join(f"(?1, {int(number)}, ?{place})" for place, (number, _) in enumerate(columns, start=2))
        connection.executemany(
            f"INSERT INTO sample (t, channel, value) VALUES {values}", zip(times, *(c for _, c in columns), strict=True)
        )


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
        alone = self._alone(piece)
        there = {} if alone else self._there(piece.times)
        yielding: set[tuple[int, int]] = set()
        if there:
            yielding = self._compare(piece, columns, there, kept, changed)
        else:
            self._insert(piece.times, columns, kept, changed)
        self._mark(piece, changed, yielding)
        self._supersede([(t, self._ids[at], value) for t, at, value in piece.replaced], kept)
        stretches = self._note_spans(piece.times, columns)
        fresh = self._fresh(piece, columns, changed) if alone else None
        self._follow(changed, stretches, fresh)

    def _codes(self, channel: int, column: Sequence[float | str | None]) -> list[float | str | None]:
        known = {word: self._channels.code(channel, str(word)) for word in dict.fromkeys(column) if word is not None}
        return [None if word is None else known[word] for word in column]

    def _alone(self, piece: Piece) -> bool:
        """Whether the store holds nothing at all between the first and the last time."""
        return not self._connection.execute(
            "SELECT 1 FROM sample WHERE t >= ? AND t <= ? LIMIT 1", (min(piece.times), max(piece.times))
        ).fetchone()

    def _fresh(self, piece: Piece, columns: Sequence[list[Any]], changed: dict[int, list[int]]) -> Fresh | None:
        """What the piece comes to by itself; None where the store, a mark or another span has a say in it."""
        times, length = piece.times, self._interval
        first, stop = times[0], times[-1] + (length or 1)
        if piece.marks or stop > self._closed_before or not _ascending(times):
            return None
        if length and length > rollup.MINUTE_MS and (HOUR_MS % length or any(t % length for t in times)):
            return None
        numbers = {
            number: column
            for number, channel, column in zip(self._ids, self._plan.channels, columns, strict=True)
            if changed.get(number) and not channel.is_text
        }
        told = spans.lengths(self._connection, numbers, first, stop)
        if told - {length} or sealed.open_parts(self._connection, first, stop) != [(first, stop)]:
            return None
        return Fresh(times, numbers, length)

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
        """All new: the channels that have a value at every time side by side, then what has holes, value by value."""
        whole: list[tuple[int, list[float | str | None]]] = []
        for number, column in sorted(zip(self._ids, columns, strict=True), key=lambda pair: pair[0]):
            if None in column:
                filled = [value is not None for value in column]
                changed[number] = list(compress(times, filled))
                rows = zip(changed[number], repeat(number), compress(column, filled), strict=False)
                self._connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", rows)
            else:
                changed[number] = times
                whole.append((number, column))
        insert_side_by_side(self._connection, times, whole)
        kept.new += sum(map(len, changed.values()))

    def _compare(
        self,
        piece: Piece,
        columns: Sequence[Sequence[float | str | None]],
        there: dict[tuple[int, int], float],
        kept: Kept,
        changed: dict[int, list[int]],
    ) -> set[tuple[int, int]]:
        """Write what differs from what stands there; the places of those values that give way to it."""
        new, other, old_values, settled, yielding = [], [], [], [], set()
        doubted = self._doubted(piece.times)
        for at, (number, column) in enumerate(zip(self._ids, columns, strict=True)):
            for row, (t, value) in enumerate(zip(piece.times, column, strict=True)):
                if value is None:
                    continue
                before = there.get((t, number))
                if before is None:
                    new.append((t, number, value))
                    continue
                doubts = bool(piece.marks) and _doubts(piece, row, at)
                if doubts and (t, number) not in doubted:  # what stands there surely stays
                    yielding.add((row, at))
                    if before != value:
                        old_values.append((t, number, value))
                elif before != value:
                    other.append((value, t, number))
                    old_values.append((t, number, before))
                else:
                    kept.same += 1
                    if not doubts and (t, number) in doubted:
                        settled.append((t, number))
        self._connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", new)
        self._connection.executemany("UPDATE sample SET value = ? WHERE t = ? AND channel = ?", other)
        # A mark spoke of the value that is gone.
        self._connection.executemany("DELETE FROM mark WHERE t = ? AND channel = ?", [row[1:] for row in other])
        self._connection.executemany(f"DELETE FROM mark WHERE t = ? AND channel = ? AND reason IN {IN_DOUBT}", settled)
        kept.new += len(new)
        self._supersede(old_values, kept)
        for t, number in chain((row[:2] for row in new), (row[:2] for row in old_values), settled):
            changed.setdefault(number, []).append(t)
        return yielding

    def _doubted(self, times: Sequence[int]) -> set[tuple[int, int]]:
        """Time and channel of what the store holds whose time is in doubt."""
        return set(
            self._connection.execute(
                f"SELECT t, channel FROM mark WHERE t >= ? AND t <= ? AND reason IN {IN_DOUBT}",
                (min(times), max(times)),
            )
        )

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

    def _mark(self, piece: Piece, changed: dict[int, list[int]], yielding: set[tuple[int, int]]) -> None:
        for (row, at), reasons in piece.marks.items():
            if piece.columns[at][row] is None or (row, at) in yielding:
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

    def _follow(
        self, changed: dict[int, list[int]], stretches: dict[int, list[spans.Stretch]], fresh: Fresh | None
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
        numbers = {number for number, times in changed.items() if times} | set(stretches)
        for start, stop in _joined_hours(hours):
            self._refresh(max(start, min(bounds)), min(stop, max(bounds)), numbers, fresh)

    def _refresh(self, start: int, stop: int, numbers: set[int], fresh: Fresh | None) -> None:
        now = self._closed_before
        rollup.refresh(self._connection, start, stop, now, numbers, fresh)
        tomorrow = -(-now // rollup.DAY_MS) * rollup.DAY_MS
        if stop > tomorrow:
            rollup.refresh(self._connection, max(start, tomorrow), stop, _FOR_EVER, numbers)


def _ascending(times: Sequence[int]) -> bool:
    return all(before < after for before, after in pairwise(times))


def _joined_hours(hours: set[int]) -> list[spans.Stretch]:
    """Touched hours as stretches [ms UTC]."""
    found: list[list[int]] = []
    for hour in sorted(hours):
        if found and hour == found[-1][1]:
            found[-1][1] = hour + 1
        else:
            found.append([hour, hour + 1])
    return [(start * HOUR_MS, stop * HOUR_MS) for start, stop in found]
