"""The process that ``record`` turns into: ``python -m logger --plan-fd N``, standard library and pyserial alone."""

from __future__ import annotations

import logging
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING

from logger import settling
from logger.batches import EventBatch, LiveBatch
from logger.capture import Capture
from logger.clock import Clock, SystemClock
from logger.collector import FAILING
from logger.decoders import registry as decoders
from logger.errors import NoonmarkError, StoreError, StoreHeld, StoreMissing
from logger.outbox import Outbox
from logger.plan import Plan, SourcePlan
from logger.protocols import Batch
from logger.sources import registry as sources
from logger.store import claim, open_reader
from logger.supervision import Readers
from logger.timeline import Timeline
from logger.watch import ServiceManager, Stage, Watch
from logger.writer import Writer

if TYPE_CHECKING:
    from logger.sources.csv_file import Table

log = logging.getLogger("noonmark.logger")

STOPS = frozenset({signal.SIGTERM, signal.SIGINT})
JOIN_S = 10.0
WRITER = "the writer"


class Recorder:
    """Sources, writer and store of one plan, from start to clean stop.

    Parameters
    ----------
    plan : Plan
        What to record, and where.
    clock : Clock
        The one clock: every time and every wait is its own.
    """

    def __init__(self, plan: Plan, clock: Clock) -> None:
        self._plan, self._clock = plan, clock
        self._stop = Event()
        self._outbox = Outbox()

    def stop(self) -> None:
        """End `run` soon, everything written. From another thread."""
        self._stop.set()
        self._outbox.close()

    def run(self) -> int:
        """Record until stopped.

        Returns
        -------
        int
            Exit status: 0, or 1 where readings could not be written to the end.

        Raises
        ------
        StoreError
            There is no store, or another logger records into it.
        """
        plan, outbox, store = self._plan, self._outbox, Path(self._plan.store_path)
        with ExitStack() as around:
            self._hold(store, around)
            timeline = self._timeline(store)
            capture = around.enter_context(_capture(plan, timeline))
            writer = Writer(plan, self._clock, timeline, outbox)
            watch = Watch(ServiceManager(), lambda name: self._stuck(name, timeline), self._moving)
            try:
                setting = sources.Setting(
                    self._clock,
                    timeline,
                    decoders.make,
                    _csv_table,
                    store,
                    plan.sources,
                    plan.longitude,
                    capture,
                    plan.settings_hash,
                )
                log.info("recording %d sources into %s", len(plan.sources), plan.store_path)
                readers = self._reading(setting, watch)
                self._write(writer, watch)
                readers.join(JOIN_S)
                done = writer.finish()
            finally:
                watch.stop()
                writer.close()
        log.info("stopped" if done else "stopped; the last readings could not be written")
        return 0 if done else 1

    def _hold(self, store: Path, around: ExitStack) -> None:
        """Keep other loggers away from the store; one that cannot be written yet is held by the writer, once it can."""
        if self._plan.prepared:
            around.enter_context(claim(store))
            return
        try:
            with claim(store):
                pass
        except StoreHeld:
            raise
        except StoreMissing:
            pass  # its disk is not mounted: whoever started this has said so, and the writer says what becomes of that
        except StoreError as fault:
            log.error("%s", fault)

    def _timeline(self, store: Path) -> Timeline:
        offset_ms: int | None = None
        known: bool | None = None
        try:
            with closing(open_reader(store)) as connection:
                offset_ms, known = settling.beginning(connection, self._clock, self._plan)
        except (StoreError, sqlite3.Error):
            if self._plan.prepared:
                raise

        def on_step(t: int, text: str) -> None:
            log.warning("%s", text)
            self._outbox.put(EventBatch(t, None, "clock step", text))

        return Timeline(self._clock, on_step, offset_ms, known)

    def _write(self, writer: Writer, watch: Watch) -> None:
        """Write until stopped; ready is who has written once."""
        stage: list[Stage] = []

        def moved(rest_s: float) -> None:
            if not stage:
                stage.append(watch.stage(WRITER))
                watch.start()
            stage[0].moves(rest_s)

        writer.run(self._stop, moved)

    def _stuck(self, name: str, timeline: Timeline) -> None:
        log.error("%s: it does not move any more", name)
        if name != WRITER:
            text = f"{FAILING}: its reader hangs again and again; the others go on"
            self._outbox.put(EventBatch(timeline.now_ms(), name, "state", text))
            self._outbox.put(LiveBatch(name, FAILING, {}))

    def _moving(self, name: str) -> None:
        log.info("%s: it moves again", name)

    def _reading(self, setting: sources.Setting, watch: Watch) -> Readers:
        """The readers of all sources, and where it is wanted the one that publishes what they say."""
        put, publish, timeline = self._outbox.put, self._plan.publish, setting.timeline
        if publish is not None:
            # Only who publishes pays for the broker's library.
            from logger.publishing import LatestValues  # noqa: PLC0415

            latest = LatestValues(publish, self._clock, timeline.now_ms)

            def put(batch: Batch) -> None:
                self._outbox.put(batch)
                latest.see(batch.moved(timeline.shift_ms) if isinstance(batch, LiveBatch) else batch)

        readers = Readers(self._clock, timeline.now_ms, self._stop, put, watch)
        for plan in self._plan.sources:
            readers.start(plan.name, partial(sources.make, plan, setting), sources.patience_s(plan))
        if publish is not None:
            readers.start("publish", lambda: latest, sources.NAMES_S)
        return readers


@contextmanager
def _capture(plan: Plan, timeline: Timeline) -> Iterator[Capture | None]:
    if plan.capture is None:
        yield None
        return
    with closing(Capture(Path(plan.capture), timeline.now_ms)) as capture:
        yield capture


def _csv_table(plan: SourcePlan, where: str, state: str | None) -> Table:
    # Only who follows files pays for their decoder.
    from logger.decoders.csv_table import CsvTable  # noqa: PLC0415

    return CsvTable(plan, where, state)


def run(plan: Plan, clock: Clock) -> int:
    """Record until SIGTERM or SIGINT; see `Recorder.run`."""
    recorder = Recorder(plan, clock)
    with _on_signal(recorder.stop):
        return recorder.run()


@contextmanager
def _on_signal(act: Callable[[], None]) -> Iterator[None]:
    """Act once on SIGTERM or SIGINT, in a thread of its own.

    A handler would run between any two steps of the main thread, also while that holds the very lock that stopping
    needs; a thread that waits for the signals cannot. Threads started from here on inherit the mask.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPS)

    def wait() -> None:
        signal.sigwait(STOPS)
        act()

    Thread(target=wait, name="signals", daemon=True).start()
    try:
        yield
    finally:
        while signal.sigtimedwait(STOPS, 0):  # whoever asks twice is not answered with a traceback
            pass
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def read_plan(descriptor: int) -> Plan:
    """The plan that the parent left in an inherited file."""
    with os.fdopen(descriptor, encoding="utf-8") as file:
        return Plan.from_json(file.read())


def main(arguments: list[str]) -> int:
    if len(arguments) != 2 or arguments[0] != "--plan-fd" or not arguments[1].isdecimal():
        sys.stderr.write("this is the inner part of 'noonmark record': start that\n")
        return 2
    logging.Formatter.converter = time.gmtime
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%Y-%m-%dT%H:%M:%SZ")
    try:
        return run(read_plan(int(arguments[1])), SystemClock())
    except NoonmarkError as fault:
        log.error("%s", fault)
        return fault.exit_status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
