"""Owns what `run` keeps alive: the logger, the pages and the scheduled work, each in a process of its own.

This is what the process of ``noonmark run`` becomes (``python -m dashboard.supervise --orders-fd N``): standard library
alone, one thread, and the process id that a service manager knows. It never touches a reading. The logger is its child
and stays as lean as under ``record``; the pages and the scheduled commands are children too, of lower priority and the
first to go where memory runs out. Whatever happens to one of them, the others go on.
"""

from __future__ import annotations

import json
import logging
import os
import select
import signal
import sys
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from dashboard.children import PROCESS, Command, Ear, Job, Service
from dashboard.schedule import Schedule
from logger.errors import StoreError
from logger.store import note_events
from logger.trouble import SEALED_AGAIN, UNSEALED
from logger.watch import ServiceManager

log = logging.getLogger("noonmark.run")

STOPS = (signal.SIGTERM, signal.SIGINT)
_TICK_S = 5.0
_MOST_EVENTS = 100
_EVENTS_AGAIN_S = 30.0
# The writer waits up to 30 s for a lock, and is owed twice that; a service manager waits 90 s by default.
_LOGGER_ENDS_S = 75.0
_OTHERS_END_S = 10.0
_UNWATCHED_S = 60.0
# What takes longer hangs; the first sealing of years of history takes hours.
_MOST_ASSESS_S = 2 * 3600.0
_MOST_ARCHIVE_S = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class Orders:
    """What `run` hands over to the process that it becomes.

    Attributes
    ----------
    plan : str
        The lean logger's plan, as JSON.
    store, settings : str
        Absolute paths.
    schedule : Schedule
    port : int or None
        Where the pages are served; None for none.
    settle_s : float
        From the logger's first commit to the first scheduled work [s]: a machine that starts has enough to do.
    first_rest_s : float
        How long a process that ended rests before it is started again, the first time [s].
    job_rest_s : float
        The same for scheduled work that failed.
    """

    plan: str
    store: str
    settings: str
    schedule: Schedule
    port: int | None
    settle_s: float = 60.0
    first_rest_s: float = 1.0
    job_rest_s: float = 300.0

    def to_json(self) -> str:
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Orders:
        data = json.loads(text)
        return cls(schedule=Schedule(**data.pop("schedule")), **data)


class Supervisor:
    """The processes of one vessel, from start to clean stop.

    Parameters
    ----------
    orders : Orders
    manager : ServiceManager
        Told what it wants to know: ready with the logger's first commit, alive as long as this loop turns.
    """

    def __init__(self, orders: Orders, manager: ServiceManager) -> None:
        self._orders, self._manager = orders, manager
        self._ear = Ear(manager.deadline_s or _UNWATCHED_S)
        self._events: list[tuple[int, str, str]] = []
        self._events_at = 0.0
        self._ready = False
        self._ready_at = 0.0
        self._pinged = 0.0
        self._stop = False
        command = [sys.executable, "-P", "-m"]
        rest = orders.first_rest_s
        self._logger = Service("logger", Command.logger(orders.plan, self._ear), rest, 60.0, self._say)
        self._others: list[Service] = []
        if orders.port is not None:
            arguments = ["dashboard", "pages", "--settings", orders.settings, "--port", str(orders.port)]
            self._others.append(Service("pages", Command([*command, *arguments], nice=5), rest, 300.0, self._say))
        schedule = orders.schedule
        arguments = ["--settings", orders.settings]
        self._jobs = [
            Job(
                "assess",
                Command([*command, "dashboard", "assess", *arguments], nice=15),
                schedule.assessment,
                _MOST_ASSESS_S,
                orders.job_rest_s,
                self._say,
            ),
            Job(
                "archive",
                Command([*command, "dashboard", "archive", *arguments], nice=15),
                schedule.night,
                _MOST_ARCHIVE_S,
                orders.job_rest_s,
                self._say,
                (UNSEALED, SEALED_AGAIN),
                tells=True,
            ),
        ]

    def run(self) -> int:
        """Keep everything alive until SIGTERM or SIGINT.

        Returns
        -------
        int
            Exit status: 0; that of a logger which could not begin; 1 where one could not write to the end.
        """
        wake, woken = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        before = signal.set_wakeup_fd(woken, warn_on_full_buffer=False)
        handlers = {number: signal.signal(number, self._on_signal) for number in (*STOPS, signal.SIGCHLD)}
        signal.pthread_sigmask(signal.SIG_UNBLOCK, STOPS)
        try:
            while not self._stop:
                refused = self._turn()
                if refused is not None:
                    self._end()
                    return refused
                self._rest(wake)
            return self._end()
        finally:
            for number, handler in handlers.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(before)
            os.close(wake)
            os.close(woken)
            self._ear.close()

    def _on_signal(self, number: int, _frame: object) -> None:
        self._stop |= number in STOPS

    def _rest(self, wake: int) -> None:
        """Until something ends, is said or falls due."""
        now = time.monotonic()
        awaited = [self._logger, *self._others] if self._ready else [self._logger]
        due = [max(service.due - now, 0.01) for service in awaited if service.process is None]
        most = min([_TICK_S, self._ear.deadline_s / 4, *due])
        select.select([wake, self._ear.fileno()], [], [], most)
        with suppress(BlockingIOError):
            os.read(wake, 4096)

    def _turn(self) -> int | None:
        """Look at everything once; the exit status of a logger that refuses to begin."""
        now = time.monotonic()
        self._hear(now)
        refused = self._logger.look(now, insist=self._ready)
        if refused is not None:
            return refused
        for service in self._others if self._ready else []:
            service.look(now)
        self._schedule(now)
        self._write_events(now)
        if now - self._pinged >= (self._manager.deadline_s or _UNWATCHED_S) / 4:
            self._manager.tell("WATCHDOG=1")
            self._pinged = now
        return None

    def _hear(self, now: float) -> None:
        """What the logger says of itself; one that says nothing any more is ended, and so started again."""
        if self._ear.hear(self._logger.pid) and not self._ready:
            self._ready, self._ready_at = True, now
            self._manager.tell("READY=1")
        if self._ear.silent_for(now) > self._ear.deadline_s:
            self._say("logger: it does not move any more, and is ended", PROCESS)
            self._logger.end(_OTHERS_END_S)
            self._ear.forget()

    def _schedule(self, now: float) -> None:
        """Start what is due, one at a time, in its order."""
        t = time.time_ns() // 1_000_000
        at_work = [job for job in self._jobs if job.look(now)]
        if at_work or not self._ready or now - self._ready_at < self._orders.settle_s:
            return
        next((job for job in self._jobs if job.start_if_due(t, now)), None)

    def _say(self, text: str, kind: str | None) -> None:
        """Tell it, and note what is new in the record."""
        log.warning("%s", text)
        if kind is not None:
            self._events = [*self._events, (time.time_ns() // 1_000_000, kind, text)][-_MOST_EVENTS:]

    def _write_events(self, now: float) -> None:
        """Into the store, as soon as it takes them; this process waits for nobody."""
        if not self._events or now < self._events_at:
            return
        try:
            note_events(Path(self._orders.store), self._events, patience_s=1.0)
            self._events.clear()
        except StoreError:
            self._events_at = now + _EVENTS_AGAIN_S

    def _end(self) -> int:
        """End all, the logger with all that it holds written; its exit status."""
        self._manager.tell("STOPPING=1")
        log.info("stopping")
        everyone = [self._logger, *self._others, *self._jobs]
        for one in everyone:
            one.terminate()
        for one in everyone[1:]:
            one.wait(_OTHERS_END_S)
        status = self._logger.wait(_LOGGER_ENDS_S)
        self._write_events(float("inf"))
        return 1 if status else 0


def main(arguments: list[str]) -> int:
    if len(arguments) != 2 or arguments[0] != "--orders-fd" or not arguments[1].isdecimal():
        sys.stderr.write("this is the inner part of 'noonmark run': start that\n")
        return 2
    logging.Formatter.converter = time.gmtime
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%Y-%m-%dT%H:%M:%SZ")
    with os.fdopen(int(arguments[1]), encoding="utf-8") as file:
        orders = Orders.from_json(file.read())
    return Supervisor(orders, ServiceManager()).run()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
