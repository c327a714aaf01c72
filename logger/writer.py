"""Owns the one thread that writes: what the sources hand over, one commit a flush interval, kept until it is safe."""

from __future__ import annotations

import logging
import sqlite3
from collections import deque
from collections.abc import Callable
from pathlib import Path
from threading import Condition, Event

from logger.batches import EventBatch, LiveBatch
from logger.clock import Clock
from logger.errors import StoreError
from logger.plan import Plan
from logger.protocols import Batch, Stretch
from logger.rollup import DAY_MS, MINUTE_MS, refresh
from logger.settling import PAUSE_S, Settling
from logger.store import (
    BUSY_MS,
    HOUR_MS,
    Channels,
    WritingConnection,
    keep_settings,
    open_writer,
    savepoint,
    touch_hours,
    transaction,
)
from logger.timeline import Timeline

log = logging.getLogger("noonmark.logger")

MAX_HELD = 100_000
"""Samples kept in memory while the store cannot be written: half an hour of 50 channels each second, in 10 MB."""
FLUSH_AT = MAX_HELD // 4
"""Samples at which a flush comes early: someone brings in a long file."""

_POISON = (
    sqlite3.IntegrityError,
    sqlite3.ProgrammingError,
    sqlite3.InterfaceError,
    TypeError,
    ValueError,
    LookupError,
    ArithmeticError,
)
"""Errors that would come again with the same batch, whatever the state of the disk."""


class Outbox:
    """What waits to be written, bounded; put by many threads, taken by one."""

    def __init__(self) -> None:
        self._condition = Condition()
        self._batches: deque[Batch] = deque()
        self._size = 0
        self._closed = False
        self._early = True
        self._dropped = 0

    def put(self, batch: Batch) -> None:
        """Hand over a batch.

        One that can wait is held back while there is no room. A live one is not: where there is no room the oldest
        go, for what happens now matters more to who comes back.
        """
        with self._condition:
            while batch.can_wait and self._size and self._size + batch.size > MAX_HELD and not self._closed:
                self._condition.wait()
            self._batches.append(batch)
            self._size += batch.size
            while self._size > MAX_HELD and len(self._batches) > 1:
                oldest = self._batches.popleft()
                self._size -= oldest.size
                self._dropped += oldest.size
            if self._size >= FLUSH_AT and self._early:
                self._condition.notify_all()

    def take(self) -> list[Batch]:
        """All of it, in order."""
        with self._condition:
            taken = list(self._batches)
            self._batches.clear()
            self._size = 0
            self._condition.notify_all()
        return taken

    def put_back(self, batches: list[Batch]) -> None:
        """What could not be written, ahead of what came meanwhile."""
        with self._condition:
            self._batches.extendleft(reversed(batches))
            self._size += sum(batch.size for batch in batches)

    def take_dropped(self) -> int:
        """How many samples had to go since this was last asked."""
        with self._condition:
            dropped, self._dropped = self._dropped, 0
        return dropped

    def wait(self, clock: Clock, seconds: float, early: bool) -> None:
        """Wait for the next flush: so long, or until it is closed, or if `early` until there is much to write."""
        with self._condition:
            self._early = early
            if not self._closed and not (early and self._size >= FLUSH_AT):
                clock.wait(self._condition, seconds)

    def close(self) -> None:
        """No more waiting, for anyone."""
        with self._condition:
            self._closed = True
            self._condition.notify_all()


class Rollups:
    """Which intervals are open and hold samples, so that each gets its row when it closes."""

    def __init__(self) -> None:
        self._ends: set[int] = set()

    def watch(self, t: int, after: int = 0) -> None:
        """The minute, the hour and the day around a sample get a row once they are over; not if by `after` [ms UTC]."""
        self._ends |= {end for length in (MINUTE_MS, HOUR_MS, DAY_MS) if (end := (t // length + 1) * length) > after}

    def over(self, now: int) -> set[int]:
        """Ends of the watched intervals that are over [ms UTC]."""
        return {end for end in self._ends if end <= now}

    def forget(self, ends: set[int]) -> None:
        """Their rows stand."""
        self._ends -= ends

    def bring_up_to_date(self, connection: sqlite3.Connection, changed: list[Stretch], now: int) -> None:
        """Write the rows that changed stretches and the passing of time ask for, and note the hours as stale."""
        for start, stop in changed:
            refresh(connection, start, stop, now)
            touch_hours(connection, range(start // HOUR_MS * HOUR_MS, stop, HOUR_MS))
            self.watch(start, after=now)
            self.watch(stop - 1, after=now)
        for end in sorted(self.over(now)):
            if not any(start < end and end - MINUTE_MS < stop for start, stop in changed):
                refresh(connection, end - 1, end, now)


def joined(stretches: list[Stretch]) -> list[Stretch]:
    """The same stretches, those that lie within a minute of each other in one."""
    whole: list[Stretch] = []
    for start, stop in sorted(stretches):
        if whole and start <= whole[-1][1] + MINUTE_MS:
            whole[-1] = (whole[-1][0], max(stop, whole[-1][1]))
        else:
            whole.append((start, stop))
    return whole


class Writer:
    """The store's one live writer. Made and used in one thread.

    Parameters
    ----------
    plan : Plan
        Store, flush interval, settings.
    clock : Clock
        For every wait.
    timeline : Timeline
        For every time.
    outbox : Outbox
        Where the sources put their batches.

    Raises
    ------
    StoreError
        The store cannot be opened at the start; later on every fault of the store is outlived.
    """

    def __init__(self, plan: Plan, clock: Clock, timeline: Timeline, outbox: Outbox) -> None:
        self._plan, self._clock, self._timeline, self._outbox = plan, clock, timeline, outbox
        self._settling = Settling(plan, clock, timeline)
        self._session: int | None = None
        self._rollups = Rollups()
        self._failing_since: int | None = None
        self._connection, self._channels = self._open()
        self._watch_what_was_left()

    def _open(self) -> tuple[WritingConnection, Channels]:
        connection = open_writer(Path(self._plan.store_path))
        try:
            return connection, Channels(connection)
        except sqlite3.Error as fault:
            connection.close()
            raise StoreError(f"store {self._plan.store_path}: {fault}") from None

    def _watch_what_was_left(self) -> None:
        """Intervals that were open when an earlier session ended get their rows from this one.

        Not where the samples have left the table: their rows were written long ago, and could not be written again.
        """
        for (t,) in self._connection.execute("SELECT last_seen FROM source WHERE last_seen IS NOT NULL").fetchall():
            minute = t // MINUTE_MS * MINUTE_MS
            query = "SELECT 1 FROM sample WHERE t >= ? AND t < ? LIMIT 1"
            if self._connection.execute(query, (minute, minute + MINUTE_MS)).fetchone():
                self._rollups.watch(t)

    def run(self, stop: Event, moved: Callable[[float], None] = lambda rest_s: None) -> None:
        """Flush at every interval until `stop` is set and the outbox closed.

        Parameters
        ----------
        stop : Event
        moved : callable
            Told after each flush how long it may be until the next one has been tried [s].
        """
        self.flush()
        while not stop.is_set():
            # A store that cannot be written is not tried more often because much has gathered.
            pause = PAUSE_S if self._settling.busy and self._failing_since is None else self._plan.flush_seconds
            moved(pause + BUSY_MS / 1000)
            self._outbox.wait(self._clock, pause, early=self._failing_since is None)
            self.flush()

    def finish(self) -> bool:
        """The last flush: everything that came, and that the session stopped cleanly. Tried twice."""
        return self.flush(last=True) or self.flush(last=True)

    def close(self) -> None:
        self._connection.close()

    def flush(self, last: bool = False) -> bool:
        """Write what has come, in one commit; what cannot be written is kept for the next time.

        Times are the session's own until they are written: `Timeline.shift_ms` is added on the way into the store.
        """
        batches, now = self._outbox.take(), self._timeline.now_ms()
        over = self._rollups.over(now + self._timeline.shift_ms)
        needed = self._session is None or bool(batches or over) or last
        try:
            if self._failing_since is not None:
                self._connection, self._channels = self._open()
            if needed or self._failing_since is not None:
                self._write_live([batch for batch in batches if not batch.can_wait], now, last)
            batches = [batch for batch in batches if batch.can_wait]
            while batches:
                self._write_block(batches[0], now)
                del batches[0]
            self._settle()
        except (sqlite3.Error, StoreError) as fault:
            self._outbox.put_back(batches)
            self._failed(fault, now)
            return False
        self._recovered(now)
        return True

    def _write_live(self, batches: list[Batch], now: int, last: bool) -> None:
        """All of them in one transaction; a second time, each by itself, where the store refuses one."""
        try:
            self._commit(batches, now, last, self._write)
        except _POISON:
            self._commit(batches, now, last, self._write_or_leave_out)

    def _commit(self, batches: list[Batch], now: int, last: bool, write: Callable[[Batch], list[Stretch]]) -> None:
        now += self._timeline.shift_ms
        with transaction(self._connection):
            session = self._session if self._session is not None else self._begin()
            changed = [stretch for batch in batches for stretch in write(batch)]
            self._settling.reach(self._connection, session, now)
            self._rollups.bring_up_to_date(self._connection, joined(changed), now)
            if last:
                self._connection.execute("UPDATE session SET stopped_cleanly = 1 WHERE id = ?", (session,))
        self._session = session
        self._rollups.forget(self._rollups.over(now))

    def _write(self, batch: Batch) -> list[Stretch]:
        if self._timeline.shift_ms and isinstance(batch, LiveBatch | EventBatch):
            batch = batch.moved(self._timeline.shift_ms)
        return batch.write(self._connection, self._channels)

    def _write_or_leave_out(self, batch: Batch) -> list[Stretch]:
        """What the store refuses in itself is left out, so that it does not hold up the others for ever."""
        try:
            with savepoint(self._connection):
                return self._write(batch)
        except _POISON:
            log.exception("%d readings left out: the store refuses them", batch.size)
            return []

    def _write_block(self, batch: Batch, now: int) -> None:
        try:
            with transaction(self._connection):
                stretches = self._write(batch)
        except _POISON:
            log.exception("a block of %d samples left out: the store refuses it", batch.size)
            return
        for _, stop in stretches:
            self._rollups.watch(stop - 1, after=now + self._timeline.shift_ms)

    def _begin(self) -> int:
        session, started = self._settling.begin(self._connection)
        keep_settings(self._connection, started, self._plan.settings_hash, self._plan.settings_text)
        return session

    def _settle(self) -> None:
        """Bring the session's readings nearer to their true time, where that is known."""
        if self._session is None:
            return
        arrived, told = self._settling.work(self._connection, self._channels, self._session)
        if arrived:
            self._rollups.watch(arrived[1] - 1, after=self._timeline.utc_ms())
        for text in told:
            log.info("%s", text)
            self._outbox.put(EventBatch(self._timeline.now_ms(), None, "clock", text))

    # -- trouble with the store ------------------------------------------------------------------------------

    def _failed(self, fault: Exception, now: int) -> None:
        # Whatever ids were made in the transaction are gone, so nothing that is remembered of it may be used.
        self._connection.close()
        if self._failing_since is None:
            self._failing_since = now
            log.error("store %s cannot be written (%s); readings are kept in memory", self._plan.store_path, fault)

    def _recovered(self, now: int) -> None:
        if self._failing_since is None:
            return
        text = f"could not be written for {(now - self._failing_since) / 1000:.0f} s; readings were kept in memory"
        lost = self._outbox.take_dropped()
        if lost:
            text += f", the oldest {lost} had to go"
        self._failing_since = None
        log.warning("store %s %s", self._plan.store_path, text)
        self._outbox.put(EventBatch(now, None, "store", text))
