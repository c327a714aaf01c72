"""Owns the watch over the logger's own stages: signs of life, what is overdue, and word to the service manager."""

from __future__ import annotations

import math
import os
import socket
import time
from collections.abc import Callable, Mapping
from threading import Event, Lock, Thread

UNWATCHED_GRACE_S = 20.0
"""How long a stage may be at work without a sign of life, where no deadline is set: far above any work it has."""
_UNWATCHED_EVERY_S = 5.0
_PINGS_A_DEADLINE = 4


def _incurable() -> bool:
    return False


class Stage:
    """A part of the logger that must move: when its next sign of life is due.

    Attributes
    ----------
    cure : callable
        What can be done once it is overdue; whether that was done, so that it counts as moving.
    """

    def __init__(self, name: str, grace_s: float, cure: Callable[[], bool] = _incurable) -> None:
        self.name, self.cure = name, cure
        self._grace_s = grace_s
        self._due = time.monotonic() + grace_s

    def moves(self, rest_s: float = 0.0) -> None:
        """It moves now, and may then rest for so long on purpose [s]."""
        self._due = time.monotonic() + rest_s + self._grace_s

    @property
    def overdue(self) -> bool:
        return time.monotonic() > self._due


class ServiceManager:
    """What the service manager is told, by sd_notify(3): datagrams to the socket that it names, if it names one.

    Parameters
    ----------
    environment : mapping of str to str
        Holds ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` where it asked for them.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        usec, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
        ours = self._address and usec.isdecimal() and pid in ("", str(os.getpid()))
        self.deadline_s: float | None = int(usec) / 1_000_000 if ours and int(usec) else None
        """How long it waits for a ping before it starts us again [s]; None where it does not watch."""

    def tell(self, state: str) -> None:
        """Send ``READY=1``, ``WATCHDOG=1``, ``STOPPING=1``; a manager that does not listen holds nobody up."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as out:
                out.sendto(state.encode(), address)
        except OSError:
            pass


class Watch:
    """Pings the service manager as long as every stage moves, and says which one does not and cannot be cured.

    Parameters
    ----------
    manager : ServiceManager
    on_stuck, on_moving : callable
        Told the name of a stage that is overdue, and again when it moves after all.
    """

    def __init__(
        self, manager: ServiceManager, on_stuck: Callable[[str], None], on_moving: Callable[[str], None]
    ) -> None:
        self._manager, self._on_stuck, self._on_moving = manager, on_stuck, on_moving
        deadline = manager.deadline_s
        # A stuck stage is seen by half a deadline, so that the restart comes within two.
        self.grace_s = UNWATCHED_GRACE_S if deadline is None else min(deadline / 2, UNWATCHED_GRACE_S)
        self._every_s = _UNWATCHED_EVERY_S if deadline is None else deadline / _PINGS_A_DEADLINE
        self._next_look = math.inf
        self._lock = Lock()
        self._stages: list[Stage] = []
        self._stuck: set[str] = set()
        self._end = Event()
        self._thread = Thread(target=self._run, name="watch", daemon=True)

    def stage(self, name: str, patience_s: float = 0.0, cure: Callable[[], bool] = _incurable) -> Stage:
        """A stage to watch from now on, which may take so much longer than others to move [s]."""
        stage = Stage(name, self.grace_s + patience_s, cure)
        with self._lock:
            self._stages.append(stage)
        return stage

    def start(self) -> None:
        """All stages are there and the store takes what they bring: say that it is ready, and watch."""
        self._manager.tell("READY=1")
        self._thread.start()

    def stop(self) -> None:
        """Watch no more; what comes now is a clean end."""
        self._manager.tell("STOPPING=1")
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._end.wait(self._every_s):
            self._look()

    def _look(self) -> None:
        late, self._next_look = time.monotonic() > self._next_look, time.monotonic() + self._every_s + self.grace_s
        if late:  # the whole process stood still: everyone gets the time to move again
            return
        with self._lock:
            overdue = [stage for stage in self._stages if stage.overdue]
        stuck = {stage.name for stage in overdue if not stage.cure()}
        for name in sorted(stuck - self._stuck):
            self._on_stuck(name)
        for name in sorted(self._stuck - stuck):
            self._on_moving(name)
        self._stuck = stuck
        if not stuck:
            self._manager.tell("WATCHDOG=1")
