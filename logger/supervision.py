"""Owns the readers: a thread for each source, watched, and given up for another one where it hangs."""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable
from threading import Event, Lock, Thread

from logger.batches import EventBatch, LiveBatch
from logger.clock import Clock
from logger.collector import AWAY_S, FAILING
from logger.protocols import Batch, Emit, Source
from logger.watch import Stage, Watch

log = logging.getLogger("noonmark.logger")

MOST_HANGS = 3
"""Readers of one source that may hang within `FORGIVEN_S`; after that the service manager is to start all anew."""
FORGIVEN_S = 3600.0


class Abandoned(BaseException):
    """Raised in a reader that was given up, as soon as it comes back from where it hung."""


class Turn(Event):
    """One reader's time at a source: the stop event as it sees it, and its way to the writer.

    Whatever a source does, it must look at its stop again and again; so none needs to be told of the watch: every look
    and every wait is a sign of life. While a batch is handed over it may be held back for want of room, which is no
    fault of the source. Once the turn is over nothing that the reader says is booked, and it is no sign of life.
    """

    def __init__(self, stop: Event, stage: Stage, emit: Emit) -> None:
        super().__init__()
        self._stop, self._stage, self._emit = stop, stage, emit
        self._over = False
        self._lock = Lock()

    def is_set(self) -> bool:
        self._moves()
        return self._over or self._stop.is_set()

    def wait(self, timeout: float | None = None) -> bool:
        self._moves(rest_s=float("inf") if timeout is None else timeout)
        try:
            return self._stop.wait(timeout) or self._over
        finally:
            self._moves()

    def emit(self, batch: Batch) -> None:
        """Hand a batch to the writer.

        Raises
        ------
        Abandoned
            The turn is over.
        """
        self._moves(rest_s=float("inf"))
        try:
            if batch.can_wait:  # who waits for room rests, and is not given up meanwhile
                self._emit(batch)
            else:
                with self._lock:
                    self._must_last()
                    self._emit(batch)
        finally:
            self._moves()

    def end(self) -> None:
        """It is another reader's turn."""
        with self._lock:
            self._over = True

    @property
    def is_over(self) -> bool:
        return self._over

    def _must_last(self) -> None:
        if self._over:
            raise Abandoned

    def _moves(self, rest_s: float = 0.0) -> None:
        if not self._over:
            self._stage.moves(rest_s)


class Readers:
    """The sources of one logger at work.

    Parameters
    ----------
    clock : Clock
        For every wait of theirs.
    now : callable
        Time [ms UTC].
    stop : Event
        Ends them all.
    emit : callable
        Where their batches go.
    watch : Watch
        Who sees that one hangs.
    """

    def __init__(self, clock: Clock, now: Callable[[], int], stop: Event, emit: Emit, watch: Watch) -> None:
        self._clock, self._now, self._stop, self._emit, self._watch = clock, now, stop, emit, watch
        self._at_work: list[_Reader] = []

    def start(self, name: str, make: Callable[[], Source], patience_s: float = 0.0) -> None:
        """Read a source from now on.

        Parameters
        ----------
        name : str
        make : callable
            Makes the source; again where its reader hangs.
        patience_s : float
            How much longer than others it may take to come back from one read [s].
        """
        reader = _Reader(name, make, self._clock, self._now, self._stop, self._emit)
        self._at_work.append(reader)
        reader.begin(self._watch.stage(name, patience_s, reader.cure), make())

    def join(self, seconds: float) -> None:
        """Wait for each to end, at most so long [s]."""
        for reader in self._at_work:
            reader.join(seconds)


class _Reader:
    """The threads of one source, one at a time."""

    def __init__(
        self,
        name: str,
        make: Callable[[], Source],
        clock: Clock,
        now: Callable[[], int],
        stop: Event,
        emit: Emit,
    ) -> None:
        self._name, self._make, self._clock, self._now = name, make, clock, now
        self._stop, self._emit = stop, emit
        self._hangs: deque[float] = deque(maxlen=MOST_HANGS)

    def begin(self, stage: Stage, source: Source | None = None) -> None:
        """A new thread, with a line and a decoder of its own."""
        self._stage, self._source = stage, source
        self._turn = Turn(self._stop, stage, self._emit)
        stage.moves()
        self._thread = Thread(target=self._read, args=(self._turn, source), name=f"source {self._name}", daemon=True)
        self._thread.start()

    def _read(self, turn: Turn, source: Source | None) -> None:
        """Read until stopped; a source that fails in a way nobody foresaw says so and begins again."""
        try:
            while not turn.is_set():
                try:
                    if source is None:
                        source = self._made(turn)
                    source.run(turn, turn.emit)
                except Exception:
                    if turn.is_over:
                        return
                    log.exception("%s: a fault in Noonmark itself; it begins again in %g s", self._name, AWAY_S)
                    self._clock.wait(turn, AWAY_S)
        except Abandoned:
            return

    def _made(self, turn: Turn) -> Source:
        source = self._make()
        if self._turn is turn:
            self._source = source
        return source

    def cure(self) -> bool:
        """Give up the reader that hangs and begin another; False where that has not helped often enough."""
        now = time.monotonic()
        if len(self._hangs) == MOST_HANGS and now - self._hangs[0] < FORGIVEN_S:
            return False
        self._hangs.append(now)
        self._turn.end()
        # Closing may hang in the same driver, and nobody may wait for that.
        Thread(target=_let_go, args=(self._source, self._thread), name=f"giving up {self._name}", daemon=True).start()
        why = "its reader hung and was given up; another one takes its place"
        log.error("%s: %s: %s", self._name, FAILING, why)
        self._emit(EventBatch(self._now(), self._name, "state", f"{FAILING}: {why}"))
        self._emit(LiveBatch(self._name, FAILING, {}))
        self.begin(self._stage)
        return True

    def join(self, seconds: float) -> None:
        self._thread.join(seconds)


def _let_go(source: Source | None, thread: Thread) -> None:
    """End a thread that hangs: what goes round in Python is interrupted, and what it reads from closed under it."""
    import ctypes  # noqa: PLC0415 - a logger whose readers never hang does without

    if thread.ident is not None:
        ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(Abandoned))
    try:
        if source is not None:
            source.let_go()
    except Exception:
        log.exception("what a reader that hung had open could not be closed")
