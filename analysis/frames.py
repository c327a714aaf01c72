"""Owns the way from the record to arrays: gap-aware pieces of each channel, put on one grid of intervals.

A piece is a value that covers a stretch of time: a closed minute, or a longer mean where `span` says so. Of an
instrument that speaks every few minutes only, what lies between two readings in a row is a piece. Marked readings never
get this far, because the rollups leave them out; of longer means they are left out here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import chain, pairwise

import numpy as np
import numpy.typing as npt

from analysis.sun import MINUTE_MS, Floats, Times
from logger import reading, sealed
from logger.rollup import HARMLESS
from logger.rows import Rows
from logger.sealed import one_moment
from logger.store import HOUR_MS

# A grid interval is known where at least this share of it is covered; common practice, no source.
LEAST_COVERAGE = 0.5
# An instrument whose readings lie further apart than this tells single moments and no more [ms].
_RAREST_MS = HOUR_MS
# A gap of so many usual steps is a hole, and is not bridged; common practice, no source.
_HOLE_STEPS = 1.5
# Where instants lie one minute and two apart in turn, as those of every 90 s do, two is the step.
_USUAL = 0.6
# Tables that one statement may join (SQLite: 64), less the one of the minutes themselves and some to spare.
_TABLES = 60


@dataclass(frozen=True)
class Pieces:
    """One channel over a stretch: values and the time that each covers.

    Attributes
    ----------
    start : ndarray of int
        UTC [ms], ascending.
    length : ndarray of int
        [ms].
    value : ndarray of float
        In the channel's unit.
    """

    start: Times
    length: Times
    value: Floats

    @classmethod
    def between_readings(cls, t: Times, value: Floats, most_ms: float, *, words: bool = False) -> Pieces:
        """From readings of single moments: between two that are near to one another lies a piece.

        A quantity runs straight from one reading to the next, so that the sum is by trapezoids; a word stands as it
        was. What lies between readings further apart is not known.

        Parameters
        ----------
        t : ndarray of int
            UTC [ms], ascending.
        value : ndarray of float
        most_ms : float
            Longest stretch between two readings that counts as known [ms].
        words : bool
            Whether the values are codes of words.
        """
        length = np.diff(t)
        near = length <= most_ms
        mean = value[:-1] if words else (value[:-1] + value[1:]) / 2
        return cls(t[:-1][near], length[near], mean[near])

    @cached_property
    def step(self) -> int:
        """The usual length of a piece [ms]; a minute where there is none."""
        if not len(self.length):
            return MINUTE_MS
        # Most channels have one length throughout, and a median costs much more than a look.
        first = self.length[0]
        return int(first if (self.length == first).all() else np.median(self.length))

    def between(self, start: int, stop: int) -> Pieces:
        """The pieces that begin in ``start <= t < stop``."""
        a, b = np.searchsorted(self.start, [start, stop])
        return Pieces(self.start[a:b], self.length[a:b], self.value[a:b])

    def on(self, grid: Grid) -> Floats:
        """Mean over each interval of the grid, weighed by covered time; NaN where less than half is covered."""
        if len(self.start) == 0:
            return np.full(len(grid.start), np.nan)
        if self._dense is None or self.step != grid.step:
            return self._weighed(grid)
        since = grid.start - self.start[0]
        # A division by itself takes a third of the time of one with its remainder.
        at = since // grid.step
        if (at * grid.step != since).any():
            return self._weighed(grid)
        if len(at) and at[0] >= 0 and at[-1] < len(self._dense):
            return np.asarray(self._dense[at])
        inside = (at >= 0) & (at < len(self._dense))
        return np.where(inside, self._dense[np.where(inside, at, 0)], np.nan)

    @cached_property
    def _dense(self) -> Floats | None:
        """Values step by step from the first, NaN in gaps; None where the pieces do not lie on one lattice."""
        since = self.start - self.start[0]
        at = since // self.step
        if (at * self.step != since).any() or (self.length != self.step).any():
            return None
        dense = np.full(int(at[-1]) + 1, np.nan)
        dense[at] = self.value
        return dense

    def _weighed(self, grid: Grid) -> Floats:
        # Running integrals of value and of cover, straight lines between the edges of the pieces, of which only those
        # count that can reach into the grid.
        if not len(grid.start):
            return np.empty(0)
        a = np.searchsorted(self.start, grid.start[0] - self.length.max(), "right")
        b = np.searchsorted(self.start, grid.start[-1] + grid.step)
        if a == b:
            return np.full(len(grid.start), np.nan)
        start, stop = self.start[a:b].astype(float), (self.start[a:b] + self.length[a:b]).astype(float)
        stop[:-1] = np.minimum(stop[:-1], start[1:])
        edges = np.empty(2 * len(start))
        edges[0::2], edges[1::2] = start, stop
        covered, weighed = np.zeros(len(edges)), np.zeros(len(edges))
        covered[1::2] = np.cumsum(stop - start)
        weighed[1::2] = np.cumsum((stop - start) * self.value[a:b])
        covered[2::2], weighed[2::2] = covered[1:-1:2], weighed[1:-1:2]
        low, high = grid.start.astype(float), (grid.start + grid.step).astype(float)
        cover = np.interp(high, edges, covered) - np.interp(low, edges, covered)
        total = np.interp(high, edges, weighed) - np.interp(low, edges, weighed)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(cover >= LEAST_COVERAGE * grid.step, total / cover, np.nan)


@dataclass(frozen=True, slots=True)
class Grid:
    """Intervals of one length, `start` in UTC [ms] ascending, gaps allowed between days."""

    start: Times
    step: int

    @property
    def middle(self) -> Times:
        return self.start + self.step // 2

    @property
    def hours(self) -> float:
        """Length of an interval [h]."""
        return self.step / 3_600_000

    def touched(self, stretches: Iterable[tuple[int, int]]) -> npt.NDArray[np.bool_]:
        """The intervals into which one of the stretches ``start <= t < stop`` [ms UTC] reaches."""
        found = np.zeros(len(self.start), dtype=bool)
        for start, stop in stretches:
            found |= (self.start + self.step > start) & (self.start < stop)
        return found


_NOTHING = Pieces(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


@dataclass(slots=True)
class Stretch:
    """All channels of the record between two moments."""

    start: int
    stop: int
    _pieces: dict[str, Pieces] = field(default_factory=dict)
    words: dict[str, dict[int, str]] = field(default_factory=dict)

    def __getitem__(self, channel: str) -> Pieces:
        return self._pieces.get(channel, _NOTHING)

    def __contains__(self, channel: str) -> bool:
        return channel in self._pieces

    def channels(self) -> Iterable[str]:
        return self._pieces.keys()

    def with_pieces(self, changed: Mapping[str, Pieces]) -> Stretch:
        """The same with other pieces of some channels."""
        return Stretch(self.start, self.stop, {**self._pieces, **changed}, self.words)


def load(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    windows: Sequence[tuple[int, int]],
    wanted: Iterable[str],
    always: Iterable[str] = (),
) -> Stretch:
    """Read a stretch of the record, closed intervals alone.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    start, stop : int
        UTC [ms].
    windows : sequence of tuple of int
        Parts of it in which the wanted channels are read, UTC [ms], in order: most nights say nothing.
    wanted : iterable of str
        Channels; those that the record does not hold are left out.
    always : iterable of str
        Those of them that are read outside the windows too.
    """
    with one_moment(connection):
        return _load(connection, start, stop, windows, wanted, always)


def _load(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    windows: Sequence[tuple[int, int]],
    wanted: Iterable[str],
    always: Iterable[str],
) -> Stretch:
    known = dict(connection.execute("SELECT name, id FROM channel"))
    ids = {known[name]: name for name in wanted if name in known}
    always_ids = {known[name] for name in always if name in known}
    outside = list(pairwise([start, *chain.from_iterable(windows), stop]))[::2]
    pieces = _minutes(connection, start, stop, ids, [(set(ids), windows), (always_ids, outside)])
    words: dict[int, dict[int, str]] = {}
    for channel, code, word in connection.execute("SELECT channel, code, name FROM label"):
        words.setdefault(channel, {})[code] = word
    for channel, heard in pieces.items():
        step = _usual_step(heard.start)
        if MINUTE_MS < step <= _RAREST_MS:
            pieces[channel] = _rare(connection, channel, heard, stop, step, channel in words)
    for channel, found in _long_means(connection, start, stop, ids).items():
        pieces[channel] = _joined([*([pieces[channel]] if channel in pieces else []), *found])
    named = {ids[channel]: codes for channel, codes in words.items() if channel in ids}
    return Stretch(start, stop, {ids[channel]: found for channel, found in pieces.items()}, named)


def _usual_step(start: Times) -> int:
    """How far apart a channel's minutes usually lie [ms]; one minute where too few tell it."""
    apart = np.diff(start)
    # Most channels speak each minute, and a count costs much less than an order.
    if len(start) < 3 or np.count_nonzero(apart == MINUTE_MS) > _USUAL * len(apart):
        return MINUTE_MS
    return int(np.quantile(apart, _USUAL, method="higher"))


def _rare(connection: sqlite3.Connection, channel: int, minutes: Pieces, stop: int, step: int, words: bool) -> Pieces:
    """What a channel that speaks every few minutes says of the time between, up to its first reading after `stop`."""
    after = reading.rows(connection, "minute", stop, stop + step * 2, {channel})
    t, value = np.append(minutes.start, after.t[:1]), np.append(minutes.value, after.values[0][:1])
    return Pieces.between_readings(t, value, _HOLE_STEPS * step, words=words)


def _joined(found: list[Pieces]) -> Pieces:
    # Two sources may state the same means; each moment counts once.
    t, at = np.unique(np.concatenate([part.start for part in found]), return_index=True)
    length = np.concatenate([part.length for part in found])
    value = np.concatenate([part.value for part in found])
    return Pieces(t, length[at], value[at])


def _minutes(
    connection: sqlite3.Connection,
    start: int,
    stop: int,
    ids: Iterable[int],
    asked: Sequence[tuple[set[int], Sequence[tuple[int, int]]]],
) -> dict[int, Pieces]:
    """Each set of channels in its own stretches, through one table of minutes by channels."""
    numbers = np.array(sorted(ids), dtype=np.int64)
    first = start // MINUTE_MS * MINUTE_MS
    table = np.full((-(-(stop - first) // MINUTE_MS), len(numbers)), np.nan)
    _fill_from_files(connection, table, first, stop, numbers, asked)
    for chosen, stretches in asked:
        ordered = sorted(chosen)
        for some in (ordered[i : i + _TABLES] for i in range(0, len(ordered), _TABLES)):
            columns = np.searchsorted(numbers, some)
            for bounds in stretches:
                begin = -(-bounds[0] // MINUTE_MS) * MINUTE_MS
                found = _side_by_side(connection, begin, bounds[1], some)
                at = (begin - first) // MINUTE_MS + np.arange(len(found))
                stored = np.isfinite(found)
                table[np.ix_(at, columns)] = np.where(stored, found, table[np.ix_(at, columns)])
    pieces = {}
    for column, number in enumerate(numbers.tolist()):
        known = np.flatnonzero(np.isfinite(table[:, column]))
        if len(known):
            start_ms = first + known.astype(np.int64) * MINUTE_MS
            pieces[number] = Pieces(start_ms, np.full(len(known), MINUTE_MS, dtype=np.int64), table[known, column])
    return pieces


def _side_by_side(connection: sqlite3.Connection, start: int, stop: int, channels: Sequence[int]) -> Floats:
    """Means of every minute of a stretch, a column a channel, NaN where there is none; empty where no channel has any.

    The database puts the channels of a minute in one row: what is slow here is each row and each value that passes
    through Python.
    """
    anything = connection.execute("SELECT 1 FROM minute WHERE t >= ? AND t < ? LIMIT 1", (start, stop)).fetchone()
    if anything is None:
        return np.empty((0, len(channels)))
    means = ", ".join(f"m{i}.mean" for i in range(len(channels)))
    tables = " ".join(
        f"LEFT JOIN minute m{i} ON m{i}.t = every.t AND m{i}.channel = {int(channel)}"
        for i, channel in enumerate(channels)
    )
    rows = connection.execute(
        f"WITH RECURSIVE every(t) AS (SELECT ? UNION ALL SELECT t + {MINUTE_MS} FROM every WHERE t + {MINUTE_MS} < ?) "
        f"SELECT {means} FROM every {tables}",
        (start, stop),
    )
    return np.fromiter(chain.from_iterable(rows), dtype=float).reshape(-1, len(channels))


def _fill_from_files(
    connection: sqlite3.Connection,
    table: Floats,
    first: int,
    stop: int,
    numbers: Times,
    asked: Sequence[tuple[set[int], Sequence[tuple[int, int]]]],
) -> None:
    """What of the minutes lies in sealed files; rows that stand in the store too are laid over them afterwards."""
    for file in sealed.between(connection, "minute", first, stop):
        rows = reading.in_file(connection, file, first, stop, set(numbers.tolist()))
        for chosen, stretches in asked:
            own = rows.where(np.isin(rows.channel, list(chosen)))
            for bounds in stretches:
                part = own.between(*bounds)
                table[(part.t - first) // MINUTE_MS, np.searchsorted(numbers, part.channel)] = part.values[0]


def _long_means(connection: sqlite3.Connection, start: int, stop: int, ids: Iterable[int]) -> dict[int, list[Pieces]]:
    within = ", ".join(str(int(i)) for i in sorted(ids))
    spans = connection.execute(
        f"SELECT channel, interval_ms, start, stop FROM span WHERE interval_ms > {MINUTE_MS} "
        f"AND start < ? AND stop > ? AND channel IN ({within}) ORDER BY channel, start",
        (stop, start),
    ).fetchall()
    if not spans:
        return {}
    first, last = max(start, min(row[2] for row in spans)), min(stop, max(row[3] for row in spans))
    rows = _unmarked(connection, first, last, {row[0] for row in spans})
    found: dict[int, list[Pieces]] = {}
    for channel, length, span_start, span_stop in spans:
        inside = rows.between(max(start, span_start), min(stop, span_stop))
        own = inside.where(inside.channel == channel)
        if len(own):
            pieces = Pieces(own.t, np.full(len(own), length, dtype=np.int64), own.values[0])
            found.setdefault(channel, []).append(pieces)
    return found


def _unmarked(connection: sqlite3.Connection, start: int, stop: int, channels: set[int]) -> Rows:
    """Samples that no mark speaks against, wherever they lie."""
    rows = reading.rows(connection, "sample", start, stop, channels)
    marked = connection.execute(
        f"SELECT t, channel FROM mark WHERE t >= ? AND t < ? AND reason NOT IN {HARMLESS} ORDER BY t, channel",
        (start, stop),
    ).fetchall()
    if not marked:
        return rows
    t, channel = np.array(marked, dtype=np.int64).T
    return rows.where(~rows.keyed_in(Rows(t, channel, np.empty((0, len(t))))))


def grid_for(pieces: Iterable[Pieces], start: int, stop: int) -> Grid:
    """The grid on which a day is judged: as coarse as the coarsest of the channels that must be known.

    Minutes lie on whole UTC minutes; longer means keep the phase of their own stamps. Every interval that begins in
    ``start <= t < stop`` is there, heard or not.
    """
    found = [p for p in pieces if len(p.start)]
    step = max((p.step for p in found), default=MINUTE_MS)
    phase = 0
    if step > MINUTE_MS:
        coarsest = next(p for p in found if p.step == step)
        phase = int(coarsest.start[0]) % step
    first = -(-(start - phase) // step) * step + phase
    return Grid(np.arange(first, stop, step, dtype=np.int64), step)
