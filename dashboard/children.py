"""Owns single child processes of `run`: how one is started, how it ends with its parent, when it is started again.

Standard library only.
"""

from __future__ import annotations

import ctypes
import logging
import os
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import IO, Protocol

log = logging.getLogger("noonmark.run")

PROCESS = "process"
"""Kind of event: one of the processes ended and was started again, or could not do its work."""
_PR_SET_PDEATHSIG = 1
_SO_CREDENTIALS = struct.Struct("3i")
_STEADY_S = 60.0
"""Who ran for so long had a good start: the next rest is the shortest again [s]."""
_MOST_REST_S = 3600.0
_NOTIFY = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


class Say(Protocol):
    """Tells a sentence, and notes it as an event of that kind; without a kind it is a repetition, and no news."""

    def __call__(self, text: str, kind: str | None) -> None: ...


@dataclass(frozen=True, slots=True)
class Command:
    """A command line, with what sets it apart from its parent.

    Attributes
    ----------
    arguments : list of str
    nice : int
        Added to the niceness; the kernel derives the priority at the disk from it (ioprio_set(2)). What is nice is
        also the first to go where memory runs out.
    environment : mapping of str to str
        Beside what the parent's holds.
    plan : str or None
        Text that the child reads from a descriptor, whose number follows the arguments.
    """

    arguments: list[str]
    nice: int = 0
    environment: Mapping[str, str] = field(default_factory=dict)
    plan: str | None = None

    @classmethod
    def logger(cls, plan: str, ear: Ear) -> Command:
        """The lean logger, which tells `ear` that it lives."""
        return cls([sys.executable, "-P", "-m", "logger", "--plan-fd"], 0, ear.environment, plan)

    def start(self, output: IO[bytes] | None = None) -> subprocess.Popen[bytes]:
        """The process; what it says goes where ours goes, or into a file."""
        environment = {name: value for name, value in os.environ.items() if name not in _NOTIFY}
        arguments, given = self.arguments, []
        if self.plan is not None:
            given = [os.memfd_create("plan", 0)]
            os.write(given[0], self.plan.encode())
            os.lseek(given[0], 0, os.SEEK_SET)
            arguments = [*arguments, str(given[0])]
        parent, prctl = os.getpid(), ctypes.CDLL(None, use_errno=True).prctl

        def apart() -> None:
            # Who is left alone stops cleanly: no writer outlives a parent that was killed.
            prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
            if os.getppid() != parent:
                os._exit(1)
            if self.plan is not None:
                # Waits until the logger listens for it, and then stops it cleanly.
                signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM, signal.SIGINT})
            if self.nice:
                os.nice(self.nice)
                with suppress(OSError), open("/proc/self/oom_score_adj", "w") as score:  # noqa: PTH123 - between fork and exec
                    score.write("500")

        try:
            # In a group of its own, so that Ctrl-C reaches the parent alone, which ends all in their order.
            return subprocess.Popen(
                arguments,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
                env={**environment, **self.environment},
                pass_fds=given,
                process_group=0,
                preexec_fn=apart,  # noqa: PLW1509 - there is one thread
            )
        finally:
            for descriptor in given:
                os.close(descriptor)


class Ear:
    """Stands before the logger as a service manager does, and notes its signs of life (sd_notify(3)).

    Parameters
    ----------
    deadline_s : float
        A logger that said nothing for longer hangs [s].
    """

    def __init__(self, deadline_s: float) -> None:
        self.deadline_s = deadline_s
        self._end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC)
        self._end.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
        self._end.bind("")  # the kernel finds a name that nobody has, unix(7)
        name = self._end.getsockname()
        self.environment = {
            "NOTIFY_SOCKET": "@" + name[1:].decode(),
            "WATCHDOG_USEC": str(round(deadline_s * 1_000_000)),
        }
        self._last: float | None = None

    def fileno(self) -> int:
        return self._end.fileno()

    def hear(self, pid: int | None) -> bool:
        """Take in what was said; whether the process with that id said that it is ready."""
        ready = False
        with suppress(BlockingIOError):
            while True:
                said, about, _, _ = self._end.recvmsg(256, socket.CMSG_SPACE(_SO_CREDENTIALS.size))
                if pid is None or not any(_SO_CREDENTIALS.unpack(data)[0] == pid for _, _, data in about):
                    continue
                if said.startswith(b"STOPPING"):
                    self._last = None
                else:
                    self._last = time.monotonic()
                    ready |= said.startswith(b"READY")
        return ready

    def silent_for(self, now: float) -> float:
        """Since when nothing was said by a logger that had begun [s]."""
        return 0.0 if self._last is None else now - self._last

    def forget(self) -> None:
        """What comes next is another process."""
        self._last = None

    def close(self) -> None:
        self._end.close()


class _Child:
    """A process that may run, with the ways to end it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.process: subprocess.Popen[bytes] | None = None
        self._status: int | None = None
        self._kill_at: float | None = None

    @property
    def pid(self) -> int | None:
        return None if self.process is None else self.process.pid

    def terminate(self) -> None:
        if self.process is not None:
            self.process.terminate()

    def end(self, patience_s: float) -> None:
        """Ask it to end, and make it end where it has not after so long; `_over` sees to that."""
        self.terminate()
        self._kill_at = time.monotonic() + patience_s

    def wait(self, patience_s: float) -> int | None:
        """Its exit status, or that of the last one, once it has ended; killed where that takes too long."""
        if self.process is not None:
            try:
                self._status = self.process.wait(patience_s)
            except subprocess.TimeoutExpired:
                log.error("%s: has not stopped in %g s and is killed", self.name, patience_s)
                self.process.kill()
                self._status = self.process.wait()
            self.process = None
        return self._status

    def _over(self, now: float) -> int | None:
        """The exit status of a process that has just ended."""
        if self.process is None:
            return None
        status = self.process.poll()
        if status is None:
            if self._kill_at is not None and now >= self._kill_at:
                self.process.kill()
                self._kill_at = None
            return None
        self.process, self._status, self._kill_at = None, status, None
        return status


class Service(_Child):
    """A process that is to run always: started again whenever it ends, after a rest that doubles.

    Parameters
    ----------
    name : str
    command : Command
    first_rest_s, most_rest_s : float
        The first rest and the longest [s].
    say : callable
    """

    def __init__(self, name: str, command: Command, first_rest_s: float, most_rest_s: float, say: Say) -> None:
        super().__init__(name)
        self.due = 0.0
        self._command, self._say = command, say
        self._first_rest_s, self._most_rest_s = first_rest_s, most_rest_s
        self._rest_s = first_rest_s
        self._began = 0.0
        self._ended = 0

    def look(self, now: float, insist: bool = True) -> int | None:
        """See whether it ended, and start it where it is due.

        Without `insist` one that ended by itself, with an error that it has told, is not started again: its exit
        status is returned.
        """
        status = self._over(now)
        if status is not None and status > 0 and not insist:
            return status
        if status is not None:
            if now - self._began > _STEADY_S:
                self._rest_s, self._ended = self._first_rest_s, 0
            self._ended += 1
            self._say(
                f"{self.name}: ended {ending(status)}; started again in {self._rest_s:g} s",
                PROCESS if self._ended == 1 else None,
            )
            self.due, self._rest_s = now + self._rest_s, min(2 * self._rest_s, self._most_rest_s)
        elif self.process is None and now >= self.due:
            self.process, self._began = self._command.start(), now
        return None


class Job(_Child):
    """Work that is done once in each slot of the schedule, and again after a rest where it failed.

    Parameters
    ----------
    name : str
    command : Command
    slot : callable
        Moment [ms UTC] to the slot whose work was the last to fall due.
    limit_s, rest_s : float
        How long it may take, and the rest after a failure, which doubles [s].
    say : callable
    kinds : tuple of str
        Kinds of the events by which its failure is told, and that it works again.
    tells : bool
        Whether its last line says what came of it.
    """

    def __init__(
        self,
        name: str,
        command: Command,
        slot: Callable[[int], object],
        limit_s: float,
        rest_s: float,
        say: Say,
        kinds: tuple[str, str] = (PROCESS, PROCESS),
        tells: bool = False,
    ) -> None:
        super().__init__(name)
        self._command, self._slot, self._limit_s, self._say = command, slot, limit_s, say
        self._rest_s, self._kinds, self._tells = rest_s, kinds, tells
        self._done: object = None
        self._at: object = None
        self._began = 0.0
        self._failures = 0
        self._again = 0.0
        self._output: IO[bytes] | None = None

    def start_if_due(self, t: int, now: float) -> bool:
        """Start it where its slot is another than the last one done, and no failure makes it rest."""
        slot = self._slot(t)
        if slot == self._done or now < self._again:
            return False
        self._at, self._began = slot, now
        self._output = tempfile.TemporaryFile()  # noqa: SIM115 - closed when the work has ended
        self.process = self._command.start(self._output)
        self._kill_at = now + self._limit_s
        return True

    def look(self, now: float) -> bool:
        """Whether it is at work; of one that has just ended it is said what came of it."""
        status = self._over(now)
        if status is not None:
            self._ended(status, now)
        return self.process is not None

    def _ended(self, status: int, now: float) -> None:
        said, took = self._said(), now - self._began
        if status == 0:
            log.info("%s: done in %.1f s%s", self.name, took, f": {said}" if self._tells and said else "")
            if self._failures:
                self._say(f"{self.name}: works again", self._kinds[1])
            self._done, self._failures, self._again = self._at, 0, 0.0
            return
        rest = min(self._rest_s * 2**self._failures, _MOST_REST_S)
        self._failures += 1
        self._again = now + rest
        why = f": {said}" if said else ""
        self._say(
            f"{self.name}: failed {ending(status)} after {took:.0f} s, tried again in {rest:g} s{why}",
            self._kinds[0] if self._failures == 1 else None,
        )

    def _said(self) -> str:
        """The last line that it said."""
        if self._output is None:
            return ""
        with self._output as output:
            size = output.seek(0, os.SEEK_END)
            output.seek(max(size - 2000, 0))
            lines = output.read().decode("utf-8", "replace").split("\n")
        self._output = None
        return next((line.strip() for line in reversed(lines) if line.strip()), "")

    def wait(self, patience_s: float) -> int | None:
        status = super().wait(patience_s)
        self._said()
        return status


def ending(status: int) -> str:
    """How a process ended, in words."""
    return f"with {status}" if status >= 0 else f"by {signal.Signals(-status).name}"
