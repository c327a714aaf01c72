"""Power cuts, played by kill -9 at random moments of a logger that records."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger import settings_file
from logger.schema import prepare

from .rig import Aboard, Device, device, source, until

pytestmark = pytest.mark.terminal

FLUSH_S = 0.3
KILLS = 24


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


def test_kills_at_random_moments(tmp_path: Path) -> None:
    """Nothing older than one flush interval is lost, nothing doubled; the next start needs no repair."""
    rng = random.Random(20)
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), flush=FLUSH_S)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking():
            for n in range(KILLS):
                before = len(aboard.values())
                with lean_logger(aboard) as process:
                    if n % 4:
                        until(lambda before=before: len(aboard.values()) > before, "the first commit")
                    killed = kill_after(process, rng.uniform(0, 2 * FLUSH_S) + (1.5 if n % 6 == 5 else 0))
                kept = [int(value) for value in aboard.values()]
                assert kept == sorted(set(kept)), "a reading stands twice, or out of order"
                session = kept[before:]
                if session:
                    assert session == list(range(session[0], session[-1] + 1)), "a hole in one session"
                    # Beyond the flush interval a second of grace: the machine that tests may be busy.
                    safe = sum(at < killed - FLUSH_S - 1.0 for at in talker.said)
                    assert session[-1] >= safe - 1, "more lost than one flush interval"
                assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
            with lean_logger(aboard) as process:
                before = len(aboard.values())
                until(lambda: len(aboard.values()) > before, "reading after the last kill")
                process.send_signal(signal.SIGTERM)
                assert process.wait(30) == 0
    assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
    sessions = aboard.ask("SELECT stopped_cleanly FROM session ORDER BY id")
    assert sessions[-1] == (1,)
    assert {clean for (clean,) in sessions[:-1]} == {0}
    assert len(sessions) > KILLS / 2
    kept = aboard.values()
    assert len(kept) == len(set(kept))
    # Both channels of a record were kept, or neither.
    assert aboard.ask("SELECT count(*) FROM sample GROUP BY t HAVING count(*) <> 2") == []
    assert aboard.ask("SELECT sum(readings) FROM source") == aboard.ask("SELECT count(*) FROM sample")


def test_the_store_is_whole_for_a_reader_at_any_moment(tmp_path: Path) -> None:
    """Someone looks while it is recorded: each look sees more, never less, never half a record."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), flush=0.2)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking(), lean_logger(aboard) as process:
            seen = 0
            for _ in range(5):
                until(lambda seen=seen: len(aboard.values()) > seen, "more readings")
                seen = len(aboard.values())
                assert aboard.ask("SELECT count(*) FROM sample GROUP BY t HAVING count(*) <> 2") == []
            process.terminate()
            assert process.wait(30) == 0
