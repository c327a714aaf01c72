"""Owns the one thread that writes: what the sources hand over, one commit a flush interval, kept until it is safe."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from threading import Event

from logger.batches import EventBatch, LiveBatch
from logger.clock import Clock
from logger.errors import StoreError, StoreMissing
from logger.intervals import Rollups, joined
from logger.outbox import Outbox, pieces
from logger.plan import Plan
from logger.protocols import Batch, Stretch
from logger.rollup import MINUTE_MS
from logger.settling import PAUSE_S, Settling
from logger.store import (
    BUSY_MS,
    Channels,
    WritingConnection,
    claim,
    keep_settings,
    open_writer,
    savepoint,
    transaction,
)
from logger.timeline import Timeline
from logger.trouble import Trouble, is_damage

log = logging.getLogger("noonmark.logger")

_ANEW_S = 60
_NONE = (0, 0)
"""Device and inode of no file."""

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
        A store that was prepared cannot be opened; later on every fault of the store is outlived.
    """

    def __init__(self, plan: Plan, clock: Clock, timeline: Timeline, outbox: Outbox) -> None:
        self._plan, self._clock, self._timeline, self._outbox = plan, clock, timeline, outbox
        self._settling = Settling(plan, clock, timeline)
        self._session: int | None = None
        self._rollups = Rollups()
        self._store = Path(plan.store_path)
        self._trouble: Trouble | None = None
        self._identity: tuple[int, int] | None = None
        self._claims = ExitStack()
        self._is_prepared = plan.prepared
        self._at_hand: tuple[WritingConnection, Channels] | None = None
        if plan.prepared:
            self._at_hand = self._open()
        else:
            self._identity = _NONE
            self._trouble = Trouble.of(StoreError("not from the start on"), self._store, timeline.now_ms())
            log.error("store %s cannot be written; readings are kept in memory until it can", self._store)

    @property
    def _connection(self) -> WritingConnection:
        return self._opened()[0]

    @property
    def _channels(self) -> Channels:
        return self._opened()[1]

    def _opened(self) -> tuple[WritingConnection, Channels]:
        if self._at_hand is None:
            raise StoreError(f"store {self._store}: it could not be opened yet")
        return self._at_hand

    def _open(self) -> tuple[WritingConnection, Channels]:
        first = self._at_hand is None
        if not self._is_prepared:
            self._prepare()
        self._hold()
        connection = open_writer(self._store)
        try:
            if first:
                self._watch_what_was_left(connection)
            return connection, Channels(connection)
        except sqlite3.Error as fault:
            connection.close()
            raise StoreError(f"store {self._store}: {fault}") from None

    def _hold(self) -> None:
        """Whoever made this writer holds the file that lay there then; another one is held from here, and begun."""
        identity = self._lying_there()
        if self._identity not in (None, identity):
            self._claims.close()
            self._claims.enter_context(claim(self._store))
            self._session = None
        self._identity = identity

    def _lying_there(self) -> tuple[int, int]:
        try:
            about = self._store.stat()
        except OSError as fault:
            raise StoreMissing(f"store {self._store}: it is gone ({fault.strerror})") from None
        return about.st_dev, about.st_ino

    def _watch_what_was_left(self, connection: WritingConnection) -> None:
        """Intervals that were open when an earlier session ended get their rows from this one.

        Not where the samples have left the table: their rows were written long ago, and could not be written again.
        """
        for (t,) in connection.execute("SELECT last_seen FROM source WHERE last_seen IS NOT NULL").fetchall():
            minute = t // MINUTE_MS * MINUTE_MS
            query = "SELECT 1 FROM sample WHERE t >= ? AND t < ? LIMIT 1"
            if connection.execute(query, (minute, minute + MINUTE_MS)).fetchone():
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
            pause = PAUSE_S if self._settling.busy and self._trouble is None else self._plan.flush_seconds
            moved(pause + BUSY_MS / 1000)
            self._outbox.wait(self._clock, pause, early=self._trouble is None)
            self.flush()

    def finish(self) -> bool:
        """The last flush: everything that came, and that the session stopped cleanly. Tried twice."""
        return self.flush(last=True) or self.flush(last=True)

    def close(self) -> None:
        self._let_go()
        self._claims.close()

    def _let_go(self) -> None:
        if self._at_hand is not None:
            self._connection.close()

    def flush(self, last: bool = False) -> bool:
        """Write what has come, in one commit or a few; what cannot be written is kept for the next time.

        Times are the session's own until they are written: `Timeline.shift_ms` is added on the way into the store.
        """
        batches, now = self._outbox.take(), self._timeline.now_ms()
        over = self._rollups.over(now + self._timeline.shift_ms)
        needed = self._session is None or bool(batches or over) or last
        live = pieces([batch for batch in batches if not batch.can_wait])
        blocks = [batch for batch in batches if batch.can_wait]
        try:
            if self._trouble:
                self._at_hand = self._open()
            elif self._lying_there() != self._identity:
                raise StoreMissing(f"store {self._store}: another file has taken its place")
            while live and (needed or self._trouble):
                self._write_live(live[0], now, last and len(live) == 1)
                del live[0]
            while blocks:
                self._write_block(blocks[0], now)
                del blocks[0]
            self._settle()
        except (sqlite3.Error, StoreError) as fault:
            self._outbox.put_back([batch for piece in live for batch in piece] + blocks)
            self._failed(fault, now)
            return False
        return self._tell(now)

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
        self._settling.kept()
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
        self._let_go()
        if self._trouble is None:
            self._trouble = Trouble.of(fault, self._store, now)
            log.error("store %s cannot be written (%s); readings are kept in memory", self._store, fault)
        if is_damage(fault):
            self._begin_anew("--damaged", str(fault))
        elif isinstance(fault, StoreMissing) and self._is_deleted():
            self._begin_anew()

    def _is_deleted(self) -> bool:
        """Whether the file alone is gone, and not the disk that it lay on."""
        try:
            there = self._store.parent.stat().st_dev
        except OSError:
            return False
        return not self._store.exists() and self._identity is not None and there == self._identity[0]

    def _begin_anew(self, *how: str) -> None:
        """A fresh store in the place of this one."""
        if self._identity:
            self._identity = (self._identity[0], 0)  # a fresh file may get the number of the one that is gone
        fault = self._by_another_process(*how)
        if fault:
            log.error("store %s: no fresh one could be begun (%s)", self._store, fault)

    def _prepare(self) -> None:
        """Bring a store up to date that could not be written at the start; a look at it costs less than a try."""
        try:
            with closing(open_writer(self._store)) as connection, transaction(connection):
                connection.execute("PRAGMA user_version = 0")
        except sqlite3.Error as fault:
            raise StoreError(f"store {self._store}: {fault}") from None
        refused = self._by_another_process()
        if refused:
            raise StoreError(f"store {self._store}: it could not be brought up to date ({refused})")
        self._is_prepared = True

    def _by_another_process(self, *how: str) -> Exception | None:
        """Have the store prepared: this process knows no schema. What went wrong, or None."""
        import subprocess  # noqa: PLC0415 - a logger without trouble does without
        import sys  # noqa: PLC0415

        command = [sys.executable, "-P", "-m", "logger.schema", str(self._store), *how]
        try:
            subprocess.run(command, stdin=subprocess.DEVNULL, check=True, timeout=_ANEW_S)
        except (OSError, subprocess.SubprocessError) as fault:
            return fault
        return None

    def _tell(self, now: int) -> bool:
        """Write down what there was of trouble, now that it is over, and what was lost."""
        trouble, self._trouble = self._trouble, None
        lost = self._outbox.take_lost()
        told: list[Batch] = [*(trouble.events(now) if trouble else ()), *((lost.event(),) if lost else ())]
        if trouble:
            log.warning(
                "store %s is written again after %.0f s%s",
                self._store,
                (now - trouble.since) / 1000,
                f"; {lost.count} readings had to go" if lost else "",
            )
        if told:
            try:
                self._write_live(told, now, last=False)
            except (sqlite3.Error, StoreError) as fault:
                self._outbox.put_back(told)
                self._failed(fault, now)
                return False
        return True
