"""Owns what the tests of real processes share: devices on pseudo-terminals, a logger to start and end, patience."""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from logger import settings_file

PATIENCE_S = 60.0
TIOCGEXCL = 0x80045440

SITE = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"
[store]
path = "lapwing.db"
flush_seconds = {flush}
[bank]
name = "house"
"""

SOURCE = """
[[source]]
name = "{name}"
kind = "serial"
port = "{port}"
format = "keyvalue"
unheard_after_s = {unheard}
[[source.channel]]
field = "V"
channel = "bank.house.voltage"
[[source.channel]]
field = "I"
channel = "bank.house.current"
"""


def until(condition: Callable[[], Any], what: str = "it") -> Any:
    """Wait for a condition that another process makes true, at most `PATIENCE_S`; what it came to."""
    deadline = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not (found := condition()):
        assert time.monotonic() < deadline, f"{what} did not happen in {PATIENCE_S:g} s"
        pause.wait(0.02)
    return found


class Device:
    """A device behind a stable name: a link to the near end of a pseudo-terminal, which is closed on our side."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.end = -1
        self.plug()

    def plug(self) -> None:
        """It appears, under another number, behind the same name."""
        self.end, near = os.openpty()
        tty.setraw(near)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(near))
        os.close(near)
        os.set_blocking(self.end, False)

    def unplug(self) -> None:
        """It is gone, and its name with it: the number that the name led to may soon be another device's."""
        self.link.unlink(missing_ok=True)
        if self.end >= 0:
            os.close(self.end)
            self.end = -1

    def says(self, data: bytes) -> bool:
        """Send; False where nobody takes it any more."""
        try:
            return os.write(self.end, data) == len(data)
        except BlockingIOError:
            return False


@contextmanager
def device(link: Path) -> Iterator[Device]:
    made = Device(link)
    try:
        yield made
    finally:
        made.unplug()


class Aboard:
    """A folder with a settings file and the store that a logger makes of it."""

    def __init__(self, folder: Path, *sources: str, flush: float = 0.3) -> None:
        self.folder = folder
        self.settings = folder / "noonmark.toml"
        self.settings.write_text(SITE.format(flush=flush) + "".join(sources), encoding="utf-8")
        self.store = folder / "lapwing.db"
        self.said = folder / "stderr.txt"

    @contextmanager
    def recording(
        self, *before: str, capture: Path | None = None, **environment: str
    ) -> Iterator[subprocess.Popen[bytes]]:
        """``noonmark record`` in a process; killed at the end if it still runs."""
        command = [sys.executable, *before, "-m", "dashboard", "record", "--settings", str(self.settings)]
        command += ["--capture", str(capture)] if capture else []
        with (
            self.said.open("ab") as said,
            subprocess.Popen(
                command, cwd=self.folder, stderr=said, stdin=subprocess.DEVNULL, env={**os.environ, **environment}
            ) as process,
        ):
            try:
                yield process
            finally:
                process.kill()

    def messages(self) -> list[str]:
        return self.said.read_text(encoding="utf-8").splitlines()

    def ask(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """Rows of the store; none while there is no store or no such table yet."""
        if not self.store.exists():
            return []
        with closing(sqlite3.connect(f"{self.store.as_uri()}?mode=ro", uri=True, timeout=30)) as connection:
            try:
                return connection.execute(query, values).fetchall()
            except sqlite3.OperationalError:
                return []

    def values(self, name: str = "bank.house.voltage") -> list[float]:
        query = "SELECT value FROM sample JOIN channel ON id = channel WHERE name = ? ORDER BY t"
        return [value for (value,) in self.ask(query, name)]

    def events(self, kind: str) -> list[str]:
        return [text for (text,) in self.ask("SELECT text FROM event WHERE kind = ? ORDER BY id", kind)]

    def state(self) -> str:
        return next((state for (state,) in self.ask("SELECT state FROM source")), "")

    def reasons(self) -> list[str]:
        return [reason for (reason,) in self.ask("SELECT reason FROM reject ORDER BY id")]


def claimed(made: Device) -> bool:
    """Whether a logger has opened the line and made it its own: from then on every byte reaches it."""
    try:
        near = os.open(made.link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as fault:
        return fault.errno == errno.EBUSY
    try:
        return any(fcntl.ioctl(near, TIOCGEXCL, bytes(4)))
    finally:
        os.close(near)


def heard_from_the_start(made: Device) -> None:
    """Wait for a logger to claim the line, then end the half line that it must distrust."""
    until(lambda: claimed(made), "opening")
    made.says(b"\n")


def source(made: Device, name: str = "cabin controller", unheard: float = 60) -> str:
    return SOURCE.format(name=name, port=made.link, unheard=unheard)


class Talker:
    """Says numbered lines, a hundred a second, to whoever listens; remembers when each went out."""

    def __init__(self, made: Device) -> None:
        self._device = made
        self._stop = threading.Event()
        self.said: list[float] = []
        self._thread = threading.Thread(target=self._talk)

    def _talk(self) -> None:
        while not self._stop.wait(0.01):
            if self._device.says(b"V=%d,I=1\n" % len(self.said)):
                self.said.append(time.monotonic())

    @contextmanager
    def talking(self) -> Iterator[None]:
        self._thread.start()
        try:
            yield
        finally:
            self._stop.set()
            self._thread.join()


@contextmanager
def lean_logger(aboard: Aboard) -> Iterator[subprocess.Popen[bytes]]:
    """The process that ``record`` turns into, without the two seconds before."""
    descriptor = os.memfd_create("plan")
    os.write(descriptor, settings_file.plan(settings_file.read(aboard.settings)).to_json().encode())
    os.lseek(descriptor, 0, os.SEEK_SET)
    command = [sys.executable, "-P", "-m", "logger", "--plan-fd", str(descriptor)]
    with (
        aboard.said.open("ab") as said,
        subprocess.Popen(command, pass_fds=[descriptor], stderr=said, stdin=subprocess.DEVNULL) as process,
    ):
        os.close(descriptor)
        try:
            yield process
        finally:
            process.kill()


def kill_after(process: subprocess.Popen[bytes], seconds: float) -> float:
    """Kill -9 after so long; when that was."""
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        at = time.monotonic()
        process.kill()
        process.wait()
        return at
    raise AssertionError(f"the logger ended by itself with {process.returncode}")
