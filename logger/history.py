"""Owns bringing rows of a history file into the store: repeatable, in short transactions. Standard library only."""

from __future__ import annotations

import sqlite3
import time
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from logger import rollup
from logger.history_pieces import Kept, PieceWriter, counted, cut, keep_new_rejects, unique
from logger.plan import SourcePlan
from logger.readings import Block
from logger.store import HOUR_MS, Channels, transaction

# Other writers wait while a piece is written: far below the half second that is promised to them.
_PIECE_S = 0.15
_FIRST_CELLS = 20_000
_LEAST_ROWS = 50


@dataclass(slots=True)
class Pace:
    """How many cells go into one transaction: as many as this machine writes in a fraction of a second.

    Attributes
    ----------
    cells : int
    """

    cells: int = _FIRST_CELLS

    def took(self, seconds: float, rows: int, columns: int) -> None:
        """A piece of so many rows and columns took that long [s]: faster or slower from here on."""
        self.cells = max(_LEAST_ROWS, int(rows * columns * min(2.0, _PIECE_S / max(seconds, 1e-6))))


def keep(
    connection: sqlite3.Connection,
    channels: Channels,
    plan: SourcePlan,
    block: Block,
    closed_before: int,
    pace: Pace | None = None,
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
    pace : Pace, optional
        What was learnt from the blocks before.
    """
    pace = pace or Pace()
    kept = Kept(marked=len(block.marks), rejects=counted(block.rejects))
    writer = PieceWriter(connection, channels, plan, closed_before)
    width = max(1, len(block.columns))
    begin, rows = 0, len(block.times)
    while begin < rows or (begin == 0 and block.rejects):
        end = _at_midnight(block.times, begin, begin + max(_LEAST_ROWS, pace.cells // width))
        with transaction(connection):
            started = time.monotonic()
            if begin == 0:
                keep_new_rejects(connection, plan.name, block)
            if rows:
                writer.write(unique(cut(block, begin, end)), kept)
            taken = time.monotonic() - started
        if end <= rows:  # the rest of a block says little of how fast it goes
            pace.took(taken, end - begin, width)
        begin = end
    return kept


def _at_midnight(times: Sequence[int], begin: int, end: int) -> int:
    """Where a piece best ends, at `end` or before: a day that is not cut in two is summed once."""
    if end >= len(times):
        return end
    midnight = bisect_left(times, times[end] // rollup.DAY_MS * rollup.DAY_MS, begin, end)
    return midnight if begin + _LEAST_ROWS < midnight else end


def keep_within(
    connection: sqlite3.Connection, channels: Channels, plan: SourcePlan, block: Block, closed_before: int
) -> Kept:
    """Like `keep`, whole, inside the caller's transaction: for blocks that are small."""
    kept = Kept(marked=len(block.marks), rejects=counted(block.rejects))
    keep_new_rejects(connection, plan.name, block)
    if block.times:
        PieceWriter(connection, channels, plan, closed_before).write(unique(cut(block, 0, len(block.times))), kept)
    return kept


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
