"""Owns the csv source at work: looks at its files again and again and hands on what they have gained."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event

from logger.clock import Clock
from logger.errors import StoreError
from logger.plan import SourcePlan
from logger.protocols import Emit, Stretch
from logger.sources.csv_file import CsvFollower, FileBlock, MakeTable, Position
from logger.store import Channels

LOOK_S = 5.0


@dataclass(frozen=True, slots=True)
class Gained:
    """A block of a file on its way to the writer, which closes the intervals that it leaves open."""

    block: FileBlock

    @property
    def size(self) -> int:
        return self.block.size

    @property
    def can_wait(self) -> bool:
        return self.block.can_wait

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        times = self.block.block.times
        return [*self.block.write(connection, channels), *([(min(times), max(times) + 1)] if times else [])]


class FollowedFiles:
    """The growing files of one source.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``csv``.
    make_table : callable
        Makes the decoder.
    known : callable
        How far each file was read by earlier sessions; raises `StoreError` while the store cannot be read.
    now : callable
        Time [ms UTC].
    clock : Clock
        For every wait.
    """

    def __init__(
        self,
        plan: SourcePlan,
        make_table: MakeTable,
        known: Callable[[], dict[str, Position]],
        now: Callable[[], int],
        clock: Clock,
    ) -> None:
        self._plan, self._make_table, self._known, self._now = plan, make_table, known, now
        self._clock = clock

    def run(self, stop: Event, emit: Emit) -> None:
        follower: CsvFollower | None = None
        while not stop.is_set():
            try:
                follower = follower or CsvFollower(self._plan, self._make_table, self._known(), self._now)
            except StoreError:  # nobody knows what it holds of the files already
                self._clock.wait(stop, LOOK_S)
                continue
            for found in follower.poll():
                emit(Gained(found) if isinstance(found, FileBlock) else found)
            if not follower.behind:
                self._clock.wait(stop, LOOK_S)

    def let_go(self) -> None:
        """Nothing is open between two looks, and what hangs in a look is a file system that answers nobody."""
