"""The logger on another clock than the machine's: sixty times as fast, in June."""

from __future__ import annotations

import itertools
import threading
import time
from pathlib import Path
from threading import Condition, Event

import pytest

from logger import settings_file
from logger.__main__ import Recorder
from logger.schema import prepare

from .rig import Aboard, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal

RATE = 60
NOON = 1_781_265_600_000


class FastClock:
    """Starts at noon on a day in June; a minute of it is a second."""

    def __init__(self) -> None:
        self._began = time.monotonic_ns()

    def now_ms(self) -> int:
        return NOON + (time.monotonic_ns() - self._began) * RATE // 1_000_000

    def boot_ns(self) -> int:
        return (time.monotonic_ns() - self._began) * RATE

    def boot_id(self) -> str:
        return "story"

    def synchronised_ms(self) -> int | None:
        return 0

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        return on.wait(seconds / RATE)


def test_every_time_and_every_wait_is_the_clock_s(tmp_path: Path) -> None:
    """Readings, session, flush interval, rolled-up minutes, silence: all in the story's time."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made, unheard=40), flush=30)
        prepare(aboard.store)
        recorder = Recorder(settings_file.plan(settings_file.read(aboard.settings)), FastClock())
        status: list[int] = []
        thread = threading.Thread(target=lambda: status.append(recorder.run()))
        thread.start()
        try:
            heard_from_the_start(made)
            for n in range(10):
                made.says(b"V=%d,I=1\n" % n)
            until(lambda: len(aboard.values()) == 10, "a flush after 30 s of the story")
            until(lambda: aboard.state() == "unheard", "silence of 40 s of the story")
            until(lambda: aboard.ask("SELECT n FROM minute") != [], "a minute's row")
        finally:
            recorder.stop()
            thread.join()
    assert status == [0]
    times = [t for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert len(times) == 10
    assert times[0] > NOON
    assert times[-1] < NOON + 3_600_000
    assert aboard.ask("SELECT boot_id, stopped_cleanly, started - ? < 60000 FROM session", NOON) == [("story", 1, 1)]


class LateClock(FastClock):
    """Two days behind until somebody tells the machine the time."""

    def __init__(self) -> None:
        super().__init__()
        self.behind_ms = 2 * 86_400_000

    def now_ms(self) -> int:
        return super().now_ms() - self.behind_ms

    def synchronised_ms(self) -> int | None:
        return None if self.behind_ms else 0


def test_a_logger_learns_the_time_while_it_runs(tmp_path: Path) -> None:
    """Recording does not wait for the clock; what was recorded before moves, what comes after lies behind it."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), flush=10)
        prepare(aboard.store)
        clock = LateClock()
        recorder = Recorder(settings_file.plan(settings_file.read(aboard.settings)), clock)
        thread = threading.Thread(target=recorder.run)
        thread.start()
        try:
            heard_from_the_start(made)
            for n in range(10):
                made.says(b"V=%d,I=1\n" % n)
            until(lambda: len(aboard.values()) == 10, "readings of a time that nobody knows")
            before = [t for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
            assert before[-1] < NOON - 86_400_000
            clock.behind_ms = 0
            until(lambda: aboard.ask("SELECT clock FROM session") == [("kernel",)], "the move")
            made.says(b"V=10,I=1\n")
            until(lambda: len(aboard.values()) == 11, "a reading after it")
        finally:
            recorder.stop()
            thread.join()
    assert aboard.values() == list(range(11))
    times = [t for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert [b - a for a, b in itertools.pairwise(times[:10])] == [b - a for a, b in itertools.pairwise(before)]
    assert NOON < times[0] < NOON + 3_600_000
    # The two days; the clocks of a busy machine are asked one after the other, a minute of the story in a second.
    assert abs(times[0] - before[0] - 2 * 86_400_000) < 60_000
    assert aboard.events("clock step")[0].startswith("the clock went forward 1728")
    assert aboard.ask("SELECT count(*) FROM mark WHERE reason = 'time restored'") == [(20,)]
