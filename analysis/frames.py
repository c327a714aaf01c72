"""Owns the way from the record to arrays: gap-aware pieces of each channel, put on one grid of intervals.

A piece is a value that covers a stretch of time: a closed minute, or a longer mean where `span` says so. Marked
readings never get this far, because the rollups leave them out; of longer means they are left out here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from analysis.sun import DAY_MS, MINUTE_MS, Floats, Times
from logger.rollup import UNMARKED

# A grid interval is known where at least this share of it is covered; common practice, no source.
LEAST_COVERAGE = 0.5


@dataclass(frozen=True, slots=True)
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

    @property
    def step(self) -> int:
        """The usual length of a piece [ms]; a minute where there is none."""
        return int(np.median(self.length)) if len(self.length) else MINUTE_MS

    def between(self, start: int, stop: int) -> Pieces:
        """The pieces that begin in ``start <= t < stop``."""
        a, b = np.searchsorted(self.start, [start, stop])
        return Pieces(self.start[a:b], self.length[a:b], self.value[a:b])

    def on(self, grid: Grid) -> Floats:
        """Mean over each interval of the grid, weighed by covered time; NaN where less than half is covered."""
        if len(self.start) == 0:
            return np.full(len(grid.start), np.nan)
        at = np.searchsorted(self.start, grid.start)
        at[at == len(self.start)] = 0
        exact = (self.start[at] == grid.start) & (self.length[at] == grid.step)
        if self.step == grid.step and exact.sum() == np.isin(grid.start, self.start).sum():
            return np.where(exact, self.value[at], np.nan)
        return self._weighed(grid)

    def _weighed(self, grid: Grid) -> Floats:
        # Running integrals of value and of cover, straight lines between the edges of the pieces.
        start, stop = self.start.astype(float), (self.start + self.length).astype(float)
        stop = np.minimum(stop, np.append(start[1:], np.inf))
        edges = np.stack([start, stop], axis=1).ravel()
        covered = np.stack([np.zeros(len(start)), stop - start], axis=1).ravel().cumsum()
        weighed = np.stack([np.zeros(len(start)), (stop - start) * self.value], axis=1).ravel().cumsum()
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


def load(connection: sqlite3.Connection, start: int, stop: int, wanted: Iterable[str]) -> Stretch:
    """Read a stretch of the record, closed intervals alone.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    start, stop : int
        UTC [ms]; pieces that begin in ``start <= t < stop``.
    wanted : iterable of str
        Channels; those that the record does not hold are left out.
    """
    known = dict(connection.execute("SELECT name, id FROM channel"))
    ids = {known[name]: name for name in wanted if name in known}
    parts: dict[int, list[tuple[Times, Times, Floats]]] = {}
    for channel, t, value in _minutes(connection, start, stop, ids):
        parts.setdefault(channel, []).append((t, np.full(len(t), MINUTE_MS, dtype=np.int64), value))
    for channel, length, t, value in _long_means(connection, start, stop, ids):
        parts.setdefault(channel, []).append((t, np.full(len(t), length, dtype=np.int64), value))
    stretch = Stretch(start, stop)
    for number, found in parts.items():
        stretch._pieces[ids[number]] = _joined(found)
    for labelled, code, word in connection.execute("SELECT channel, code, name FROM label"):
        if labelled in ids:
            stretch.words.setdefault(ids[labelled], {})[code] = word
    return stretch


def _joined(found: list[tuple[Times, Times, Floats]]) -> Pieces:
    # Two sources may state the same means; each moment counts once.
    t, at = np.unique(np.concatenate([part[0] for part in found]), return_index=True)
    length = np.concatenate([part[1] for part in found])
    value = np.concatenate([part[2] for part in found])
    return Pieces(t, length[at], value[at])


def _minutes(
    connection: sqlite3.Connection, start: int, stop: int, ids: Iterable[int]
) -> Iterable[tuple[int, Times, Floats]]:
    within = ", ".join(str(int(i)) for i in sorted(ids))
    # A day at a time keeps the rows' Python objects few.
    days: dict[int, list[tuple[Times, Floats]]] = {}
    for first in range(start, stop, DAY_MS):
        rows = connection.execute(
            f"SELECT t, channel, mean FROM minute WHERE t >= ? AND t < ? AND channel IN ({within})",
            (first, min(first + DAY_MS, stop)),
        ).fetchall()
        if not rows:
            continue
        t, numbers, mean = (np.array(column) for column in zip(*rows, strict=True))
        for number in np.unique(numbers):
            mine = numbers == number
            days.setdefault(int(number), []).append((t[mine].astype(np.int64), mean[mine].astype(float)))
    for channel_id, found in days.items():
        yield channel_id, np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])


def _long_means(
    connection: sqlite3.Connection, start: int, stop: int, ids: Iterable[int]
) -> Iterable[tuple[int, int, Times, Floats]]:
    within = ", ".join(str(int(i)) for i in sorted(ids))
    spans = connection.execute(
        f"SELECT channel, interval_ms, start, stop FROM span WHERE interval_ms > {MINUTE_MS} "
        f"AND start < ? AND stop > ? AND channel IN ({within}) ORDER BY channel, start",
        (stop, start),
    ).fetchall()
    for channel, length, span_start, span_stop in spans:
        rows = connection.execute(
            "SELECT s.t, s.value FROM sample s WHERE s.channel = ? AND s.t >= ? AND s.t < ? "
            f"AND {UNMARKED} ORDER BY s.t",
            (channel, max(start, span_start), min(stop, span_stop)),
        ).fetchall()
        if rows:
            t, value = zip(*rows, strict=True)
            yield channel, length, np.array(t, dtype=np.int64), np.array(value, dtype=float)


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
